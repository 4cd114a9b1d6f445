package spc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// repeat gives n times v.
func repeat(v float64, n int) []float64 { return slices.Repeat([]float64{v}, n) }

// oneBased gives positions as the reference counts them.
func oneBased(at []int) []int {
	out := []int{}
	for _, i := range at {
		out = append(out, i+1)
	}
	return out
}

func wantLimits(t *testing.T, c Chart, ucl, lcl []float64) {
	t.Helper()
	for i, p := range c.Points {
		wantRel(t, fmt.Sprintf("%s UCL %d", c.Statistic, i+1), p.UCL, ucl[i], 1e-9)
		wantRel(t, fmt.Sprintf("%s LCL %d", c.Statistic, i+1), p.LCL, lcl[i], 1e-9)
	}
}

// testdata/{p,u,c}_chart.json: formulas of ISO 7870-2, computed independently with numpy;
// laney_{p,u}.json: Laney (2002).
func TestAttributeChartsReference(t *testing.T) {
	for _, kind := range []struct {
		file string
		make func(counts, sizes []float64, opt Options) (Chart, error)
	}{
		{"p_chart.json", PChart}, {"u_chart.json", UChart}, {"laney_p.json", LaneyP}, {"laney_u.json", LaneyU},
	} {
		var ref struct {
			Cases []struct {
				Counts []float64
				N      []float64
				Result struct {
					Pbar, Ubar, Center float64
					SigmaZ             float64 `json:"sigma_z"`
					UCL, LCL           []float64
					Clipped            []float64 `json:"lcl_clipped"`
					Out                []int
				}
			}
		}
		readReference(t, kind.file, &ref)
		for _, c := range ref.Cases {
			got, err := kind.make(c.Counts, c.N, Options{})
			if err != nil {
				t.Fatal(err)
			}
			r := c.Result
			wantRel(t, kind.file+" centre", got.Phases[0].Center, max(r.Pbar, r.Ubar, r.Center), 1e-9)
			if r.SigmaZ > 0 {
				wantRel(t, "sigma z", got.Phases[0].Sigma, r.SigmaZ, 1e-9)
				r.LCL = r.Clipped
			}
			wantLimits(t, got, r.UCL, r.LCL)
			if out := oneBased(got.OutOfControl()); !slices.Equal(out, r.Out) {
				t.Errorf("%s: outside %v, want %v", kind.file, out, r.Out)
			}
		}
	}
}

func TestCChartReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			Counts []float64
			Result struct {
				Cbar, UCL, LCL float64
				Out            []int
				ChiSquare      float64 `json:"dispersion_chi_square"`
				DF             float64
				P              float64 `json:"p_dispersion"`
			}
		}
	}
	readReference(t, "c_chart.json", &ref)
	for _, c := range ref.Cases {
		got, err := CChart(c.Counts, Options{})
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "centre", got.Points[0].Center, c.Result.Cbar, 1e-9)
		wantRel(t, "UCL", got.Points[0].UCL, c.Result.UCL, 1e-9)
		wantRel(t, "LCL", got.Points[0].LCL, c.Result.LCL, 1e-9)
		if out := oneBased(got.OutOfControl()); !slices.Equal(out, c.Result.Out) {
			t.Errorf("outside %v, want %v", out, c.Result.Out)
		}
		d, err := PoissonDispersion(c.Counts, repeat(1, len(c.Counts)))
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "dispersion", d.ChiSquare, c.Result.ChiSquare, 1e-9)
		wantRel(t, "dispersion p", d.P, c.Result.P, 1e-9)
	}
}

