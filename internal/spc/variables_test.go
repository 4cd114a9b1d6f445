package spc

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func (p Point) lines() []float64 { return []float64{p.Center, p.LCL, p.UCL} }

func sameLines(t *testing.T, what string, c Chart, want ...float64) {
	t.Helper()
	for i, p := range c.Points {
		for k, got := range p.lines() {
			if math.Abs(got-want[k]) > 1e-9*math.Max(math.Abs(want[k]), math.Abs(want[2]-want[1])/100) {
				t.Fatalf("%s: point %d: centre, lcl, ucl %v want %v", what, i+1, p.lines(), want)
			}
		}
	}
}

func mustCharts(t testing.TB, charts []Chart, err error) []Chart {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	return charts
}

type individualsResult struct {
	Center float64
	MRBar  float64 `json:"mr_bar"`
	Sigma  float64
	UCL    float64
	LCL    float64
	MRUCL  float64   `json:"mr_ucl"`
	MRLCL  float64   `json:"mr_lcl"`
	Moving []float64 `json:"moving_ranges"`
	D2     float64   `json:"d2_used"`
	D4     float64   `json:"D4_used"`
}

func checkIndividuals(t *testing.T, what string, x []float64, want individualsResult) {
	t.Helper()
	charts, err := Individuals(x, Options{})
	c := mustCharts(t, charts, err)
	wantRel(t, what+" sigma", c[0].Phases[0].Sigma, want.Sigma, 1e-9)
	sameLines(t, what+" x", c[0], want.Center, want.LCL, want.UCL)
	sameLines(t, what+" MR", c[1], want.MRBar, want.MRLCL, want.MRUCL)
	for i, p := range c[1].Points {
		if p.Index != i+1 || math.Abs(p.Value-want.Moving[i]) > 1e-9 {
			t.Errorf("%s: moving range %d: got %g of value %d, want %g", what, i+1, p.Value, p.Index, want.Moving[i])
		}
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.2, flow rate of a liquid, ten batches: printed limits 55.8041 and
// 45.8159 use d2 = 1.128, so they are met to 2e-3 and the exact ones to 1e-9.
func TestIndividualsHandbook(t *testing.T) {
	var ref struct {
		Data    []float64
		Printed individualsResult
		Exact   individualsResult `json:"computed_with_exact_constants"`
	}
	readReference(t, "individuals_flow_rate.json", &ref)
	checkIndividuals(t, "flow rate", ref.Data, ref.Exact)
	charts, err := Individuals(ref.Data, Options{})
	p := mustCharts(t, charts, err)[0].Points[0]
	wantAbs(t, "centre", p.Center, ref.Printed.Center, 0.005)
	// (d2 − 1.128)/1.128 of the half width of 4.99
	wantAbs(t, "ucl", p.UCL, ref.Printed.UCL, 0.0018)
	wantAbs(t, "lcl", p.LCL, ref.Printed.LCL, 0.0018)
	if hits := charts[0].Hits; len(hits) != 0 {
		t.Errorf("hits %v, the page finds none", hits)
	}
	if len(charts[0].Warnings) != 1 || !strings.Contains(charts[0].Warnings[0], "10 points only") {
		t.Errorf("warnings %q", charts[0].Warnings)
	}
}

// Constructed values, computed with numpy.
func TestIndividualsComputed(t *testing.T) {
	var ref struct {
		Cases []struct {
			X      []float64
			Result individualsResult
		}
	}
	readReference(t, "individuals.json", &ref)
	checkIndividuals(t, "constructed", ref.Cases[0].X, ref.Cases[0].Result)
	if _, err := Individuals(ref.Cases[1].X, Options{}); err == nil || !strings.Contains(err.Error(), "don't vary") {
		t.Errorf("values that don't vary: error %v", err)
	}
}

type xbarResult struct {
	Grand float64 `json:"grand_mean"`
	RBar  float64
	SBar  float64
	Xbar  []float64
	Range []float64
	S     []float64
	XbarR struct{ UCL, LCL float64 } `json:"xbar_r"`
	R     struct{ UCL, LCL float64 }
	XbarS struct{ UCL, LCL float64 } `json:"xbar_s"`
	SC    struct{ UCL, LCL float64 } `json:"s_chart"`
	SigR  float64                    `json:"sigma_rbar_d2"`
	SigS  float64                    `json:"sigma_sbar_c4"`
	OutXR []int                      `json:"out_xbar_r"`
	OutR  []int                      `json:"out_r"`
	OutXS []int                      `json:"out_xbar_s"`
	OutS  []int                      `json:"out_s"`
}

func checkXbar(t *testing.T, what string, groups [][]float64, want xbarResult) {
	t.Helper()
	rc, err := XbarR(groups, Options{})
	r := mustCharts(t, rc, err)
	sc, err := XbarS(groups, Options{})
	s := mustCharts(t, sc, err)
	wantRel(t, what+" sigma R", r[0].Phases[0].Sigma, want.SigR, 1e-9)
	wantRel(t, what+" sigma s", s[0].Phases[0].Sigma, want.SigS, 1e-9)
	sameLines(t, what+" x̄ (R)", r[0], want.Grand, want.XbarR.LCL, want.XbarR.UCL)
	sameLines(t, what+" R", r[1], want.RBar, want.R.LCL, want.R.UCL)
	sameLines(t, what+" x̄ (s)", s[0], want.Grand, want.XbarS.LCL, want.XbarS.UCL)
	sameLines(t, what+" s", s[1], want.SBar, want.SC.LCL, want.SC.UCL)
	for _, c := range []struct {
		chart  Chart
		values []float64
		out    []int
	}{{r[0], want.Xbar, want.OutXR}, {r[1], want.Range, want.OutR}, {s[0], want.Xbar, want.OutXS}, {s[1], want.S, want.OutS}} {
		for i, p := range c.chart.Points {
			wantRel(t, what+" "+c.chart.Statistic, p.Value, c.values[i], 1e-9)
		}
		out := c.chart.OutOfControl()
		for i := range out {
			out[i]++
		}
		if !slices.Equal(out, c.out) {
			t.Errorf("%s %s: outside %v want %v", what, c.chart.Statistic, out, c.out)
		}
	}
}

// Montgomery, Introduction to Statistical Quality Control, Table 6.1 (flow width, 25 samples of 5)
// as printed: x̿ 1.5056, R̄ 0.32521, limits 1.693, 1.318 and 0.6876; and constructed groups of 3 and
// 7, computed with numpy.
func TestXbarReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			Groups  [][]float64
			Printed map[string][]float64 `json:"printed_check"`
			Result  xbarResult
		}
	}
	readReference(t, "xbar_r_s_flow_width.json", &ref)
	for i, c := range ref.Cases {
		checkXbar(t, []string{"flow width", "groups of 3", "groups of 7"}[i], c.Groups, c.Result)
	}
	charts, err := XbarR(ref.Cases[0].Groups, Options{})
	c := mustCharts(t, charts, err)
	for path, got := range map[string]float64{
		"grand_mean": c[0].Points[0].Center, "rbar": c[1].Points[0].Center,
		"xbar_r/ucl": c[0].Points[0].UCL, "xbar_r/lcl": c[0].Points[0].LCL, "r/ucl": c[1].Points[0].UCL,
	} {
		printed := ref.Cases[0].Printed[path]
		wantAbs(t, path, got, printed[0], printed[1])
	}
}

