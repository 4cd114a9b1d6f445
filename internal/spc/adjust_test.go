package spc

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

// testdata/adjustment_sequences.json: integral and bounded adjustment on fixed disturbances (Box &
// Luceño 1997), computed step by step with numpy.
func TestFeedbackReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			Z         []float64
			Lam, Gain float64
			Rule      string
			L, Target float64
			Result    struct {
				Rows []struct {
					Deviation, Adjustment float64
					Total                 float64 `json:"compensator_total"`
				}
				MS float64 `json:"mean_square_deviation"`
			}
		}
	}
	readReference(t, "adjustment_sequences.json", &ref)
	near := func(what string, got, want float64) {
		t.Helper()
		wantAbs(t, what, got, want, 1e-9*(1+math.Abs(want)))
	}
	for _, c := range ref.Cases {
		f := Feedback{Lambda: c.Lam, Gain: c.Gain, Limit: c.L}
		if (c.Rule == "always") != (c.L == 0) {
			t.Fatalf("rule %q with limit %v", c.Rule, c.L)
		}
		var ms float64
		for i, z := range c.Z {
			d := z + c.Gain*f.Total - c.Target
			near("deviation", d, c.Result.Rows[i].Deviation)
			ms += d * d / float64(len(c.Z))
			var move float64
			var err error
			if f, move, err = f.Next(d); err != nil {
				t.Fatal(err)
			}
			near("move", move, c.Result.Rows[i].Adjustment)
			near("total", f.Total, c.Result.Rows[i].Total)
		}
		wantRel(t, "mean square", ms, c.Result.MS, 1e-9)
	}
}

// testdata/bounded_adjustment_design.json and bounded_optimum.json: the integral equation solved
// with numpy, agreeing with simulation to three digits.
func TestBoundedDesignReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			Result struct {
				Rows []struct {
					Ratio float64 `json:"L_over_lambda_sigma"`
					AAI   float64
					G     float64
					Pct   float64 `json:"pct_increase_in_sd_lambda_0.3"`
				}
			}
		}
	}
	readReference(t, "bounded_adjustment_design.json", &ref)
	for _, r := range ref.Cases[0].Result.Rows {
		b, err := DesignBounded(r.Ratio)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "interval", b.Interval, r.AAI, 1e-9)
		wantRel(t, "inflation", b.Inflation, r.G, 1e-9)
		wantRel(t, "increase", 100*b.SDIncrease(0.3), r.Pct, 1e-9)
	}
}

// The funnel: moving by the whole of every deviation doubles the variance of a steady process
// (Deming 1986); in general integral control of noise gives 2/(2−λ). On a drifting one bounded
// adjustment costs what its design says.
func TestFeedbackOnNoiseAndDrift(t *testing.T) {
	rng := rand.New(rand.NewPCG(29, 30))
	run := func(f Feedback, drift float64) (ms float64, moves int) {
		const n = 200000
		level := 0.0
		for range n {
			shock := rng.NormFloat64()
			d := level + shock + f.Total
			level += drift * shock
			ms += d * d / n
			var move float64
			var err error
			if f, move, err = f.Next(d); err != nil {
				t.Fatal(err)
			}
			if move != 0 {
				moves++
			}
		}
		return ms, moves
	}
	// A variance from 200 000 values has a standard error of 0.32 %; neighbours are correlated.
	for _, lambda := range []float64{1, 0.5, 0.2} {
		ms, _ := run(Feedback{Lambda: lambda}, 0)
		wantRel(t, "noise chased", ms, 2/(2-lambda), 0.02)
	}
	b, err := DesignBounded(2)
	if err != nil {
		t.Fatal(err)
	}
	ms, moves := run(Feedback{Lambda: 0.3, Limit: 2 * 0.3}, 0.3)
	wantRel(t, "mean square", ms, 1+0.09*b.Inflation, 0.02)
	wantRel(t, "interval", 200000/float64(moves), b.Interval, 0.03)
}

func TestFitDrift(t *testing.T) {
	rng := rand.New(rand.NewPCG(31, 32))
	for _, lambda := range []float64{0, 0.1, 0.4, 0.8} {
		x := make([]float64, 4000)
		level := 0.0
		for i := range x {
			shock := 2 * rng.NormFloat64()
			x[i] = level + shock
			level += lambda * shock
		}
		d, err := FitDrift(x)
		if err != nil {
			t.Fatal(err)
		}
		// Var λ̂ ≈ (1−θ²)/n = λ(2−λ)/n; four standard errors. At λ = 0 the estimate's law is of order 1/n.
		wantAbs(t, "lambda", d.Lambda, lambda, 4*math.Sqrt(lambda*(2-lambda)/4000)+0.01)
		wantRel(t, "sigma", d.Sigma, 2, 0.05)
	}
}

