package measure_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/synth"
)

// capErrPx draws a cap, measures it and returns how far off it is.
func capErrPx(t *testing.T, p *part.Part, widthPx int, seed uint64, change func(*synth.Scene)) float64 {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 1))
	sc := synth.RandomScope("bench", p, reading.CapPlan, widthPx, rng)
	s := synth.Random(p, sc, reading.CapPlan, rng)
	change(s)
	g, truth, err := synth.Draw(s, rng)
	if err != nil {
		t.Fatal(err)
	}
	r := mustShoot(t, g, measure.Job{Part: p, Scope: sc, Shot: reading.Shot{View: reading.CapPlan}, Today: sc.Calibrated})
	if r.Refusal != nil {
		t.Errorf("seed %d: %v", seed, r.Refusal)
		return 0
	}
	return math.Hypot(r.Offset.XUm-*truth.DXUm, r.Offset.YUm-*truth.DYUm) / sc.UmPerPxX
}

// A chamfer nearly as bright as the face, beside dark glue: the glue could be a chamfer on one side
// if on the opposite one a strip of the face were it, and the cap would be as large as drawn, but
// some pixels off.
func TestCapWithFaintChamfer(t *testing.T) {
	p := tern(t)
	for _, seed := range []uint64{25, 31} {
		off := capErrPx(t, p, 1024, seed, func(s *synth.Scene) { s.Look.Flank, s.Dirt.FluxRim, s.Optics.BlurPx = 0.47, true, 1.6 })
		if off > 0.3 {
			t.Errorf("seed %d: %.2f px off", seed, off)
		}
	}
}

// Under a higher magnification chamfer and glue are many pixels wide, and what a cap is found by
// coarsely may be the inner edge of the one and the outer edge of the other.
func TestSmallCap(t *testing.T) {
	p := &part.Part{
		Name: "dotterel", Substrate: part.Substrate{WidthMm: 10, HeightMm: 10, ThicknessMm: 1}, Orientation: part.Orientation{By: "fixture"},
		Cap: &part.Cap{WidthMm: 7, HeightMm: 7.6, CornerRadiusMm: 0.4, TopMm: 1, Datum: "outline"},
	}
	for _, seed := range []uint64{1, 9, 17} {
		if off := capErrPx(t, p, 1280, seed, func(*synth.Scene) {}); off > 0.3 {
			t.Errorf("seed %d: %.2f px off", seed, off)
		}
	}
}