// NIST data file CCXBAR.DAT (silicon wafer thickness, 20 days of 5), limits computed with numpy.
func TestXbarWaferThickness(t *testing.T) {
	var ref struct {
		Data   [][]float64
		Result xbarResult
	}
	readReference(t, "nist_wafer_thickness.json", &ref)
	checkXbar(t, "wafer thickness", ref.Data, ref.Result)
}

// Subgroups of several sizes: σ is the estimate of least variance, limits follow each size. The
// expected numbers are the formulas of Burr (1969) written out with table constants.
func TestXbarUnequal(t *testing.T) {
	groups := [][]float64{{1, 3}, {2, 4, 9}, {5, 6, 7, 8, 1}, {2, 2.5}}
	d2 := map[int]float64{2: 1.1283791670955, 3: 1.6925687506433, 5: 2.3259289472810}
	d3 := map[int]float64{2: 0.85250246642742, 3: 0.88836800404520, 5: 0.86408194109950}
	ranges := []float64{2, 7, 7, 0.5}
	var num, den, total float64
	for i, g := range groups {
		n := len(g)
		w := d2[n] * d2[n] / (d3[n] * d3[n])
		num += w * ranges[i] / d2[n]
		den += w
		for _, v := range g {
			total += v
		}
	}
	sigma, center := num/den, total/12
	charts, err := XbarR(groups, Options{})
	c := mustCharts(t, charts, err)
	for i, g := range groups {
		n := len(g)
		p := c[0].Points[i]
		wantRel(t, "ucl", p.UCL, center+3*sigma/math.Sqrt(float64(n)), 1e-12)
		wantRel(t, "centre", p.Center, center, 1e-12)
		q := c[1].Points[i]
		wantRel(t, "R centre", q.Center, d2[n]*sigma, 1e-12)
		wantRel(t, "R ucl", q.UCL, (d2[n]+3*d3[n])*sigma, 1e-12)
		if p.Size != n || q.Size != n {
			t.Errorf("sizes %d, %d want %d", p.Size, q.Size, n)
		}
	}
}

