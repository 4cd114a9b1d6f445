package column

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/picture"
)

func TestNormalTable(t *testing.T) {
	for x := -6.0; x <= 6; x += 0.00137 {
		cdf, pdf := normal(x)
		// Closed forms; the standard library's erfc is the reference.
		if e := cdf - 0.5*math.Erfc(-x/math.Sqrt2); math.Abs(e) > 1e-6 {
			t.Fatalf("cdf(%g) off by %g", x, e)
		}
		if e := pdf - math.Exp(-x*x/2)/math.Sqrt(2*math.Pi); math.Abs(e) > 2e-6 {
			t.Fatalf("pdf(%g) off by %g", x, e)
		}
	}
}

// gonum's inverse is the reference.
func TestInvert3(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := mat.NewDense(3, 3, nil)
		for i := range 3 {
			for k := range 3 {
				m.Set(i, k, rapid.Float64Range(-3, 3).Draw(t, "m"))
			}
			m.Set(i, i, m.At(i, i)+5)
		}
		var s, want mat.Dense
		s.Mul(m, m.T())
		if err := want.Inverse(&s); err != nil {
			return
		}
		got, ok := invert3([6]float64{s.At(0, 0), s.At(0, 1), s.At(0, 2), s.At(1, 1), s.At(1, 2), s.At(2, 2)})
		if !ok {
			if mat.Cond(&s, 2) < 1e6 {
				t.Fatal("taken for singular")
			}
			return
		}
		for i, at := range [6][2]int{{0, 0}, {0, 1}, {0, 2}, {1, 1}, {1, 2}, {2, 2}} {
			// Both err by the condition number times the rounding.
			if w := want.At(at[0], at[1]); math.Abs(got[i]-w) > (1e-12+1e-15*mat.Cond(&s, 2))*mat.Norm(&want, 2) {
				t.Errorf("element %v: %g, want %g", at, got[i], w)
			}
		}
	})
}

// To second order in the move: within a thousandth of a pixel up to a twentieth of the radius.
func TestFacePixelFollowsItsCentre(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rho, a := rapid.Float64Range(8, 60).Draw(t, "rho"), rapid.Float64Range(0, 7).Draw(t, "direction")
		far, b := rapid.Float64Range(0, 0.05).Draw(t, "far")*rho, rapid.Float64Range(0, 7).Draw(t, "way")
		u, v, x, y := rho*math.Cos(a), rho*math.Sin(a), far*math.Cos(b), far*math.Sin(b)
		var p facePixel
		p.lay(u, v)
		if e := p.distance(x, y) - math.Hypot(u-x, v-y); math.Abs(e) > 1e-4*rho {
			t.Fatalf("errs by %g px", e)
		}
	})
}

func TestInvert3Singular(t *testing.T) {
	for _, h := range [][6]float64{{}, {1, 1, 1, 1, 1, 1}, {1, 0, 0, 0, 0, 1}, {math.NaN(), 0, 0, 1, 0, 1}} {
		if _, ok := invert3(h); ok {
			t.Errorf("%v inverted", h)
		}
	}
}

func TestDiamondRisesWithTheAngle(t *testing.T) {
	last := -1.0
	for a := 0.0; a < 2*math.Pi; a += 0.001 {
		var p facePixel
		p.lay(3*math.Cos(a), 3*math.Sin(a))
		d := p.around
		if d <= last || d < 0 || d >= sectors+1e-6 {
			t.Fatalf("%g rad lies at %g after %g", a, d, last)
		}
		last = d
	}
}

func TestSectorsMeetAllAround(t *testing.T) {
	for a := -7.0; a < 7; a += 0.0007 {
		var p facePixel
		p.lay(math.Cos(a), math.Sin(a))
		k, w := middles(p.around)
		if k < 0 || k >= sectors || w < -1e-9 || w > 1+1e-9 {
			t.Fatalf("direction %g rad lies in sector %d, %g", a, k, w)
		}
	}
}

