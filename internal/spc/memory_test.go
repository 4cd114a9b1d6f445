package spc

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// values gives the plotted values of a chart.
func (c Chart) values() []float64 {
	out := make([]float64, len(c.Points))
	for i, p := range c.Points {
		out[i] = p.Value
	}
	return out
}

// outside gives the numbers, from one, of points beyond the limits.
func (c Chart) outside() []int {
	out := []int{}
	for _, i := range c.OutOfControl() {
		out = append(out, i+1)
	}
	return out
}

// near compares series to 1e-9 of their scale.
func near(t testing.TB, what string, got, want []float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%s: %d values want %d", what, len(got), len(want))
	}
	scale := 0.
	for _, w := range want {
		scale = math.Max(scale, math.Abs(w))
	}
	for i, w := range want {
		if math.Abs(got[i]-w) > 1e-9*math.Max(math.Abs(w), 1e-2*scale) {
			t.Errorf("%s: value %d: got %.12g want %.12g", what, i+1, got[i], w)
		}
	}
}

func stated(center, sigma float64) Options {
	return Options{Phases: []Phase{{Center: &center, Sigma: &sigma}}}
}

// NIST/SEMATECH e-Handbook 6.3.2.4: λ = 0.3, centre 50, s = 2.0539, 20 values; printed limits
// 52.5884 and 47.4115 (the factor rounded to 0.4201). Series and opening limits computed with numpy.
func TestEWMAHandbook(t *testing.T) {
	var ref struct {
		Data    []float64
		Printed struct {
			EWMA     []float64
			UCL, LCL float64
		}
		Computed struct {
			EWMA   []float64
			UCL    float64   `json:"ucl_asymptotic"`
			LCL    float64   `json:"lcl_asymptotic"`
			UCLs   []float64 `json:"ucl_exact"`
			LCLs   []float64 `json:"lcl_exact"`
			Steady []int     `json:"out_asymptotic"`
			Exact  []int     `json:"out_exact"`
		}
	}
	readReference(t, "ewma_example.json", &ref)
	steady, err := EWMA{Lambda: 0.3, Steady: true}.Chart(ref.Data, stated(50, 2.0539))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "series", steady.values(), ref.Computed.EWMA)
	sameLines(t, "steady", steady, 50, ref.Computed.LCL, ref.Computed.UCL)
	for i, p := range ref.Printed.EWMA {
		wantAbs(t, "printed", steady.Points[i].Value, p, 0.005)
	}
	wantAbs(t, "printed ucl", steady.Points[0].UCL, ref.Printed.UCL, 1e-4)
	wantAbs(t, "printed lcl", steady.Points[0].LCL, ref.Printed.LCL, 1e-4)
	exact, err := EWMA{Lambda: 0.3}.Chart(ref.Data, stated(50, 2.0539))
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range exact.Points {
		wantRel(t, "ucl", p.UCL, ref.Computed.UCLs[i], 1e-9)
		wantRel(t, "lcl", p.LCL, ref.Computed.LCLs[i], 1e-9)
	}
	if !slices.Equal(steady.outside(), ref.Computed.Steady) || !slices.Equal(exact.outside(), ref.Computed.Exact) {
		t.Errorf("outside %v and %v want none", steady.outside(), exact.outside())
	}
}

type cusumResult struct {
	Hi      []float64 `json:"s_hi"`
	Lo      []float64 `json:"s_lo"`
	Signals []int     `json:"signals_at"`
}

func checkCUSUM(t *testing.T, s CUSUM, x []float64, opt Options, want cusumResult) []Chart {
	t.Helper()
	charts, err := s.Charts(x, opt)
	c := mustCharts(t, charts, err)
	near(t, "C⁺", c[0].values(), want.Hi)
	lo := c[1].values()
	for i := range lo {
		lo[i] = -lo[i]
	}
	near(t, "C⁻", lo, want.Lo)
	both := append(c[0].outside(), c[1].outside()...)
	slices.Sort(both)
	if both = slices.Compact(both); !slices.Equal(both, want.Signals) {
		t.Errorf("signals %v want %v", both, want.Signals)
	}
	return c
}

// NIST/SEMATECH e-Handbook 6.3.2.3: 20 means of four, target 325, σ of means 0.635, k = 0.3175 and
// h = 4.1959 in units of the data; printed table to 0.011 (it rounds some values down).
func TestCUSUMHandbook(t *testing.T) {
	var ref struct {
		Data     []float64
		Printed  [][]float64
		Computed cusumResult
	}
	readReference(t, "cusum_means.json", &ref)
	c := checkCUSUM(t, CUSUM{K: 0.5, H: 4.1959 / 0.635}, ref.Data, stated(325, 0.635), ref.Computed)
	for i, row := range ref.Printed {
		wantAbs(t, "printed S_hi", c[0].Points[i].Value, row[1], 0.011)
		wantAbs(t, "printed S_lo", -c[1].Points[i].Value, row[2], 0.011)
	}
	wantAbs(t, "h", c[0].Points[0].UCL, 4.1959, 1e-12)
	if first := c[0].outside()[0]; first != 14 {
		t.Errorf("first signal at %d want 14", first)
	}
	if text := c[0].Explain(c[0].Hits[0]); !strings.Contains(text, "point 14") || !strings.Contains(text, "the level has risen") {
		t.Errorf("text %q", text)
	}
}

