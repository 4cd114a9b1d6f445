package geom_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/geom"
)

func TestUnits(t *testing.T) {
	// The inch is 25.4 mm exactly (International yard and pound agreement, 1959).
	inch := 25.4 * geom.Millimetre
	if inch.Um() != 25400 || math.Abs(inch.Mm()-25.4) > 1e-12 {
		t.Errorf("an inch is %g µm, %g mm", inch.Um(), inch.Mm())
	}
	// SI Brochure, 9th edition, table 8: 1° = (π/180) rad.
	if got := (90 * geom.Degree).Rad(); math.Abs(got-math.Pi/2) > 1e-15 {
		t.Errorf("90° is %g rad", got)
	}
	if got := (geom.Angle(math.Pi) * geom.Radian).Deg(); math.Abs(got-180) > 1e-12 {
		t.Errorf("π rad is %g°", got)
	}
	if p := geom.MmPoint(1.5, -2); p.X.Um() != 1500 || p.Y.Um() != -2000 {
		t.Errorf("(1.5, -2) mm is %v µm", p)
	}
}

// Turning counter-clockwise takes +X to +Y; the substrate's scale moves its points outward.
func TestPoseTurnsCounterClockwise(t *testing.T) {
	pose := geom.Pose{Origin: geom.ScopePoint{X: 100, Y: 50}, Turn: 90 * geom.Degree, Scale: 1.01}
	got := pose.ToScope(geom.DrawingPoint{X: 1000})
	if math.Abs(got.X.Um()-100) > 1e-9 || math.Abs(got.Y.Um()-1060) > 1e-9 {
		t.Errorf("got %v want (100, 1060)", got)
	}
	// What is seen there lies 1010 true µm along the drawing's X: the scope is the ruler.
	if back := pose.ToDrawing(got); math.Abs(back.X.Um()-1010) > 1e-9 || math.Abs(back.Y.Um()) > 1e-9 {
		t.Errorf("got %v want (1010, 0)", back)
	}
}

func drawPose(t *rapid.T) geom.Pose {
	return geom.Pose{
		Origin: geom.ScopePoint{X: geom.Length(rapid.Float64Range(-3000, 3000).Draw(t, "x")), Y: geom.Length(rapid.Float64Range(-3000, 3000).Draw(t, "y"))},
		Turn:   geom.Angle(rapid.Float64Range(-180, 180).Draw(t, "turn_deg")) * geom.Degree,
		Scale:  rapid.Float64Range(0.98, 1.02).Draw(t, "scale"),
	}
}

// A printed point is found where it is expected, whatever the pose; distances are those of the
// scope frame.
func TestPoseThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		pose := drawPose(t)
		p := geom.MmPoint(rapid.Float64Range(-20, 20).Draw(t, "p_x"), rapid.Float64Range(-20, 20).Draw(t, "p_y"))
		q := geom.MmPoint(rapid.Float64Range(-20, 20).Draw(t, "q_x"), rapid.Float64Range(-20, 20).Draw(t, "q_y"))
		got, want := pose.ToDrawing(pose.ToScope(p)), pose.Nominal(p)
		if math.Hypot(float64(got.X-want.X), float64(got.Y-want.Y)) > 1e-8 {
			t.Errorf("got %v want %v", got, want)
		}
		a, b := pose.ToScope(p), pose.ToScope(q)
		scope := math.Hypot(float64(a.X-b.X), float64(a.Y-b.Y))
		drawn := math.Hypot(float64(p.X-q.X), float64(p.Y-q.Y))
		if math.Abs(scope-pose.Scale*drawn) > 1e-8 {
			t.Errorf("distance %g µm of %g drawn at scale %g", scope, drawn, pose.Scale)
		}
	})
}

func TestWrap(t *testing.T) {
	for _, c := range [][2]float64{{0, 0}, {180, 180}, {-180, 180}, {181, -179}, {540, 180}, {-539, -179}, {720.5, 0.5}} {
		if got := geom.Wrap(geom.Angle(c[0]) * geom.Degree).Deg(); math.Abs(got-c[1]) > 1e-9 {
			t.Errorf("%g° wraps to %g°, want %g°", c[0], got, c[1])
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		a := geom.Angle(rapid.Float64Range(-1000, 1000).Draw(t, "rad"))
		w := geom.Wrap(a)
		if w <= -math.Pi || w > math.Pi+1e-15 {
			t.Errorf("%g rad lies outside (-π, π]", w)
		}
		if d := math.Abs(math.Remainder(float64(a-w), 2*math.Pi)); d > 1e-9 {
			t.Errorf("%g and %g rad differ by %g", a, w, d)
		}
	})
}
