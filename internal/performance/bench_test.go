package performance

import (
	"fmt"
	"io"
	"testing"

	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/overlay"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
)

// BenchmarkStage times the steps of a picture on drawn ones of every kind and two sizes. Coarse
// and fine steps of marks and dies have benchmarks of their own in their rooms.
func BenchmarkStage(b *testing.B) {
	for _, k := range kinds {
		for _, width := range []int{1024, 2048} {
			b.Run(fmt.Sprintf("%s/%s/%d", k.view, k.part, width), func(b *testing.B) {
				pics, err := Draw(load(b, k.part), k.view, 1, width, false, 1)
				if err != nil {
					b.Fatal(err)
				}
				benchStages(b, pics[0])
			})
		}
	}
}

func benchStages(b *testing.B, p *Picture) {
	job := measure.Job{Part: p.Part, Scope: p.Scope, Shot: reading.Shot{View: p.View}, Today: today}
	r, err := measure.Shot(p.Gray, job)
	if err != nil {
		b.Fatal(err)
	}
	noise := picture.EstimateNoise(p.Gray)
	b.Run("decode", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := picture.Decode(p.PNG, picture.Limits{}); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("noise", func(b *testing.B) {
		for b.Loop() {
			picture.EstimateNoise(p.Gray)
		}
	})
	b.Run("gates", func(b *testing.B) {
		for b.Loop() {
			picture.Check(p.Gray, noise)
		}
	})
	if p.View == reading.DiePlan {
		b.Run("marks", func(b *testing.B) {
			for b.Loop() {
				if _, err := fiducial.Find(fit.Source{Gray: p.Gray, Noise: noise}, p.Part, p.Scope, 0); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("shot", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := measure.Shot(p.Gray, job); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("overlay", func(b *testing.B) {
		for b.Loop() {
			if err := overlay.Write(io.Discard, p.Gray, r, p.Part, p.Scope); err != nil {
				b.Fatal(err)
			}
		}
	})
}
