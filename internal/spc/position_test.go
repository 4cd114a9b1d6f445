package spc

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// testdata/position_circle.json: bivariate normal outside a circle, integrated in two ways with
// numpy and scipy, by closed form where one exists, and checked with R.
func TestPositionReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			MX, MY, SX, SY, Rho, R float64
			Result                 struct {
				Outside float64 `json:"probability_outside"`
				Index   float64 `json:"capability_equivalent"`
				TwoTail float64 `json:"capability_equivalent_two_tail"`
			}
		}
	}
	readReference(t, "position_circle.json", &ref)
	for _, c := range ref.Cases {
		p, err := NewPosition(c.MX, c.MY, c.SX, c.SY, c.Rho)
		if err != nil {
			t.Fatal(err)
		}
		out := p.Outside(c.R)
		wantRel(t, "outside", out, c.Result.Outside, 1e-9)
		wantRel(t, "index", -normalQuantile(out)/3, c.Result.Index, 1e-9)
		wantRel(t, "two-tailed index", -normalQuantile(out/2)/3, c.Result.TwoTail, 1e-9)
	}
}

// A round centred law has the closed form exp(−R²/2σ²); turning the axes changes nothing; a law
// without spread across one axis is a normal law on the other.
func TestPositionProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.Float64Range(0.1, 30).Draw(t, "sigma")
		r := s * rapid.Float64Range(0.1, 8).Draw(t, "radius in sigma")
		p, err := NewPosition(0, 0, s, s, 0)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "round", p.Outside(r), math.Exp(-r*r/(2*s*s)), 1e-9)

		sx := rapid.Float64Range(0.5, 10).Draw(t, "sigma x")
		sy := rapid.Float64Range(0.01, 10).Draw(t, "sigma y")
		rho := rapid.Float64Range(-0.99, 0.99).Draw(t, "rho")
		mx := rapid.Float64Range(-10, 10).Draw(t, "mean x")
		my := rapid.Float64Range(-10, 10).Draw(t, "mean y")
		a, err := NewPosition(mx, my, sx, sy, rho)
		if err != nil {
			t.Fatal(err)
		}
		sin, cos := math.Sincos(rapid.Float64Range(0, 7).Draw(t, "turn"))
		vx, vy, cxy := sx*sx, sy*sy, rho*sx*sy
		wx := cos*cos*vx - 2*sin*cos*cxy + sin*sin*vy
		wy := sin*sin*vx + 2*sin*cos*cxy + cos*cos*vy
		wxy := sin*cos*(vx-vy) + (cos*cos-sin*sin)*cxy
		b, err := NewPosition(cos*mx-sin*my, sin*mx+cos*my, math.Sqrt(wx), math.Sqrt(wy), math.Max(-1, math.Min(1, wxy/math.Sqrt(wx*wy))))
		if err != nil {
			t.Fatal(err)
		}
		radius := rapid.Float64Range(1, 30).Draw(t, "radius")
		pa, pb := a.Outside(radius), b.Outside(radius)
		if math.Abs(pa-pb) > 1e-7*pa+1e-300 {
			t.Errorf("turned: %v became %v", pa, pb)
		}
		if pc := a.outside(radius, a.coarse(radius)); a.principal[0] > radius/50 && math.Abs(pc-pa) > 1e-3*pa {
			t.Errorf("coarse quadrature gives %v for %v", pc, pa)
		}

		thin, err := NewPosition(mx, 0, sx, 0, 0)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "thin", thin.Outside(radius), upperTail((radius-mx)/sx)+upperTail((radius+mx)/sx), 1e-9)
	})
}

// The stated interval must hold the true fraction, the bound of the index the true index.
func TestPositionIntervalCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	truth, err := NewPosition(6, -3, 7, 4, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	const runs, n, radius = 200, 15, 25.0
	want := truth.Outside(radius)
	var held, bounded int
	for range runs {
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			a, b := rng.NormFloat64(), rng.NormFloat64()
			x[i] = 6 + 7*a
			y[i] = -3 + 4*(0.5*a+math.Sqrt(0.75)*b)
		}
		r, err := AssessPosition(x, y, radius, PositionOptions{Confidence: 0.9, Draws: 300}, rng)
		if err != nil {
			t.Fatal(err)
		}
		if r.FractionLow <= want && want <= r.FractionHigh {
			held++
		}
		if r.IndexAtLeast <= -normalQuantile(want)/3 {
			bounded++
		}
	}
	// Four standard errors of a share of 0.9 among 200: 0.085.
	wantAbs(t, "interval holds the truth", float64(held)/runs, 0.9, 0.085)
	wantAbs(t, "bound lies below the truth", float64(bounded)/runs, 0.9, 0.085)
}

func TestPositionErrors(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	ok := []float64{1, 2, 3, 5}
	for _, c := range []struct {
		name   string
		x, y   []float64
		radius float64
		want   string
	}{
		{"lengths", ok, ok[:3], 9, "4 values in x but 3 in y"},
		{"few", ok[:3], ok[:3], 9, "x: want at least 4 values"},
		{"NaN", ok, []float64{1, 2, math.NaN(), 3}, 9, "y: value 3 of 4 is NaN"},
		{"radius", ok, ok, 0, "radius is 0"},
		{"alike", ok, []float64{2, 2, 2, 2}, 9, "don't vary"},
	} {
		if _, err := AssessPosition(c.x, c.y, c.radius, PositionOptions{}, rng); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got error %v, want one that says %q", c.name, err, c.want)
		}
	}
	if _, err := NewPosition(0, 0, 1, -1, 0); err == nil {
		t.Error("a negative sigma passed")
	}
	if p, _ := NewPosition(0, 0, 1, 1, 0); p.Outside(0) != 1 || p.Outside(math.NaN()) != 1 {
		t.Error("a circle without a radius holds something")
	}
	// Points on a line: the correlation is ±1 and the law still has a probability.
	r, err := AssessPosition(ok, ok, 9, PositionOptions{}, rng)
	if err != nil || !(r.FractionOutside > 0 && r.FractionOutside < 1) {
		t.Errorf("points on a line: %v, %v", r.FractionOutside, err)
	}
}
