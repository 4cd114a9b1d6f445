package offset

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

func telecentric() *scope.Scope {
	return &scope.Scope{Name: "s", UmPerPxX: 12, UmPerPxY: 12, Camera: scope.Telecentric}
}

const nominalTurn = 2 * geom.Degree

var nominal = geom.DrawingPoint{X: 400, Y: -250}

// placed returns a plate that lies off its nominal place on a substrate by x, y µm and theta°.
func placed(pose geom.Pose, x, y, thetaDeg float64) *plate {
	// Where the drawing's scaled point and the offset in true µm lie in the scope frame.
	at := pose.Nominal(nominal)
	sin, cos := math.Sincos(pose.Turn.Rad())
	dx, dy := float64(at.X)+x, float64(at.Y)+y
	return &plate{rectangle: rectangle{
		centre: geom.ScopePoint{X: pose.Origin.X + geom.Length(cos*dx-sin*dy), Y: pose.Origin.Y + geom.Length(sin*dx+cos*dy)},
		turn:   pose.Turn + nominalTurn + geom.Angle(thetaDeg)*geom.Degree,
		width:  9000, height: 7000,
	}}
}

func measured(p *plate, pose geom.Pose, sc *scope.Scope) *reading.Offset {
	return p.offset(nominal, nominalTurn, sc, 0.8, &fiducial.Found{Pose: pose}, "edges")
}

func drawPose(t *rapid.T) geom.Pose {
	return geom.Pose{
		Origin: geom.ScopePoint{X: geom.Length(rapid.Float64Range(-2000, 2000).Draw(t, "x_um")), Y: geom.Length(rapid.Float64Range(-2000, 2000).Draw(t, "y_um"))},
		Turn:   geom.Angle(rapid.Float64Range(-180, 180).Draw(t, "turn_deg")) * geom.Degree,
		Scale:  rapid.Float64Range(0.99, 1.01).Draw(t, "scale"),
	}
}

// The substrate carries the drawing frame: however it lies and whatever it has shrunk by, the
// offset is by how much the die was moved.
func TestOffsetIsWhatTheDieWasMovedBy(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := rapid.Float64Range(-300, 300).Draw(t, "dx_um"), rapid.Float64Range(-300, 300).Draw(t, "dy_um")
		theta := rapid.Float64Range(-3, 3).Draw(t, "theta_deg")
		pose := drawPose(t)
		o := measured(placed(pose, x, y, theta), pose, telecentric())
		if math.Abs(o.XUm-x) > 1e-8 || math.Abs(o.YUm-y) > 1e-8 || math.Abs(o.ThetaDeg-theta) > 1e-10 {
			t.Errorf("moved by %g, %g µm and %g°, got %g, %g and %g", x, y, theta, o.XUm, o.YUm, o.ThetaDeg)
		}
	})
}

// The law of propagation, JCGM 100:2008, 5.2.2, equation 13, with sensitivities by differences of
// the measurement itself.
func TestCovarianceByDifferences(t *testing.T) {
	pose := geom.Pose{Origin: geom.ScopePoint{X: 300, Y: -700}, Turn: 25 * geom.Degree, Scale: 0.997}
	base := placed(pose, 35, -20, 0.2)
	// Covariances of the plate's x, y, turn and of the pose's x, y, turn, scale; correlated.
	base.cov = [5][5]float64{{0.09, 0.01, 2e-6}, {0.01, 0.05, -1e-6}, {2e-6, -1e-6, 4e-10}, {3: 1}, {4: 1}}
	posed := [4][4]float64{{0.02, 0.004, 1e-6, -1e-6}, {0.004, 0.03, 0, 1e-6}, {1e-6, 0, 9e-10, 1e-10}, {-1e-6, 1e-6, 1e-10, 1.6e-9}}
	found := &fiducial.Found{Pose: pose, Cov: posed}
	got := base.offset(nominal, nominalTurn, telecentric(), 0.8, found, "edges")

	vector := func(o *reading.Offset) [3]float64 { return [3]float64{o.XUm, o.YUm, o.ThetaDeg} }
	at := vector(got)
	inputs := []struct {
		h    float64
		move func(*plate, *geom.Pose, float64)
	}{
		{1e-3, func(p *plate, _ *geom.Pose, h float64) { p.centre.X += geom.Length(h) }},
		{1e-3, func(p *plate, _ *geom.Pose, h float64) { p.centre.Y += geom.Length(h) }},
		{1e-7, func(p *plate, _ *geom.Pose, h float64) { p.turn += geom.Angle(h) }},
		{1e-3, func(_ *plate, q *geom.Pose, h float64) { q.Origin.X += geom.Length(h) }},
		{1e-3, func(_ *plate, q *geom.Pose, h float64) { q.Origin.Y += geom.Length(h) }},
		{1e-7, func(_ *plate, q *geom.Pose, h float64) { q.Turn += geom.Angle(h) }},
		{1e-7, func(_ *plate, q *geom.Pose, h float64) { q.Scale += h }},
	}
	var j [3][7]float64
	for i, in := range inputs {
		p, q := *base, pose
		in.move(&p, &q, in.h)
		for k, v := range vector(measured(&p, q, telecentric())) {
			j[k][i] = (v - at[k]) / in.h
		}
	}
	cov := func(a, b int) float64 {
		switch {
		case a < 3 && b < 3:
			return base.cov[a][b]
		case a >= 3 && b >= 3:
			return posed[a-3][b-3]
		}
		return 0
	}
	for a := range 3 {
		for b := range 3 {
			want := 0.0
			for i := range 7 {
				for k := range 7 {
					want += j[a][i] * cov(i, k) * j[b][k]
				}
			}
			if d := math.Abs(got.Cov[a][b] - want); d > 1e-4*math.Sqrt(got.Cov[a][a]*got.Cov[b][b]) {
				t.Errorf("cov[%d][%d]: got %g want %g", a, b, got.Cov[a][b], want)
			}
		}
	}
}

