package main

import (
	"fmt"
	"math/rand/v2"

	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

// A scene is a picture to draw and how it is to be measured.
type scene struct {
	*synth.Scene
	measuredAs *part.Part
}

// A bench is the parts that pictures of a view are drawn of, and how wide these are.
type bench struct {
	parts   []*part.Part
	view    reading.View
	kinds   []kind
	widthPx int
}

// draw returns the scene of a seed, its kind, its picture and what is true of that.
func (b *bench) draw(seed uint64) (*scene, kind, *picture.Gray, *synth.Truth, error) {
	rng := rand.New(rand.NewPCG(seed, 0x70725))
	k := b.kinds[seed%uint64(len(b.kinds))]
	p := b.parts[rng.IntN(len(b.parts))]
	if rng.IntN(2) == 0 {
		p = vary(p, b.view, rng)
	}
	sc := synth.RandomScope("torture", p, b.view, b.widthPx, rng)
	s := &scene{Scene: synth.Random(p, sc, b.view, rng), measuredAs: p}
	s.WidthPx, s.HeightPx = synth.Size(p, b.view, sc.UmPerPxX)
	if err := k.do(s, rng); err != nil {
		return nil, k, nil, nil, err
	}
	g, truth, err := synth.Draw(s.Scene, rng)
	return s, k, g, truth, err
}

// scopeOf names the scope's kind for the list of what went wrong.
func scopeOf(s *scope.Scope) string {
	return fmt.Sprintf("%s %.1f µm/px", s.Camera, s.UmPerPxX)
}