// advise advises on the mean of independent offsets.
func advise(x []float64, opt AdjustOptions) (Advice, error) {
	mean, sd := stat.MeanStdDev(x, nil)
	n := float64(len(x))
	return AdviseLevel(Level{Offset: mean, U: sd / math.Sqrt(n), DF: n - 1, Sigma: sd, N: len(x)}, opt)
}

func TestAdvice(t *testing.T) {
	offsets := []float64{6.1, 4.8, 5.9, 7.2, 5.0, 6.4}
	a, err := advise(offsets, AdjustOptions{Gain: 2, Tolerance: &Tolerance{-10, 10}})
	if err != nil {
		t.Fatal(err)
	}
	// By hand: mean 5.9, s √0.8, t(0.975, 5) = 2.570582, half width 0.938644.
	wantRel(t, "offset", a.Offset, 5.9, 1e-12)
	wantAbs(t, "high end", a.Interval.High, 6.838644, 1e-5)
	if !a.Correct || math.Abs(a.Correction+2.95) > 1e-12 {
		t.Errorf("parts 5.9 too far, gain 2: got %+v, want −2.95", a)
	}
	if !(a.After.K.Value > a.Before.K.Value) || math.Abs(a.After.Sigma-a.Sigma*math.Sqrt(7.0/6)) > 1e-12 {
		t.Errorf("before %v, after %v", a.Before.K.Value, a.After.K.Value)
	}
	if a, err = advise(offsets, AdjustOptions{Deadband: 6}); err != nil || a.Correct || !strings.Contains(a.Reason, "deadband") {
		t.Errorf("within the deadband: %+v, %v", a, err)
	}
	if a, err = advise([]float64{3, -2, 4, -4}, AdjustOptions{Tolerance: &Tolerance{-10, 10}}); err != nil || a.Correct || a.Correction != 0 || !strings.Contains(a.Reason, "noise") || a.After.K.Value != a.Before.K.Value {
		t.Errorf("noise: %+v, %v", a, err)
	}
}

// Advice turns its sign with the offsets, scales with the unit, and leaves a centred process alone
// as often as the confidence says.
func TestAdviceProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-5, 5), 3, 20).Draw(t, "x")
		x[0], x[1] = -6, 6
		k := -rapid.Float64Range(0.1, 10).Draw(t, "scale")
		y := make([]float64, len(x))
		for i := range x {
			x[i] += 4
			y[i] = k * x[i]
		}
		a, err := advise(x, AdjustOptions{Deadband: 1})
		if err != nil {
			t.Fatal(err)
		}
		b, err := advise(y, AdjustOptions{Deadband: -k})
		if err != nil {
			t.Fatal(err)
		}
		if a.Correct != b.Correct || math.Abs(b.Correction-k*a.Correction) > 1e-9*math.Abs(k) {
			t.Errorf("correction %v became %v by a factor of %v", a.Correction, b.Correction, k)
		}
	})
	rng := rand.New(rand.NewPCG(33, 34))
	const runs = 2000
	corrected := 0
	for range runs {
		x := make([]float64, 8)
		for i := range x {
			x[i] = rng.NormFloat64()
		}
		a, err := advise(x, AdjustOptions{Confidence: 0.9})
		if err != nil {
			t.Fatal(err)
		}
		if a.Correct {
			corrected++
		}
	}
	// Four standard errors of 0.1 among 2000: 0.027.
	wantAbs(t, "noise corrected", float64(corrected)/runs, 0.1, 0.027)
}

func TestAdjustErrors(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func() error
		want string
	}{
		{"level", func() error {
			_, err := AdviseLevel(Level{Offset: math.NaN(), U: 1, DF: 1, Sigma: 1, N: 1}, AdjustOptions{})
			return err
		}, "finite offset"},
		{"deadband", func() error { _, err := advise([]float64{1, 2}, AdjustOptions{Deadband: -1}); return err }, "deadband -1"},
		{"gain", func() error {
			_, err := advise([]float64{1, 2}, AdjustOptions{Gain: math.Inf(1)})
			return err
		}, "gain +Inf"},
		{"tolerance", func() error {
			_, err := advise([]float64{1, 2}, AdjustOptions{Tolerance: &Tolerance{2, 1}})
			return err
		}, "not below"},
		{"lambda", func() error { _, _, err := Feedback{}.Next(1); return err }, "lambda 0"},
		{"deviation", func() error { _, _, err := Feedback{Lambda: 0.2}.Next(math.NaN()); return err }, "deviation is NaN"},
		{"limit", func() error { _, err := DesignBounded(0); return err }, "limit of 0"},
		{"drift few", func() error { _, err := FitDrift([]float64{1, 2}); return err }, "at least 8"},
		{"drift alike", func() error { _, err := FitDrift(make([]float64, 9)); return err }, "all 9 values equal 0"},
	} {
		if err := c.do(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got error %v, want one that says %q", c.name, err, c.want)
		}
	}
}
