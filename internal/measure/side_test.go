package measure_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/synth"
)

// From the side the light shows below a substrate thinner than the picture is tall there.
func TestSideOfThinSubstrate(t *testing.T) {
	p := array("columns")
	for _, thickMm := range []float64{0.5, 1, 3} {
		p.Substrate.ThicknessMm = thickMm
		rng := rand.New(rand.NewPCG(4, 1))
		sc := synth.RandomScope("bench", p, reading.ColumnSide, 1600, rng)
		g, truth, err := synth.Draw(synth.Random(p, sc, reading.ColumnSide, rng), rng)
		if err != nil {
			t.Fatal(err)
		}
		r := mustShoot(t, g, measure.Job{Part: p, Scope: sc, Shot: reading.Shot{View: reading.ColumnSide}, Today: sc.Calibrated})
		if r.Refusal != nil {
			t.Errorf("%g mm: %v", thickMm, r.Refusal)
			continue
		}
		at := map[string]reading.Site{}
		for _, s := range r.Array.Sites {
			at[s.Name] = s
		}
		for _, want := range truth.Sites {
			got := at[want.Site]
			if gone := got.State == reading.Missing; gone != (want.State == reading.Missing) {
				t.Errorf("%g mm: %s is %s, drawn %s", thickMm, want.Site, got.State, want.State)
			} else if want.DXUm != nil && math.Abs(got.DXUm-*want.DXUm) > 0.4*sc.UmPerPxX {
				t.Errorf("%g mm: %s is %.2f px off", thickMm, want.Site, (got.DXUm-*want.DXUm)/sc.UmPerPxX)
			}
		}
	}
}
