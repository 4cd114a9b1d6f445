package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
)

// The reference is the standard library's erfc.
func TestNormal(t *testing.T) {
	for x := -9.0; x <= 9; x += 0.00137 {
		cdf, pdf := normal(x)
		if d := math.Abs(cdf - 0.5*math.Erfc(-x/math.Sqrt2)); d > 2e-10 {
			t.Fatalf("cdf(%g) errs by %g", x, d)
		}
		if d := math.Abs(pdf - math.Exp(-x*x/2)/math.Sqrt(2*math.Pi)); d > 2e-10 {
			t.Fatalf("pdf(%g) errs by %g", x, d)
		}
	}
}

var shapes = []part.Marks{
	{Shape: part.Cross, LengthMm: 1, ArmWidthMm: 0.2},
	{Shape: part.Square, LengthMm: 0.3},
	{Shape: part.Disc, DiameterMm: 0.5},
	{Shape: part.Ring, DiameterMm: 0.8, InnerMm: 0.4},
}

func inside(m *part.Marks, u, v float64) bool {
	switch m.Shape {
	case part.Cross:
		l, w := m.LengthMm*500, m.ArmWidthMm*500
		return math.Abs(u) < l && math.Abs(v) < w || math.Abs(u) < w && math.Abs(v) < l
	case part.Square:
		return math.Abs(u) < m.LengthMm*500 && math.Abs(v) < m.LengthMm*500
	case part.Disc:
		return math.Hypot(u, v) < m.DiameterMm*500
	}
	r := math.Hypot(u, v)
	return r < m.DiameterMm*500 && r > m.InnerMm*500
}

// Coverage against a plain convolution of the outline with the point spread, 81 × 81 samples.
func TestCoverageIsTheBlurredOutline(t *testing.T) {
	const sigma, turnDeg = 15.0, 3.0
	rng := rand.New(rand.NewPCG(1, 2))
	for _, m := range shapes {
		cover, _, err := coverage(&m, turnDeg*geom.Degree)
		if err != nil {
			t.Fatal(err)
		}
		sin, cos := math.Sincos((turnDeg * geom.Degree).Rad())
		for range 200 {
			x, y := rng.Float64()*1400-700, rng.Float64()*1400-700
			var want, weight float64
			for i := -40; i <= 40; i++ {
				for j := -40; j <= 40; j++ {
					a, b := float64(i)/8, float64(j)/8
					w := math.Exp(-(a*a + b*b) / 2)
					px, py := x+a*sigma, y+b*sigma
					weight += w
					if inside(&m, cos*px+sin*py, cos*py-sin*px) {
						want += w
					}
				}
			}
			want /= weight
			if got := cover(x, y, 0, sigma).v; math.Abs(got-want) > 0.012 {
				t.Errorf("%s at (%.0f, %.0f): got %.4f want %.4f", m.Shape, x, y, got, want)
			}
		}
	}
}

func TestCoverageDerivatives(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const h = 1e-4
	for _, m := range shapes {
		cover, _, _ := coverage(&m, 4*geom.Degree)
		for range 300 {
			x, y, grow, s := rng.Float64()*1200-600, rng.Float64()*1200-600, rng.Float64()*4-2, 8+rng.Float64()*10
			c := cover(x, y, grow, s)
			for _, d := range []struct {
				name     string
				got, num float64
			}{
				{"x", c.dx, (cover(x+h, y, grow, s).v - cover(x-h, y, grow, s).v) / (2 * h)},
				{"y", c.dy, (cover(x, y+h, grow, s).v - cover(x, y-h, grow, s).v) / (2 * h)},
				{"grow", c.dgrow, (cover(x, y, grow+h, s).v - cover(x, y, grow-h, s).v) / (2 * h)},
				{"sigma", c.dsigma, (cover(x, y, grow, s+h).v - cover(x, y, grow, s-h).v) / (2 * h)},
			} {
				if math.Abs(d.got-d.num) > 2e-6 {
					t.Errorf("%s d/d%s at (%.1f, %.1f): got %g want %g", m.Shape, d.name, x, y, d.got, d.num)
				}
			}
		}
	}
}