// The budget is the uncertainty: its terms add up in squares, the largest first.
func TestBudgetAddsUp(t *testing.T) {
	pose := geom.Pose{Origin: geom.ScopePoint{X: 900, Y: -400}, Turn: -10 * geom.Degree, Scale: 1}
	sc := telecentric()
	sc.Camera, sc.WorkingDistanceMm, sc.UScalePercent, sc.UTiltDeg, sc.UHeightMm = scope.Perspective, 110, 0.05, 0.1, 0.02
	p := placed(pose, 80, -60, 0.1)
	p.cov = [5][5]float64{{0: 0.04}, {1: 0.04}, {2: 1e-9}, {3: 0.25}, {4: 0.25}}
	o := p.offset(nominal, nominalTurn, sc, 0.8, &fiducial.Found{Pose: pose, Cov: [4][4]float64{{0: 0.01}, {1: 0.01}, {2: 1e-9}, {3: 1e-9}}}, "edges")
	var x, y, theta float64
	for i, b := range o.Budget {
		x, y, theta = x+b.XUm*b.XUm, y+b.YUm*b.YUm, theta+b.ThetaDeg*b.ThetaDeg
		if i > 0 && b.XUm+b.YUm > o.Budget[i-1].XUm+o.Budget[i-1].YUm {
			t.Errorf("%s comes after a smaller term", b.Name)
		}
	}
	for name, c := range map[string][2]float64{"x": {math.Sqrt(x), o.UXUm}, "y": {math.Sqrt(y), o.UYUm}, "theta": {math.Sqrt(theta), o.UTheta}} {
		if math.Abs(c[0]-c[1]) > 1e-12 {
			t.Errorf("u of %s is %g, its budget adds up to %g", name, c[1], c[0])
		}
	}
	if len(o.Budget) != 5 {
		t.Errorf("got %d terms, want edges, marks, scale, height and axis: %+v", len(o.Budget), o.Budget)
	}
	// By hand: 0.05 % of 80 µm; 0.8 mm · tan 0.1°; (0.02 mm / 109.2 mm) of how far the plate lies
	// from the axis; a side of 9 mm is as unsure as its fit, the scale and the height together.
	want := map[string]float64{"scale of the scope": 0.04, "optical axis": 1.3963}
	for _, b := range o.Budget {
		if w, ok := want[b.Name]; ok && math.Abs(b.XUm-w) > 1e-4 {
			t.Errorf("%s is %g µm, by hand %g", b.Name, b.XUm, w)
		}
		if b.Name == "height of the plate" {
			r := math.Hypot(float64(p.centre.X), float64(p.centre.Y)) * 0.02 / 109.2
			if got := math.Hypot(b.XUm, b.YUm); math.Abs(got-r) > 1e-9 {
				t.Errorf("height is %g µm, by hand %g", got, r)
			}
		}
	}
	if side := math.Sqrt(0.25 + math.Pow(9000*0.0005, 2) + math.Pow(9000*0.02/109.2, 2)); math.Abs(o.UWidthUm-side) > 1e-9 {
		t.Errorf("u of the side is %g µm, by hand %g", o.UWidthUm, side)
	}
}
