package measure_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/synth"
)

// A chamfer nearly as bright as the face, beside dark glue: the glue could be a chamfer on one side
// if on the opposite one a strip of the face were it, and the cap would be as large as drawn, but
// some pixels off.
func TestCapWithFaintChamfer(t *testing.T) {
	p := tern(t)
	for _, seed := range []uint64{25, 31} {
		rng := rand.New(rand.NewPCG(seed, 1))
		sc := synth.RandomScope("bench", p, reading.CapPlan, 1024, rng)
		s := synth.Random(p, sc, reading.CapPlan, rng)
		s.Look.Flank, s.Dirt.FluxRim, s.Optics.BlurPx = 0.47, true, 1.6
		g, truth, err := synth.Draw(s, rng)
		if err != nil {
			t.Fatal(err)
		}
		r := mustShoot(t, g, measure.Job{Part: p, Scope: sc, Shot: reading.Shot{View: reading.CapPlan}, Today: sc.Calibrated})
		if r.Refusal != nil {
			t.Errorf("seed %d: %v", seed, r.Refusal)
			continue
		}
		if ex, ey := (r.Offset.XUm-*truth.DXUm)/sc.UmPerPxX, (r.Offset.YUm-*truth.DYUm)/sc.UmPerPxX; math.Hypot(ex, ey) > 0.3 {
			t.Errorf("seed %d: off by %.2f, %.2f px", seed, ex, ey)
		}
	}
}