// A third of strays doesn't move the line.
func TestMedianLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		slope := rapid.Float64Range(-0.09, 0.09).Draw(t, "slope")
		at := rapid.Float64Range(-2e4, 2e4).Draw(t, "at")
		from := rapid.IntRange(0, 130).Draw(t, "from")
		var ps []crossing
		for i := range 200 {
			u := float64(i-100) * 130
			v := at + slope*u
			if i >= from && i < from+40 {
				v += 900
			}
			ps = append(ps, crossing{x: u, y: v, s: 1})
		}
		gotAt, got, n := medianLine(ps, 1)
		if math.Abs(got-slope) > 1e-6 || math.Abs(gotAt-at) > 0.1 || n < 150 {
			t.Errorf("line %g + %g u over %d points, want %g + %g u", gotAt, got, n, at, slope)
		}
	})
}

// A profile learnt from pixels that a sharp edge makes is the sharp edge's.
func TestMeasuredProfileOfASharpEdge(t *testing.T) {
	const sigma = 1.3
	var samples []rimSample
	for i := range 40000 {
		d := float64(i%997)/997*10 - 5
		a, b := 150+float64(i%17), 40+float64(i%29)
		in, _ := normal(-d / sigma)
		samples = append(samples, rimSample{t: d, a: a, b: b, z: a*in + b*(1-in)})
	}
	got, want := measureProfile(samples, sigma, 0), sharpProfile(sigma)
	for i := range want.knots {
		g, w := got.knots[i], want.knots[i]
		if math.Abs(g.a-w.a) > 0.004 || math.Abs(g.b-w.b) > 1e-6 || math.Abs(g.da-w.da) > 0.01 {
			t.Fatalf("at %g px: %+v, want %+v", want.place(i), g, w)
		}
	}
	if math.Abs(got.steepest) > 0.2 {
		t.Errorf("steepest at %g px", got.steepest)
	}
}

func TestWanderIsFoundAmongStrays(t *testing.T) {
	truth := wander{cx: 500, cy: 400, scale: 1. / 500, p: [2][wanderTerms]float64{{0.3, 2, -0.4, 0.1, 0, 0.2, -0.3, 0.1}, {-0.1, 0.3, 1.8, 0, 0.1, 0, 0.2, -0.2}}}
	var at []geom.ImagePoint
	var dx, dy []float64
	for i := range 300 {
		q := geom.ImagePoint{X: float64(i%20) * 50, Y: float64(i/20) * 53}
		x, y := truth.at(q.X, q.Y)
		if i%7 == 0 {
			x, y = x+5, y-3
		}
		at, dx, dy = append(at, q), append(dx, x), append(dy, y)
	}
	w, _, ok := fitWander(at, dx, dy, 1001, 801)
	if !ok {
		t.Fatal("no fit")
	}
	for _, q := range at {
		x, y := w.at(q.X, q.Y)
		wx, wy := truth.at(q.X, q.Y)
		if math.Hypot(x-wx, y-wy) > 1e-3 {
			t.Fatalf("at %v: %g %g, want %g %g", q, x, y, wx, wy)
		}
	}
}

// Feet that are seen at 0.7 of their place and pulled along by a fifth of the lean: the footing
// finds out, and gives the feet back.
func TestFootingUndoesThePull(t *testing.T) {
	var seats []seat
	var feet []foot
	var offsets [][2]float64
	rng := func(i int) float64 { // a spread of ±1.7 with unit variance, without a pattern between calls
		x := math.Mod(float64(i)*0.6180339887498949+float64(i*i)*0.1234567, 1)
		return (x - 0.5) * math.Sqrt(12)
	}
	for i := range 900 {
		bx, by := footScatterUm*rng(4*i), footScatterUm*rng(4*i+1)
		lx, ly := 10*rng(4*i+2), 10*rng(4*i+3)
		seats = append(seats, seat{})
		offsets = append(offsets, [2]float64{bx + lx, by + ly})
		feet = append(feet, foot{found: true, agree: 1, x: 0.7*bx + 0.2*lx + footErrorUm*rng(9*i+5), y: 0.7*by + 0.2*ly + footErrorUm*rng(9*i+7)})
	}
	got := learnFooting(seats, feet, offsets)
	if math.Abs(got.own-0.7) > 0.08 || math.Abs(got.lean-0.2) > 0.06 {
		t.Errorf("own %.3f, lean %.3f; want 0.7, 0.2", got.own, got.lean)
	}
	if got.uUm < 1.5 || got.uUm > 5 {
		t.Errorf("feet known to %.2f µm", got.uUm)
	}
}

