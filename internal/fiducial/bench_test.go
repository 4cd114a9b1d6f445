package fiducial

import (
	"fmt"
	"math/rand/v2"
	"os"
	"testing"

	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/synth"
)

// BenchmarkMarks times the two halves of finding marks: candidates by correlation on the shrunk
// picture, and the fit of each on raw pixels.
func BenchmarkMarks(b *testing.B) {
	for _, name := range []string{"tern", "wren"} { // crosses, rings
		data, err := os.ReadFile("../../examples/parts/" + name + ".yaml")
		if err != nil {
			b.Fatal(err)
		}
		p, err := part.Load(data, name)
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
			plane := sc.Plane(g.W, g.H, p.Marks.PlaneMm)
			src := fit.Source{Gray: g, Plane: plane, Noise: picture.EstimateNoise(g)}
			b.Run(fmt.Sprintf("%s/%d/coarse", name, width), func(b *testing.B) {
				for b.Loop() {
					if _, err := newView(g, plane, p.Marks).candidates(p.Marks); err != nil {
						b.Fatal(err)
					}
				}
			})
			found, err := Find(src, p, sc, 0)
			if err != nil {
				b.Fatal(err)
			}
			blur := found.Blur
			half := geom.Length(p.Marks.SizeMm()/2)*geom.Millimetre + 7*blur
			b.Run(fmt.Sprintf("%s/%d/refine", name, width), func(b *testing.B) {
				b.ReportAllocs()
				var px fit.Pixels
				for b.Loop() {
					for _, m := range found.Marks {
						if !m.Used {
							continue
						}
						px.Reset(m.Fit.Centre)
						px.AddWindow(src, m.Fit.Centre, half, 2)
						seen, err := fit.SeeMark(&px, p.Marks, found.Pose.Turn, m.Fit.Centre, blur)
						if err != nil {
							b.Fatal(err)
						}
						px.Reset(m.Fit.Centre)
						px.AddWindow(src, m.Fit.Centre, half, 1)
						if _, err := fit.FitMark(&px, p.Marks, found.Pose.Turn, seen); err != nil {
							b.Fatal(err)
						}
					}
				}
			})
		}
	}
}