func TestPhasesAndStatedLimits(t *testing.T) {
	x := []float64{1, 3, 2, 4, 1, 11, 13, 12, 14, 11, 50}
	charts, err := Individuals(x, Options{Phases: []Phase{
		{Name: "before", Start: 0},
		{Name: "nozzle changed", Start: 5, Exclude: []int{10}},
	}})
	c := mustCharts(t, charts, err)
	sigma := 2 / 1.1283791670955126 // moving ranges 2 1 2 3 and 2 1 2 3
	for i, p := range c[0].Points {
		center := 2.2
		if i >= 5 {
			center = 12.2
		}
		wantAbs(t, "centre", p.Center, center, 1e-12)
		wantAbs(t, "ucl", p.UCL, center+3*sigma, 1e-12)
	}
	if len(c[1].Points) != 9 || c[1].Points[4].Index != 6 || c[1].Phases[1].From != 4 {
		t.Errorf("moving ranges reach over the phase: %+v", c[1].Points)
	}
	if got := c[0].OutOfControl(); !slices.Equal(got, []int{10}) {
		t.Errorf("outside %v want the excluded point", got)
	}

	charts, err = Individuals(x, Options{Phases: []Phase{{Center: new(2.0), Sigma: new(1.5)}}})
	c = mustCharts(t, charts, err)
	sameLines(t, "stated", c[0], 2, -2.5, 6.5)
	if c[0].Phases[0].Baseline != 0 || c[0].Phases[0].Source != "centre stated, sigma stated" {
		t.Errorf("phase %+v", c[0].Phases[0])
	}

	charts, err = Individuals(x, Options{Width: 2, Phases: []Phase{{Baseline: Span{0, 5}}}})
	c = mustCharts(t, charts, err)
	sameLines(t, "baseline", c[0], 2.2, 2.2-2*sigma, 2.2+2*sigma)
}

// Four bad points of forty must not widen robust limits by much; limits from means they blow up.
func TestRobustBaseline(t *testing.T) {
	x := make([]float64, 40)
	for i := range x {
		x[i] = float64((i*7)%11) / 2
	}
	clean, err := Individuals(x, Options{Robust: true})
	mustCharts(t, clean, err)
	for _, i := range []int{5, 15, 16, 30} {
		x[i] += 100
	}
	bad, err := Individuals(x, Options{Robust: true})
	mustCharts(t, bad, err)
	means, err := Individuals(x, Options{})
	mustCharts(t, means, err)
	a, b, m := clean[0].Phases[0].Sigma, bad[0].Phases[0].Sigma, means[0].Phases[0].Sigma
	if b > 1.5*a || m < 4*a {
		t.Errorf("sigma: clean %.2f, robust with bad points %.2f, means %.2f", a, b, m)
	}
	if got := bad[0].OutOfControl(); !slices.Equal(got, []int{5, 15, 16, 30}) {
		t.Errorf("outside %v want the four bad points", got)
	}
}

// Median factors make the robust estimate right on average: simulated, 20 000 subgroups of 2 to 5.
func TestRobustUnbiased(t *testing.T) {
	rng := testRand(11)
	groups := make([][]float64, 20000)
	for i := range groups {
		groups[i] = make([]float64, 2+i%4)
		for j := range groups[i] {
			groups[i][j] = 5 + 2*rng.NormFloat64()
		}
	}
	for _, f := range []func([][]float64, Options) ([]Chart, error){XbarR, XbarS} {
		charts, err := f(groups, Options{Robust: true})
		c := mustCharts(t, charts, err)
		// standard error of the median of 20 000 values with coefficient of variation near 0.5
		wantAbs(t, "robust sigma", c[0].Phases[0].Sigma, 2, 4*2*0.5*1.25/math.Sqrt(20000))
	}
}