// Below a slanted substrate the light ends at its lower edge, not at its flank, even if that is more
// of what is seen.
func TestFlankLeavesOutTheLowerEdge(t *testing.T) {
	for _, rows := range []int{70, 40} { // of the flank
		var x, y []float64
		for i := range 100 {
			x, y = append(x, 50+0.01*float64(i)), append(y, float64(i))
			if i >= rows {
				x[i] += 20 * float64(i-rows+1)
			}
		}
		kx, ky := flank(x, y, 0.25)
		if len(kx) != rows || len(ky) != rows || kx[rows-1] != x[rows-1] {
			t.Errorf("kept %d and %d crossings, want the first %d", len(kx), len(ky), rows)
		}
		for i := range x {
			x[i] = -x[i]
		}
		if kx, _ := flank(x, y, 0.75); len(kx) != rows {
			t.Errorf("kept %d crossings on the right, want %d", len(kx), rows)
		}
	}
	if kx, _ := flank(nil, nil, 0.25); len(kx) != 0 {
		t.Error("crossings out of nothing")
	}
}

// Reading between pixels one by one is the reference.
func TestAlongReadsBetween(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := &picture.Gray{W: 40, H: 30, FullScale: 65535, Pix: make([]uint16, 40*30)}
		for i := range g.Pix {
			g.Pix[i] = uint16(i * 40503)
		}
		f := &discFitter{g: g}
		x, y := rapid.Float64Range(0, 39).Draw(t, "x"), rapid.Float64Range(0, 29).Draw(t, "y")
		dy, dx := math.Sincos(rapid.Float64Range(0, 7).Draw(t, "way"))
		got := make([]float64, rapid.IntRange(1, 30).Draw(t, "n"))
		f.along(got, x, y, dx, dy)
		for k, v := range got {
			// A weight errs by 1/4096 in each axis at most.
			if want := f.between(x+float64(k)*dx, y+float64(k)*dy); math.Abs(v-want) > 2*65535/4096. {
				t.Fatalf("place %d: %g, want %g", k, v, want)
			}
		}
	})
}

func TestNetworkSorts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.SliceOfN(rapid.IntRange(-300, 300), directions/2, directions/2).Draw(t, "v")
		want := slices.Sorted(slices.Values(v))
		sortSteps((*[directions / 2]int)(v))
		if !slices.Equal(v, want) {
			t.Fatalf("%v", v)
		}
	})
}

// Bare paste that looks round, at a site where nothing is darker than the ceramic between the sites: a
// column would show its flank or its shadow.
func TestPasteInTheLightIsNoFace(t *testing.T) {
	v := sight{r: 9, um: 300, step: 100, wholeRadius: 0.06, dimRadius: 0.08}
	d := disc{r: 9.3, umPx: 33, inside: 80}
	for i := range d.steps {
		d.steps[i] = 19
	}
	for _, tt := range []struct {
		dark, even float64
		want       bool
	}{{1.55, 0.98, false}, {1.05, 0.98, false}, {0.6, 0.98, true}} {
		if got := v.believed(&d, 100, tt.dark, tt.even, 1.06, 1.6); got != tt.want {
			t.Errorf("a pad at %g of the ceramic's level: a face %t", tt.dark, got)
		}
	}
	// Fainter, and darker only by what noise makes of even ceramic.
	for i := range d.steps {
		d.steps[i] = 10
	}
	for _, tt := range []struct {
		dark, even float64
		want       bool
	}{{0.89, 0.91, false}, {0.89, 0.98, true}, {0.83, 0.91, true}} {
		if got := v.believed(&d, 100, tt.dark, tt.even, 1.06, 1.6); got != tt.want {
			t.Errorf("a pad at %g of the ceramic's level, %g by noise: a face %t", tt.dark, tt.even, got)
		}
	}
}
