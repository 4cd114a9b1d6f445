package column_test

import (
	"math"
	"testing"
)

// Under a perspective lens the tips of the outer columns are seen near the substrate's edges, or
// beyond them: the edges are fitted between them.
func TestColumnsAtTheRimLeaveTheOutline(t *testing.T) {
	p := columnPart()
	p.Substrate.WidthMm, p.Substrate.HeightMm = 10.05, 8.05
	for _, workingMm := range []float64{45, 70, 110} {
		s := perspective(datumUm, workingMm)
		stands := scatter(p, 31)
		pose := poseAt(-90, 60, 1.3, 1.001)
		g := columnScene(680, 580, p, s, pose, 1.2, stands).gray(0.03, -0.02, 0.7, 8)
		r := mustPlan(t, g, noiseModel(0.7), p, s)
		at := s.Plane(g.W, g.H, 0).ToImage(pose.Origin)
		if e := math.Hypot(r.Substrate.OriginXPx-at.X, r.Substrate.OriginYPx-at.Y); e > 0.1 || math.Abs(r.Substrate.TurnDeg-1.3) > 0.02 {
			t.Errorf("%g mm: the outline errs by %.2f px and %.3f°", workingMm, e, r.Substrate.TurnDeg-1.3)
		}
		if e := rms(r.Array, stands, 0, 0); e > 0.2*datumUm || r.Array.Missing > 0 {
			t.Errorf("%g mm: tips err by %.1f µm, %d missing", workingMm, e, r.Array.Missing)
		}
	}
}