// NIST/SEMATECH e-Handbook 6.3.3.1: 25 wafers, limits 16, 28 and 4. Wafer 3 has exactly 28
// defects: a point on the limit is not outside it. Wafer 24 is.
func TestCChartHandbook(t *testing.T) {
	var ref struct{ Data []float64 }
	readReference(t, "c_chart_wafers.json", &ref)
	c, err := CChart(ref.Data, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if l := c.Points[0].Limits; l.Center != 16 || l.UCL != 28 || l.LCL != 4 {
		t.Errorf("got limits %v, want 16, 28, 4", l)
	}
	if out := oneBased(c.OutOfControl()); !slices.Equal(out, []int{24}) {
		t.Errorf("outside %v, want wafer 24", out)
	}
}

// NIST/SEMATECH e-Handbook 6.3.3.2 (counts also in Montgomery): 30 wafers of 50, p̄ 0.2313,
// limits 0.4102 and 0.0524 as transcribed (another copy prints 0.4103).
func TestPChartHandbook(t *testing.T) {
	var ref struct{ Counts []float64 }
	readReference(t, "p_chart_wafers.json", &ref)
	c, err := PChart(ref.Counts, repeat(50, 30), Options{})
	if err != nil {
		t.Fatal(err)
	}
	l := c.Points[0].Limits
	wantAbs(t, "p̄", l.Center, 0.2313, 5e-5)
	wantAbs(t, "UCL", l.UCL, 0.4102, 5e-5)
	wantAbs(t, "LCL", l.LCL, 0.0524, 5e-5)
	if out := oneBased(c.OutOfControl()); !slices.Equal(out, []int{15, 23}) {
		t.Errorf("outside %v, want 15 and 23", out)
	}
	np, err := NPChart(ref.Counts, repeat(50, 30), Options{})
	if err != nil {
		t.Fatal(err)
	}
	wantRel(t, "np UCL", np.Points[0].UCL, 50*l.UCL, 1e-12)
	// Montgomery's second step: without 15 and 23, p̄ = 0.2150, UCL 0.3893, LCL 0.0407 (from
	// memory); then sample 21 (0.40) lies beyond the limits too.
	r, err := PChart(ref.Counts, repeat(50, 30), Options{Phases: []Phase{{Exclude: []int{14, 22}}}})
	if err != nil {
		t.Fatal(err)
	}
	l = r.Points[0].Limits
	wantAbs(t, "revised p̄", l.Center, 0.2150, 5e-5)
	wantAbs(t, "revised UCL", l.UCL, 0.3893, 2e-4)
	wantAbs(t, "revised LCL", l.LCL, 0.0407, 2e-4)
	if out := oneBased(r.OutOfControl()); !slices.Equal(out, []int{15, 21, 23}) {
		t.Errorf("outside %v, want 15, 21 and 23", out)
	}
}

// A few bad lots must not widen robust limits.
func TestAttributeChartRobust(t *testing.T) {
	counts := []float64{2, 1, 3, 2, 0, 2, 40, 1, 2, 3, 35, 2}
	c, err := UChart(counts, repeat(1752, len(counts)), Options{Robust: true})
	if err != nil {
		t.Fatal(err)
	}
	wantRel(t, "rate without the two bad lots", c.Phases[0].Center, 18.0/17520, 1e-12)
	if out := c.OutOfControl(); !slices.Equal(out, []int{6, 10}) {
		t.Errorf("outside %v, want 6 and 10", out)
	}
}

func TestAttributePhasesAndStatedRate(t *testing.T) {
	rate := 0.002
	c, err := UChart([]float64{1, 2, 3, 9, 8, 10}, repeat(1000, 6), Options{Phases: []Phase{{Center: &rate}, {Name: "new sieve", Start: 3}}})
	if err != nil {
		t.Fatal(err)
	}
	if c.Points[2].Center != rate || c.Points[3].Center != 0.009 {
		t.Errorf("centres %v and %v, want 0.002 and 0.009", c.Points[2].Center, c.Points[3].Center)
	}
	if len(c.Phases) != 2 || c.Phases[1].From != 3 || c.Phases[1].To != 6 || c.Phases[0].Baseline != 3 {
		t.Errorf("phases %+v", c.Phases)
	}
}

func TestAttributeWarnings(t *testing.T) {
	for _, c := range []struct {
		name string
		make func() (Chart, error)
		want string
	}{
		{"no event", func() (Chart, error) { return UChart(repeat(0, 10), repeat(100, 10), Options{}) }, "no event in 1000 opportunities: the rate is below 0.003"},
		{"rare", func() (Chart, error) { return PChart([]float64{0, 1, 0, 0, 0}, repeat(50, 5), Options{}) }, "only 0.2 events expected"},
		{"too much spread", func() (Chart, error) {
			return PChart([]float64{229, 20, 184, 300, 12}, repeat(9000, 5), Options{})
		}, "vary more than their law allows"},
	} {
		got, err := c.make()
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(strings.Join(got.Warnings, "\n"), c.want) {
			t.Errorf("%s: warnings %q, want one that says %q", c.name, got.Warnings, c.want)
		}
	}
}

// The dispersion test must reject as often as its level says.
func TestDispersionLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	const runs = 2000
	rejected := 0
	for range runs {
		counts := make([]float64, 20)
		for i := range counts {
			for range 40 {
				if rng.Float64() < 0.3 {
					counts[i]++
				}
			}
		}
		d, err := BinomialDispersion(counts, repeat(40, 20))
		if err != nil {
			t.Fatal(err)
		}
		if d.P < 0.05 {
			rejected++
		}
	}
	// Four standard errors of 0.05 among 2000: 0.0195.
	wantAbs(t, "rejected", float64(rejected)/runs, 0.05, 0.0195)
}

func TestAttributeProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 30).Draw(t, "subgroups")
		counts, sizes := make([]float64, n), make([]float64, n)
		for i := range counts {
			sizes[i] = float64(rapid.IntRange(1, 400).Draw(t, "size"))
			counts[i] = float64(rapid.IntRange(0, int(sizes[i])).Draw(t, "count"))
		}
		p, err := PChart(counts, sizes, Options{})
		if err != nil {
			t.Fatal(err)
		}
		np, err := NPChart(counts, sizes, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(p.OutOfControl(), np.OutOfControl()) {
			// Only a point that lies on its limit within rounding may differ.
			for i, q := range p.Points {
				if d := math.Min(math.Abs(q.Value-q.UCL), math.Abs(q.Value-q.LCL)); q.Outside() != np.Points[i].Outside() && d > 1e-12 {
					t.Errorf("p and np charts disagree at %d", i)
				}
			}
		}
		for i, q := range p.Points {
			if q.LCL < 0 || q.UCL > 1 || q.LCL > q.Center || q.Center > q.UCL {
				t.Errorf("limits %v at %d", q.Limits, i)
			}
		}
		// Rates in another unit of opportunity: the chart scales.
		k := rapid.Float64Range(0.01, 100).Draw(t, "unit")
		scaled := make([]float64, n)
		for i := range sizes {
			scaled[i] = sizes[i] * k
		}
		u, err := UChart(counts, sizes, Options{})
		if err != nil {
			t.Fatal(err)
		}
		v, err := UChart(counts, scaled, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for i := range u.Points {
			if a, b := u.Points[i].UCL, v.Points[i].UCL*k; math.Abs(a-b) > 1e-9*(a+b) {
				t.Errorf("UCL %v became %v", a, b)
			}
		}
	})
}

func TestAttributeErrors(t *testing.T) {
	one := 1.0
	two := []float64{10, 10}
	for _, c := range []struct {
		name string
		make func() (Chart, error)
		want string
	}{
		{"empty", func() (Chart, error) { return CChart(nil, Options{}) }, "at least 1 values, got 0"},
		{"lengths", func() (Chart, error) { return PChart([]float64{1}, two, Options{}) }, "1 counts but 2 sizes"},
		{"NaN", func() (Chart, error) { return PChart([]float64{1, math.NaN()}, two, Options{}) }, "value 2 of 2 is NaN"},
		{"negative", func() (Chart, error) { return UChart([]float64{1, -1}, two, Options{}) }, "count 2 is -1"},
		{"not whole", func() (Chart, error) { return UChart([]float64{1.5, 1}, two, Options{}) }, "count 1 is 1.5"},
		{"above size", func() (Chart, error) { return NPChart([]float64{1, 11}, two, Options{}) }, "count 2 is 11, above its 10 units"},
		{"size zero", func() (Chart, error) { return UChart([]float64{1, 1}, []float64{1, 0}, Options{}) }, "size 2 is 0"},
		{"part of a unit", func() (Chart, error) { return PChart([]float64{1, 1}, []float64{10, 9.5}, Options{}) }, "size 2 is 9.5"},
		{"stated sigma", func() (Chart, error) {
			return PChart([]float64{1, 1}, two, Options{Phases: []Phase{{Sigma: &one}}})
		}, "counts have the one their law gives"},
		{"all excluded", func() (Chart, error) {
			return PChart([]float64{1, 1}, two, Options{Phases: []Phase{{Exclude: []int{0, 1}}}})
		}, "every subgroup is excluded"},
		{"Laney of one", func() (Chart, error) { return LaneyU([]float64{1}, []float64{5}, Options{}) }, "no moving range"},
		{"Laney without spread", func() (Chart, error) { return LaneyU([]float64{2, 2}, []float64{5, 5}, Options{}) }, "don't vary"},
		{"Laney without events", func() (Chart, error) { return LaneyP([]float64{0, 0}, two, Options{}) }, "don't vary"},
	} {
		_, err := c.make()
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got error %v, want one that says %q", c.name, err, c.want)
		}
	}
}
