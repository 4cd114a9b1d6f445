package accuracy

import (
	"io"
	"os"
	"path/filepath"
	"testing"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/overlay"
	"plumbsquare/internal/picture"
)

// BenchmarkShot times the three parts of the work on pictures of each kind: decoding the file,
// measuring, and drawing the overlay.
func BenchmarkShot(b *testing.B) {
	var o intake.Options
	var library intake.Library
	if err := o.Bench(&library, filepath.Join(pictures, "station.yaml")); err != nil {
		b.Fatal(err)
	}
	for _, name := range []string{"tern-die-011", "tern-die-003", "wren-die-007", "tern-col-002", "tern-side-001", "wren-ball-002", "dunlin-die-009"} {
		shots, _ := intake.Gather([]string{filepath.Join(pictures, name+".png")}, o)
		jobs, errs := library.Jobs(shots)
		if len(errs) > 0 {
			b.Fatal(errs)
		}
		j := jobs[0]
		data, err := os.ReadFile(j.Path)
		if err != nil {
			b.Fatal(err)
		}
		g, err := picture.Decode(data, picture.Limits{})
		if err != nil {
			b.Fatal(err)
		}
		job := measure.Job{Part: j.Part, Scope: j.Scope, Shot: j.Shot, Today: today}
		r, err := measure.Shot(g, job)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(name+"/decode", func(b *testing.B) {
			for b.Loop() {
				if _, err := picture.Decode(data, picture.Limits{}); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(name+"/measure", func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := measure.Shot(g, job); err != nil {
					b.Fatal(err)
				}
			}
		})
		b.Run(name+"/overlay", func(b *testing.B) {
			for b.Loop() {
				if err := overlay.Write(io.Discard, g, r, j.Part, j.Scope); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
