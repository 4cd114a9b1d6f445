package offset

import (
	"fmt"
	"math/rand/v2"
	"os"
	"testing"

	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/synth"
)

// BenchmarkDie times finding a die on the shrunk picture, fitting its four sides on raw pixels
// from there, and both with all that makes an offset of them.
func BenchmarkDie(b *testing.B) {
	data, err := os.ReadFile("../../examples/parts/tern.yaml")
	if err != nil {
		b.Fatal(err)
	}
	p, err := part.Load(data, "tern")
	if err != nil {
		b.Fatal(err)
	}
	for _, width := range []int{1024, 2048} {
		rng := rand.New(rand.NewPCG(1, 2))
		sc := synth.RandomScope("bench", p, reading.DiePlan, width, rng)
		g, _, err := synth.Draw(synth.Random(p, sc, reading.DiePlan, rng), rng)
		if err != nil {
			b.Fatal(err)
		}
		src := fit.Source{Gray: g, Noise: picture.EstimateNoise(g), Plane: sc.Plane(g.W, g.H, p.Die.TopMm)}
		found, err := fiducial.Find(src, p, sc, 0)
		if err != nil {
			b.Fatal(err)
		}
		drawn := rectangle{
			centre: found.Pose.ToScope(p.Die.Centre()), turn: found.Pose.Turn,
			width: geom.Length(p.Die.WidthMm) * geom.Millimetre, height: geom.Length(p.Die.HeightMm) * geom.Millimetre,
		}
		inset := 4*found.Blur + drawn.width/50
		var at located
		b.Run(fmt.Sprintf("%d/locate", width), func(b *testing.B) {
			for b.Loop() {
				at = locate(g, src.Plane, drawn, search{shift: dieShift, turn: dieTurn, size: dieSize, inset: inset})
			}
		})
		b.Run(fmt.Sprintf("%d/sides", width), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				for k := range sideNames {
					win := fit.EdgeWindow{Half: at.half(k) - inset, SearchPx: 6, Blur: found.Blur, BestOnly: true}
					if _, err := fit.FitEdges(src, at.side(k), win); err != nil {
						b.Fatal(err)
					}
				}
			}
		})
		b.Run(fmt.Sprintf("%d/all", width), func(b *testing.B) {
			for b.Loop() {
				if _, err := Die(src, p, sc, found); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