// Fast initial response (Lucas & Crosier 1982): constructed, computed with numpy.
func TestCUSUMHeadstart(t *testing.T) {
	var ref struct {
		Cases []struct {
			X                       []float64
			Target, K, H, Headstart float64
			Result                  cusumResult
		}
	}
	readReference(t, "cusum_headstart.json", &ref)
	for _, c := range ref.Cases {
		if c.Result.Signals == nil {
			c.Result.Signals = []int{}
		}
		const sigma = 2 // k, h and head start of the file are in units of the data
		checkCUSUM(t, CUSUM{K: c.K / sigma, H: c.H / sigma, Headstart: c.Headstart / sigma}, c.X, stated(c.Target, sigma), c.Result)
	}
}

// With λ = 1 an EWMA chart is the chart of individuals; every phase starts anew.
func TestEWMAProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-5, 5), 4, 30).Draw(t, "x")
		center, sigma := rapid.Float64Range(-2, 2).Draw(t, "centre"), rapid.Float64Range(0.1, 3).Draw(t, "sigma")
		one, err := EWMA{Lambda: 1}.Chart(x, stated(center, sigma))
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range one.Points {
			if math.Abs(p.Value-x[i]) > 1e-12 || math.Abs(p.UCL-center-3*sigma) > 1e-12 {
				t.Fatalf("point %d: %+v", i, p)
			}
		}
		cut := rapid.IntRange(1, len(x)-1).Draw(t, "phase")
		ph := Phase{Center: &center, Sigma: &sigma}
		second := ph
		second.Start = cut
		whole, err := EWMA{}.Chart(x, Options{Phases: []Phase{ph, second}})
		if err != nil {
			t.Fatal(err)
		}
		if cut+2 <= len(x) {
			rest, err := EWMA{}.Chart(x[cut:], Options{Phases: []Phase{ph}})
			if err != nil {
				t.Fatal(err)
			}
			if !slices.Equal(whole.values()[cut:], rest.values()) {
				t.Fatalf("phase does not start anew: %v and %v", whole.values()[cut:], rest.values())
			}
		}
	})
}

func TestMemoryErrors(t *testing.T) {
	x := []float64{1, 2, 4, 3}
	ewma := func(e EWMA, x []float64, opt Options) error { _, err := e.Chart(x, opt); return err }
	cusum := func(s CUSUM, x []float64, opt Options) error { _, err := s.Charts(x, opt); return err }
	for _, c := range []struct {
		err  error
		want string
	}{
		{ewma(EWMA{Lambda: 1.5}, x, Options{}), "lambda 1.5"},
		{ewma(EWMA{Lambda: math.NaN()}, x, Options{}), "lambda NaN"},
		{ewma(EWMA{Width: -1}, x, Options{}), "± -1 sigma"},
		{ewma(EWMA{}, x, Options{Width: 2}), "leave Options.Width zero"},
		{ewma(EWMA{}, x, Options{Rules: []Rule{Nelson2}}), "Nelson 2 supposes independent points"},
		{ewma(EWMA{}, []float64{1, math.NaN()}, Options{}), "value 2 of 2 is NaN"},
		{ewma(EWMA{}, []float64{1}, Options{}), "at least 2 values"},
		{ewma(EWMA{}, []float64{1, 1, 1}, Options{}), "don't vary"},
		{cusum(CUSUM{K: -1}, x, Options{}), "k -1"},
		{cusum(CUSUM{H: math.Inf(1)}, x, Options{}), "h +Inf"},
		{cusum(CUSUM{Headstart: 6}, x, Options{}), "head start 6: want a number from 0 to h = 5"},
		{cusum(CUSUM{}, nil, Options{}), "at least 2 values"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("error %v, want %q", c.err, c.want)
		}
	}
}

// NIST/SEMATECH e-Handbook 6.6.1, lithography: 90 wafers of 5 sites. Limits of wafer means come from
// their moving range, not from the spread within wafers (computed with numpy). Within variance by
// analysis of variance 0.175496; s̄/c4 estimates the same.
func TestThreeWayLithography(t *testing.T) {
	var ref struct {
		Data  [][][]float64
		Wafer individualsResult `json:"wafer_means"`
	}
	readReference(t, "nist_lithography_nested.json", &ref)
	var wafers [][]float64
	for _, cassette := range ref.Data {
		wafers = append(wafers, cassette...)
	}
	charts, err := ThreeWay(wafers, Options{})
	c := mustCharts(t, charts, err)
	if len(c) != 3 || c[0].Statistic != "x̄" || c[1].Statistic != "MR" || c[2].Statistic != "s" {
		t.Fatalf("charts %v", c)
	}
	sameLines(t, "x̄", c[0], ref.Wafer.Center, ref.Wafer.LCL, ref.Wafer.UCL)
	sameLines(t, "MR", c[1], ref.Wafer.MRBar, ref.Wafer.MRLCL, ref.Wafer.MRUCL)
	sc, err := XbarS(wafers, Options{})
	mustCharts(t, sc, err)
	within := sc[0].Phases[0].Sigma
	ph := c[0].Phases[0]
	wantRel(t, "between", ph.Between, math.Sqrt(ref.Wafer.Sigma*ref.Wafer.Sigma-within*within/5), 1e-9)
	wantRel(t, "sigma", ph.Sigma, math.Hypot(ph.Between, within), 1e-12)
	if c[0].Points[3].Size != 5 {
		t.Errorf("size %d", c[0].Points[3].Size)
	}
	if _, err := ThreeWay(wafers, stated(1, 1)); err == nil || !strings.Contains(err.Error(), "has two") {
		t.Errorf("stated sigma: error %v", err)
	}
}