// The p value against simulation: one independent series in twenty shows p < 0.05.
func TestAutocorrelation(t *testing.T) {
	rng := testRand(5)
	for _, n := range []int{10, 25, 200} {
		const runs = 20000
		below := 0
		x := make([]float64, n)
		for range runs {
			for i := range x {
				x[i] = rng.NormFloat64()
			}
			_, p, err := Autocorrelation(x)
			if err != nil {
				t.Fatal(err)
			}
			if p < 0.05 {
				below++
			}
		}
		// 4 standard errors, and half a percent for the normal approximation at n = 10
		if got := float64(below) / runs; math.Abs(got-0.05) > 4*math.Sqrt(0.05*0.95/runs)+0.005 {
			t.Errorf("n = %d: %.4f of independent series have p < 0.05", n, got)
		}
	}
}

func TestAutocorrelationIsSaid(t *testing.T) {
	x := make([]float64, 50)
	v := 0.
	rng := testRand(6)
	for i := range x {
		v = 0.8*v + rng.NormFloat64()
		x[i] = v
	}
	charts, err := Individuals(x, Options{})
	c := mustCharts(t, charts, err)
	if w := c[0].Warnings; len(w) != 1 || !strings.Contains(w[0], "not independent") || !strings.Contains(w[0], "too narrow") {
		t.Errorf("warnings %q", w)
	}
}

// Shifting or scaling data shifts or scales the limits; permuting within a subgroup changes nothing.
func TestXbarProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		groups := rapid.SliceOfN(rapid.SliceOfN(rapid.Float64Range(-10, 10), 2, 6), 2, 12).Draw(t, "groups")
		shift := rapid.Float64Range(-100, 100).Draw(t, "shift")
		scale := rapid.Float64Range(0.1, 50).Draw(t, "scale")
		robust := rapid.Bool().Draw(t, "robust")
		moved := make([][]float64, len(groups))
		for i, g := range groups {
			for _, v := range g {
				moved[i] = append(moved[i], shift+scale*v)
			}
			order := rapid.Permutation(moved[i]).Draw(t, "order")
			moved[i] = order
		}
		for _, f := range []func([][]float64, Options) ([]Chart, error){XbarR, XbarS, singles} {
			a, err := f(groups, Options{Robust: robust})
			if err != nil {
				continue // values that don't vary
			}
			if a[0].Phases[0].Sigma < 1e-6 {
				continue
			}
			b, err := f(moved, Options{Robust: robust})
			if err != nil {
				t.Fatal(err)
			}
			for i, p := range a[0].Points {
				q := b[0].Points[i]
				for k := range p.lines() {
					if want := shift + scale*p.lines()[k]; math.Abs(q.lines()[k]-want) > 1e-9*(math.Abs(shift)+20*scale) {
						t.Fatalf("point %d: line %d: got %g want %g", i, k, q.lines()[k], want)
					}
				}
			}
			for i, p := range a[1].Points {
				if q := b[1].Points[i]; math.Abs(q.UCL-scale*p.UCL) > 1e-9*(math.Abs(shift)+50*scale) {
					t.Fatalf("spread %d: ucl %g want %g", i, q.UCL, scale*p.UCL)
				}
			}
		}
	})
}

// singles charts the first value of each subgroup; their order within makes it a test of shift and
// scale only, so it takes the smallest.
func singles(groups [][]float64, opt Options) ([]Chart, error) {
	var x []float64
	for _, g := range groups {
		x = append(x, slices.Min(g))
	}
	return Individuals(x, opt)
}

