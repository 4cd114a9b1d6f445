package spc

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// certified parses a value as NIST prints it.
func certified(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// testdata/strd_norris.json: NIST StRD linear regression, certified values.
func TestLineNorris(t *testing.T) {
	var ref struct {
		Certified struct {
			B0 string
			S0 string `json:"se_b0"`
			B1 string
			S1 string `json:"se_b1"`
			SD string `json:"residual_sd"`
			R2 string `json:"r_squared"`
			F  string
		}
		X, Y []string
	}
	readReference(t, "strd_norris.json", &ref)
	var x, y []float64
	for i := range ref.X {
		x, y = append(x, certified(t, ref.X[i])), append(y, certified(t, ref.Y[i]))
	}
	l, err := FitLine(x, y, 0)
	if err != nil {
		t.Fatal(err)
	}
	c := ref.Certified
	wantRel(t, "intercept", l.Intercept, certified(t, c.B0), 1e-11)
	wantRel(t, "its se", l.SEIntercept, certified(t, c.S0), 1e-11)
	wantRel(t, "slope", l.Slope, certified(t, c.B1), 1e-13)
	wantRel(t, "its se", l.SESlope, certified(t, c.S1), 1e-11)
	wantRel(t, "residual sd", l.S, certified(t, c.SD), 1e-11)
	wantRel(t, "R²", l.R2, certified(t, c.R2), 1e-14)
	wantRel(t, "F", l.F, certified(t, c.F), 1e-11)
}

// testdata/trend.json: least squares with t intervals, Mann–Kendall, Theil–Sen, computed with
// scipy, checked with R.
func TestTrendReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			X, Y   []float64
			Result struct {
				Slope, Intercept, R2, S float64
				PSlope                  float64   `json:"p_slope"`
				PIntercept              float64   `json:"p_intercept"`
				CISlope                 []float64 `json:"ci95_slope"`
				CIIntercept             []float64 `json:"ci95_intercept"`
				At                      struct {
					X, Fit float64
					CI     []float64 `json:"ci95"`
					PI     []float64 `json:"pi95"`
				}
				MKS   float64 `json:"mann_kendall_S"`
				MKV   float64 `json:"mann_kendall_var"`
				MKZ   float64 `json:"mann_kendall_z"`
				MKP   float64 `json:"mann_kendall_p"`
				Theil float64 `json:"theil_sen_slope"`
			}
		}
	}
	readReference(t, "trend.json", &ref)
	for _, c := range ref.Cases {
		l, err := FitLine(c.X, c.Y, 0)
		if err != nil {
			t.Fatal(err)
		}
		r := c.Result
		wantRel(t, "slope", l.Slope, r.Slope, 1e-9)
		wantRel(t, "intercept", l.Intercept, r.Intercept, 1e-9)
		wantRel(t, "R²", l.R2, r.R2, 1e-9)
		wantRel(t, "s", l.S, r.S, 1e-9)
		wantRel(t, "p of slope", l.SlopeP, r.PSlope, 1e-9)
		wantRel(t, "p of intercept", l.InterceptP, r.PIntercept, 1e-9)
		wantRel(t, "slope low", l.SlopeCI.Low, r.CISlope[0], 1e-9)
		wantRel(t, "slope high", l.SlopeCI.High, r.CISlope[1], 1e-9)
		wantRel(t, "intercept low", l.InterceptCI.Low, r.CIIntercept[0], 1e-9)
		wantRel(t, "intercept high", l.InterceptCI.High, r.CIIntercept[1], 1e-9)
		k, err := FitRankTrend(c.X, c.Y, 0)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "S", k.S, r.MKS, 1e-9)
		wantRel(t, "variance", k.Variance, r.MKV, 1e-9)
		wantRel(t, "z", k.Z, r.MKZ, 1e-9)
		wantRel(t, "p", k.P, r.MKP, 1e-9)
		wantRel(t, "Theil–Sen", k.Slope, r.Theil, 1e-9)
	}
}

func TestRankTrendCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	const runs = 1000
	held := 0
	for range runs {
		x, y := make([]float64, 20), make([]float64, 20)
		for i := range x {
			x[i] = float64(i)
			y[i] = 0.3*x[i] + rng.ExpFloat64()
		}
		k, err := FitRankTrend(x, y, 0.9)
		if err != nil {
			t.Fatal(err)
		}
		if k.SlopeCI.Low <= 0.3 && 0.3 <= k.SlopeCI.High {
			held++
		}
	}
	// Four standard errors of 0.9 among 1000: 0.038.
	wantAbs(t, "interval holds the slope", float64(held)/runs, 0.905, 0.038)
}

// Scaling y scales slopes; adding a line adds its slope.
func TestTrendProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 40).Draw(t, "n")
		x, y, z := make([]float64, n), make([]float64, n), make([]float64, n)
		tilt := rapid.Float64Range(-5, 5).Draw(t, "tilt")
		scale := rapid.Float64Range(0.1, 10).Draw(t, "scale")
		for i := range x {
			x[i] = float64(i) + rapid.Float64Range(0, 0.9).Draw(t, "x")
			y[i] = rapid.Float64Range(-10, 10).Draw(t, "y")
			z[i] = y[i]*scale + tilt*x[i]
		}
		a, err := FitLine(x, y, 0)
		if err != nil {
			t.Fatal(err)
		}
		b, err := FitLine(x, z, 0)
		if err != nil {
			t.Fatal(err)
		}
		if want := a.Slope*scale + tilt; math.Abs(b.Slope-want) > 1e-8*(1+math.Abs(want)) {
			t.Errorf("slope %v, want %v", b.Slope, want)
		}
		p, err := FitRankTrend(x, y, 0)
		if err != nil {
			t.Fatal(err)
		}
		q, err := FitRankTrend(x, z, 0)
		if err != nil {
			t.Fatal(err)
		}
		if want := p.Slope*scale + tilt; math.Abs(q.Slope-want) > 1e-8*(1+math.Abs(want)) {
			t.Errorf("rank slope %v, want %v", q.Slope, want)
		}
		if p.SlopeCI.Low > p.Slope || p.SlopeCI.High < p.Slope {
			t.Errorf("slope %v outside its interval %v", p.Slope, p.SlopeCI)
		}
	})
}
