package main

import (
	"fmt"
	"math/rand/v2"
	"slices"

	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

// A kind is one thing that can be the matter with a picture of a die.
type kind struct {
	name string
	// gates are the refusals that send the technician to what is wrong; none where the picture
	// can be measured right.
	gates []string
	// either says that a right measurement will do as well as such a refusal.
	either bool
	do     func(*scene, *rand.Rand) error
}

// A scene is a picture to draw and how it is to be measured.
type scene struct {
	*synth.Scene
	measuredAs *part.Part
}

// another are the refusals that ask whether this is the right part.
var another = []string{"other-part", "die-size", "die-edges", "no-die"}

// kinds lists what is tried, each as often as the others.
func kinds() []kind {
	all := []kind{{name: "nothing", do: func(*scene, *rand.Rand) error { return nil }}}
	for _, t := range synth.Torments(reading.DiePlan) {
		k := kind{name: t.Name, do: func(s *scene, rng *rand.Rand) error { return synth.ApplyTorment(s.Scene, t.Name, rng) }}
		switch t.Name {
		case "die upside down":
			k.gates, k.either = another, true
		case "die turned by 90°": // a square one looks the same either way
			k.gates, k.either = another, true
		case "no die":
			k.gates = []string{"no-die", "empty-fixture"}
		default:
			if t.Reason != "" {
				k.gates = another
			}
		}
		all = append(all, k)
	}
	for _, f := range synth.Faults {
		if !f.Fits(reading.DiePlan) || f == synth.NoDie { // no die is a torment already
			continue
		}
		gates := []string{string(f)}
		if f == synth.MarkOut {
			gates = append(gates, "field")
		}
		all = append(all, kind{name: string(f), gates: gates, do: func(s *scene, _ *rand.Rand) error {
			s.Fault = f
			return nil
		}})
	}
	for _, quarter := range []float64{90, 180, 270} {
		all = append(all, kind{
			name: fmt.Sprintf("sample turned by %g°", quarter), gates: []string{"wrong-way-round"},
			do: func(s *scene, _ *rand.Rand) error {
				s.FixtureDeg += quarter
				return nil
			},
		})
	}
	return append(all,
		kind{name: "fixture far off", do: func(s *scene, rng *rand.Rand) error {
			s.FixtureDeg = 4.9 * (2*rng.Float64() - 1)
			return nil
		}},
		kind{name: "two marks missing", do: func(s *scene, rng *rand.Rand) error {
			for _, i := range rng.Perm(len(s.Part.Marks.At))[:len(s.Part.Marks.At)-2] {
				s.Marks = append(s.Marks, synth.MarkState{Name: s.Part.Marks.At[i].Name, Absent: true})
			}
			return nil
		}},
		kind{name: "die a little too large", gates: another, do: func(s *scene, rng *rand.Rand) error {
			s.Die.SizeXUm, s.Die.SizeYUm = 40+160*rng.Float64(), 40+160*rng.Float64()
			return nil
		}},
		kind{name: "wrong part: other marks", gates: []string{"other-part", "scale", "fiducials-hidden"}, do: func(s *scene, rng *rand.Rand) error {
			s.measuredAs = copyOf(s.Part)
			grow := 1 + (0.015+0.065*rng.Float64())*float64(2*rng.IntN(2)-1)
			for i := range s.measuredAs.Marks.At {
				s.measuredAs.Marks.At[i].XMm *= grow
				s.measuredAs.Marks.At[i].YMm *= grow
			}
			return nil
		}},
		kind{name: "wrong part: other die", gates: another, do: func(s *scene, rng *rand.Rand) error {
			s.measuredAs = copyOf(s.Part)
			s.measuredAs.Die.WidthMm *= 0.85 + 0.1*rng.Float64()
			s.measuredAs.Die.HeightMm *= 0.85 + 0.1*rng.Float64()
			s.measuredAs.Die.Bumps = nil
			return nil
		}},
	)
}

// A bench is the parts that pictures are drawn of, and how wide these are.
type bench struct {
	parts   []*part.Part
	kinds   []kind
	widthPx int
}

// draw returns the scene of a seed, its kind, its picture and what is true of that.
func (b *bench) draw(seed uint64) (*scene, kind, *picture.Gray, *synth.Truth, error) {
	rng := rand.New(rand.NewPCG(seed, 0x70725))
	k := b.kinds[seed%uint64(len(b.kinds))]
	p := b.parts[rng.IntN(len(b.parts))]
	if rng.IntN(2) == 0 {
		p = vary(p, rng)
	}
	sc := synth.RandomScope("torture", p, reading.DiePlan, b.widthPx, rng)
	s := &scene{Scene: synth.Random(p, sc, reading.DiePlan, rng), measuredAs: p}
	if err := k.do(s, rng); err != nil {
		return nil, k, nil, nil, err
	}
	g, truth, err := synth.Draw(s.Scene, rng)
	return s, k, g, truth, err
}

// vary returns an invented part of the same manner: another die, other marks around it.
func vary(p *part.Part, rng *rand.Rand) *part.Part {
	between := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	q := copyOf(p)
	q.Name += "-variant"
	d := q.Die
	d.WidthMm, d.HeightMm, d.TopMm = d.WidthMm*between(0.7, 1.1), d.HeightMm*between(0.7, 1.1), between(0, 1)
	d.XMm, d.YMm, d.Bumps = between(-0.3, 0.3), between(-0.3, 0.3), nil
	m := &part.Marks{Shape: []part.MarkShape{part.Cross, part.Ring, part.Disc, part.Square}[rng.IntN(4)]}
	switch m.Shape {
	case part.Cross:
		m.LengthMm = between(0.7, 1.2)
		m.ArmWidthMm = m.LengthMm * between(0.18, 0.3)
	case part.Ring:
		m.DiameterMm = between(0.6, 1)
		m.InnerMm = m.DiameterMm * between(0.4, 0.6)
	case part.Disc:
		m.DiameterMm = between(0.3, 0.7)
	case part.Square:
		m.LengthMm = between(0.3, 0.6)
	}
	x := d.WidthMm/2 + m.SizeMm()/2 + between(0.7, 1.5)
	y := d.HeightMm/2 + m.SizeMm()/2 + between(0.7, 1.5)
	m.At = []part.Place{{Name: "F1", XMm: -x, YMm: y}, {Name: "F2", XMm: x, YMm: y}, {Name: "F3", XMm: x, YMm: -y}, {Name: "F4", XMm: -x, YMm: -y}}
	q.Marks = m
	if rng.IntN(2) == 0 {
		q.Orientation = part.Orientation{By: "absent-mark", XMm: -x, YMm: -y}
		m.At = m.At[:3]
	} else {
		q.Orientation = part.Orientation{By: "disc", XMm: -x, YMm: y + m.SizeMm()/2 + 0.8, DiameterMm: 0.5}
	}
	q.Limits.BumpUm = 0
	return q
}

// copyOf returns a part that shares nothing of its marks and die with p.
func copyOf(p *part.Part) *part.Part {
	q := *p
	m, d := *p.Marks, *p.Die
	m.At = slices.Clone(m.At)
	q.Marks, q.Die = &m, &d
	return &q
}

// scopeOf names the scope's kind for the list of what went wrong.
func scopeOf(s *scope.Scope) string {
	return fmt.Sprintf("%s %.1f µm/px", s.Camera, s.UmPerPxX)
}