func TestVariablesErrors(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := [][]float64{{1, 2}, {3, 5}, {2, 2.5}}
	individuals := func(x []float64, opt Options) error { _, err := Individuals(x, opt); return err }
	xbarR := func(g [][]float64, opt Options) error { _, err := XbarR(g, opt); return err }
	xbarS := func(g [][]float64, opt Options) error { _, err := XbarS(g, opt); return err }
	for _, c := range []struct {
		name string
		err  error
		want string
	}{
		{"no values", individuals(nil, Options{}), "want at least 2 values, got 0"},
		{"one value", individuals([]float64{3}, Options{}), "want at least 2 values, got 1"},
		{"NaN", individuals([]float64{1, 2, nan}, Options{}), "value 3 of 3 is NaN"},
		{"infinite", individuals([]float64{1, inf, 3}, Options{}), "value 2 of 3 is +Inf"},
		{"zero variance", individuals([]float64{2, 2, 2}, Options{}), "all 2 MR are zero: the values don't vary"},
		{"coarse", individuals([]float64{2, 2, 2, 2, 2, 3}, Options{Robust: true}), "use means"},
		{"no subgroups", xbarR(nil, Options{}), "no subgroups"},
		{"empty subgroup", xbarR([][]float64{{1, 2}, {}}, Options{}), "subgroup 2 of 2 is empty"},
		{"subgroup of one", xbarS([][]float64{{1, 2}, {3, 4}, {7}}, Options{}), "subgroup 3 of 3 holds one value"},
		{"NaN in subgroup", xbarS([][]float64{{1, 2}, {3, nan}}, Options{}), "subgroup 2 of 2: value 2 of 2 is NaN"},
		{"zero ranges", xbarR([][]float64{{1, 1}, {2, 2}}, Options{}), "all 2 R are zero"},
		{"phase start", xbarR(good, Options{Phases: []Phase{{Start: 1}}}), "want the first phase to start at 1"},
		{"phase order", xbarR(good, Options{Phases: []Phase{{}, {Start: 2}, {Name: "b", Start: 2}}}), "phase 2: goes from subgroup 3 to 2"},
		{"phase outside", xbarR(good, Options{Phases: []Phase{{}, {Name: "b", Start: 3}}}), `phase 2 "b"`},
		{"baseline outside", xbarR(good, Options{Phases: []Phase{{Baseline: Span{0, 4}}}}), "inside the 3 subgroups"},
		{"exclude outside", xbarR(good, Options{Phases: []Phase{{Exclude: []int{3}}}}), "excludes subgroup 4: want 1 to 3"},
		{"all excluded", xbarR(good, Options{Phases: []Phase{{Exclude: []int{0, 1, 2}}}}), "baseline is empty"},
		{"one left", individuals([]float64{1, 2, 3}, Options{Phases: []Phase{{Exclude: []int{1}}}}), "the baseline has no MR"},
		{"sigma", xbarR(good, Options{Phases: []Phase{{Sigma: new(0.0)}}}), "stated sigma 0"},
		{"centre", xbarR(good, Options{Phases: []Phase{{Center: new(nan)}}}), "stated centre NaN"},
		{"width", xbarR(good, Options{Width: -1}), "want a number above zero"},
		{"rule", xbarR(good, Options{Rules: []Rule{77}}), "no run rule with number 77"},
		{"rule on MR", individuals([]float64{1, 2}, Options{SpreadRules: []Rule{Nelson2}}), "supposes independent points"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("%s: error %v, want %q", c.name, c.err, c.want)
		}
	}
}

func TestGroupBy(t *testing.T) {
	groups, err := GroupBy([]float64{1, 2, 3, 4, 5}, []string{"L7", "L8", "L7", "L7", "L9"})
	if err != nil {
		t.Fatal(err)
	}
	if len(groups) != 3 || groups[0].Key != "L7" || !slices.Equal(groups[0].Values, []float64{1, 3, 4}) || !slices.Equal(groups[0].Rows, []int{0, 2, 3}) {
		t.Errorf("groups %+v", groups)
	}
	if _, err := GroupBy([]float64{1}, []int{1, 2}); err == nil || !strings.Contains(err.Error(), "1 values but 2 keys") {
		t.Errorf("error %v", err)
	}
}

// All twelve rules over a million points; the goal is under a second for the whole chart.
func BenchmarkIndividualsMillion(b *testing.B) {
	rng := testRand(3)
	x := make([]float64, 1_000_000)
	for i := range x {
		x[i] = 10 + rng.NormFloat64()
	}
	all, _ := ParseRules("nelson western")
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Individuals(x, Options{Rules: all}); err != nil {
			b.Fatal(err)
		}
	}
}
