package spc

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// testdata/g_chart.json: Kaminsky et al. (1992), Benneyan (2001); computed with scipy.
func TestGChartReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			Counts []float64
			Alpha  float64
			Result struct {
				Center, UCL, LCL float64
				Median           float64 `json:"median_center"`
				Limits           struct {
					AtLeast float64  `json:"signal_if_at_least"`
					AtMost  *float64 `json:"signal_if_at_most"`
				} `json:"probability_limits"`
				Above []int `json:"above_ucl"`
			}
		}
	}
	readReference(t, "g_chart.json", &ref)
	for _, c := range ref.Cases {
		g, err := GChart(c.Counts, Options{})
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "centre", g.Points[0].Center, c.Result.Center, 1e-9)
		wantRel(t, "UCL", g.Points[0].UCL, c.Result.UCL, 1e-9)
		wantRel(t, "LCL", g.Points[0].LCL, c.Result.LCL, 1e-9)
		if out := oneBased(g.OutOfControl()); !slices.Equal(out, c.Result.Above) {
			t.Errorf("outside %v, want %v", out, c.Result.Above)
		}
		l, err := GeometricLimits(g.Points[0].Center, c.Alpha)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "median", l.Center, c.Result.Median, 1e-9)
		if got := l.UCL + 1; got != c.Result.Limits.AtLeast {
			t.Errorf("signals at %v and above, want %v", got, c.Result.Limits.AtLeast)
		}
		atMost := -1.0
		if c.Result.Limits.AtMost != nil {
			atMost = *c.Result.Limits.AtMost
		}
		if got := l.LCL - 1; got != atMost {
			t.Errorf("signals at %v and below, want %v", got, atMost)
		}
	}
}

// testdata/t_chart.json: Nelson (1994), exact exponential limits; computed with numpy.
// A case with the power printed as 0.2777 differs from 1/3.6 and is left to the formula.
func TestTChartReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			Times  []float64
			Alpha  float64
			Power  float64
			Result struct {
				Mean        float64
				Transformed struct{ Center, Sigma, UCL, LCL float64 } `json:"transformed_chart"`
				Out         []int                                     `json:"transformed_out"`
				Back        struct{ Center, UCL, LCL float64 }        `json:"back_transformed"`
				Exponential struct{ LCL, Median, UCL float64 }        `json:"exponential_limits"`
			}
		}
	}
	readReference(t, "t_chart.json", &ref)
	checked := 0
	for _, c := range ref.Cases {
		l, err := ExponentialLimits(c.Result.Mean, c.Alpha)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "exponential LCL", l.LCL, c.Result.Exponential.LCL, 1e-9)
		wantRel(t, "exponential median", l.Center, c.Result.Exponential.Median, 1e-9)
		wantRel(t, "exponential UCL", l.UCL, c.Result.Exponential.UCL, 1e-9)
		if c.Power != 0 {
			continue
		}
		checked++
		charts, err := TChart(c.Times, Options{})
		if err != nil {
			t.Fatal(err)
		}
		p := charts[0].Points[0]
		wantRel(t, "centre", p.Center, c.Result.Transformed.Center, 1e-9)
		wantRel(t, "UCL", p.UCL, c.Result.Transformed.UCL, 1e-9)
		wantRel(t, "LCL", p.LCL, c.Result.Transformed.LCL, 1e-9)
		wantRel(t, "UCL as time", TimeOf(p.UCL), c.Result.Back.UCL, 1e-9)
		wantRel(t, "LCL as time", TimeOf(p.LCL), c.Result.Back.LCL, 1e-9)
		wantRel(t, "centre as time", TimeOf(p.Center), c.Result.Back.Center, 1e-9)
		if out := oneBased(charts[0].OutOfControl()); !slices.Equal(out, c.Result.Out) {
			t.Errorf("outside %v, want %v", out, c.Result.Out)
		}
	}
	if checked < 2 {
		t.Errorf("only %d cases checked", checked)
	}
}

// Limits of a stated probability must not be crossed more often, and a tighter pair would be.
func TestGeometricLimitsProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		mean := rapid.Float64Range(0.05, 1e5).Draw(t, "mean")
		alpha := rapid.Float64Range(1e-5, 0.4).Draw(t, "alpha")
		l, err := GeometricLimits(mean, alpha)
		if err != nil {
			t.Fatal(err)
		}
		logQ := math.Log(mean / (mean + 1))
		above := func(c float64) float64 { return math.Exp((c + 1) * logQ) } // P(X > c)
		below := func(c float64) float64 { return -math.Expm1(c * logQ) }    // P(X < c)
		const slack = 1 + 1e-9
		if a := above(l.UCL); a > alpha/2*slack {
			t.Errorf("P(X > %v) = %v, want at most %v", l.UCL, a, alpha/2)
		}
		if a := above(l.UCL - 1); l.UCL >= 0 && a*slack < alpha/2 {
			t.Errorf("upper limit %v could be lower: P = %v", l.UCL, a)
		}
		if b := below(l.LCL); b > alpha/2*slack {
			t.Errorf("P(X < %v) = %v, want at most %v", l.LCL, b, alpha/2)
		}
		if b := below(l.LCL + 1); b*slack < alpha/2 {
			t.Errorf("lower limit %v could be higher: P = %v", l.LCL, b)
		}
	})
}

func TestRareErrors(t *testing.T) {
	sigma, zero := 1.0, 0.0
	for _, c := range []struct {
		name string
		do   func() error
		want string
	}{
		{"one count", func() error { _, err := GChart([]float64{3}, Options{}); return err }, "at least 2"},
		{"not whole", func() error { _, err := GChart([]float64{3, 0.5}, Options{}); return err }, "count 2 is 0.5"},
		{"all zero", func() error { _, err := GChart([]float64{0, 0}, Options{}); return err }, "events aren't rare"},
		{"sigma", func() error {
			_, err := GChart([]float64{3, 4}, Options{Phases: []Phase{{Sigma: &sigma}}})
			return err
		}, "geometric law gives it"},
		{"centre", func() error {
			_, err := GChart([]float64{3, 4}, Options{Phases: []Phase{{Center: &zero}}})
			return err
		}, "mean count above 0"},
		{"time zero", func() error { _, err := TChart([]float64{3, 0}, Options{}); return err }, "time 2 is 0"},
		{"time infinite", func() error { _, err := TChart([]float64{3, math.Inf(1)}, Options{}); return err }, "value 2 of 2 is +Inf"},
		{"mean", func() error { _, err := ExponentialLimits(-1, 0); return err }, "mean is -1"},
		{"alpha", func() error { _, err := GeometricLimits(5, 2); return err }, "alpha"},
	} {
		if err := c.do(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got error %v, want one that says %q", c.name, err, c.want)
		}
	}
}
