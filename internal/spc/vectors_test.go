package spc

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

type t2Result struct {
	Mean    []float64
	Grand   []float64   `json:"grand_mean"`
	Cov     [][]float64 `json:"covariance"`
	CovSucc [][]float64 `json:"covariance_successive_differences"`
	Pooled  [][]float64 `json:"pooled_covariance"`
	T2      []float64
	T2Succ  []float64 `json:"T2_successive"`
	I27     float64   `json:"ucl_phase1_alpha_0.0027"`
	I5      float64   `json:"ucl_phase1_alpha_0.005"`
	I50     float64   `json:"ucl_phase1_alpha_0.05"`
	II27    float64   `json:"ucl_phase2_alpha_0.0027"`
	II5     float64   `json:"ucl_phase2_alpha_0.005"`
	II50    float64   `json:"ucl_phase2_alpha_0.05"`
}

func (r t2Result) limits() map[float64][2]float64 {
	return map[float64][2]float64{0.0027: {r.I27, r.II27}, 0.005: {r.I5, r.II5}, 0.05: {r.I50, r.II50}}
}

func nearMatrix(t *testing.T, what string, got mat.Symmetric, want [][]float64) {
	t.Helper()
	for i := range want {
		for j := range want[i] {
			wantRel(t, fmt.Sprintf("%s[%d][%d]", what, i, j), got.At(i, j), want[i][j], 1e-9)
		}
	}
}

func mustVectors(t testing.TB, c *VectorChart, err error) *VectorChart {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Constructed vectors, computed with numpy and scipy; limits of Tracy, Young & Mason (1992),
// covariance of Holmes & Mergen (1993).
func TestT2Individuals(t *testing.T) {
	var ref struct {
		Cases []struct {
			X      [][]float64
			Result t2Result
		}
	}
	readReference(t, "t2_individuals.json", &ref)
	x, want := ref.Cases[0].X, ref.Cases[0].Result
	m := len(x)
	longer := append(slices.Clone(x), []float64{10, 20})
	for alpha, limits := range want.limits() {
		got, err := T2Individuals(longer, VectorOptions{Alpha: alpha, Phases: []VectorPhase{{Phase: Phase{Baseline: Span{0, m}}}}})
		c := mustVectors(t, got, err)
		near(t, "T²", c.values()[:m], want.T2)
		wantRel(t, "phase I", c.Points[0].UCL, limits[0], 1e-9)
		wantRel(t, "phase II", c.Points[m].UCL, limits[1], 1e-9)
		mean, cov := c.Fit(0)
		near(t, "mean", mean, want.Mean)
		nearMatrix(t, "covariance", cov, want.Cov)
	}
	got, err := T2Individuals(x, VectorOptions{Covariance: SuccessiveDifferences})
	c := mustVectors(t, got, err)
	near(t, "T² successive", c.values(), want.T2Succ)
	_, cov := c.Fit(0)
	nearMatrix(t, "successive", cov, want.CovSucc)
}

// Constructed subgroups, computed with numpy and scipy; limits of Alt (1985).
func TestT2Subgroups(t *testing.T) {
	var ref struct {
		Cases []struct {
			X      [][]float64
			Groups []int
			Result t2Result
		}
	}
	readReference(t, "t2_subgroups.json", &ref)
	var groups [][][]float64
	for i, g := range ref.Cases[0].Groups {
		if g == len(groups) {
			groups = append(groups, nil)
		}
		groups[g] = append(groups[g], ref.Cases[0].X[i])
	}
	want := ref.Cases[0].Result
	m := len(groups)
	longer := append(slices.Clone(groups), groups[0])
	for alpha, limits := range want.limits() {
		got, err := T2Subgroups(longer, VectorOptions{Alpha: alpha, Phases: []VectorPhase{{Phase: Phase{Baseline: Span{0, m}}}}})
		c := mustVectors(t, got, err)
		near(t, "T²", c.values()[:m], want.T2)
		wantRel(t, "phase I", c.Points[0].UCL, limits[0], 1e-9)
		wantRel(t, "phase II", c.Points[m].UCL, limits[1], 1e-9)
		mean, cov := c.Fit(0)
		near(t, "mean", mean, want.Grand)
		nearMatrix(t, "pooled", cov, want.Pooled)
	}
}

// Lowry et al. (1992), Technometrics 34, 46–53: ten pairs (published, transcribed), unit variances
// with correlation 0.5, λ = 0.1, h4 = 8.66 (these from memory of the paper); statistics by numpy.
func TestMEWMALowry(t *testing.T) {
	type result struct {
		T2    []float64
		First int `json:"first_above_h4"`
	}
	var ref struct {
		Data       [][]float64
		Covariance [][]float64
		Lam, H4    float64
		Exact      result    `json:"computed_exact_covariance"`
		Steady     result    `json:"computed_asymptotic_covariance"`
		ChiSquare  []float64 `json:"chi_square_T2"`
	}
	readReference(t, "mewma_lowry.json", &ref)
	opt := VectorOptions{Phases: []VectorPhase{{Mean: []float64{0, 0}, Covariance: ref.Covariance}}}
	for steady, want := range map[bool]result{false: ref.Exact, true: ref.Steady} {
		got, err := MEWMA{Lambda: ref.Lam, H: ref.H4, Steady: steady}.Chart(ref.Data, opt)
		c := mustVectors(t, got, err)
		near(t, "MEWMA", c.values(), want.T2)
		if out := c.outside(); len(out) == 0 || out[0] != want.First {
			t.Errorf("steady %v: outside %v want first %d", steady, out, want.First)
		}
	}
	got, err := T2Individuals(ref.Data, opt)
	near(t, "χ²", mustVectors(t, got, err).values(), ref.ChiSquare)
	// With λ = 1 the MEWMA is T².
	got, err = MEWMA{Lambda: 1, H: 10}.Chart(ref.Data, opt)
	near(t, "λ = 1", mustVectors(t, got, err).values(), ref.ChiSquare)
}

// The terms of Mason, Tracy & Young (1995) add up: T² = T₁² + T²₂·₁ = T₂² + T²₁·₂ for two variables,
// and for any number T² less Given is T² of the others.
func TestDecompose(t *testing.T) {
	rng := testRand(21)
	var x, two [][]float64
	for range 40 {
		a, b, c := rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()
		x = append(x, []float64{a, 3 * (0.9*a + 0.4*b), 10 + c})
		two = append(two, []float64{a, 10 + c})
	}
	got, err := T2Individuals(x, VectorOptions{})
	c := mustVectors(t, got, err)
	got, err = T2Individuals(two, VectorOptions{})
	without := mustVectors(t, got, err)
	for i := range x {
		for _, term := range c.Decompose(i) {
			if term.Variable == 1 {
				wantRel(t, "T² of the others", c.Points[i].Value-term.Given, without.Points[i].Value, 1e-9)
			}
		}
		a := without.Decompose(i)
		if a[0].Given < a[1].Given {
			t.Errorf("point %d: not sorted", i)
		}
		for k, term := range a {
			wantRel(t, "T²", term.Alone+a[1-k].Given, without.Points[i].Value, 1e-9)
		}
	}
}

// The cause is named: one variable off by itself, and one that breaks the relation to the others.
func TestCause(t *testing.T) {
	rng := testRand(22)
	var x [][]float64
	for range 100 {
		a, b := rng.NormFloat64(), rng.NormFloat64()
		x = append(x, []float64{a, 0.95*a + 0.31*b, rng.NormFloat64()})
	}
	x = append(x, []float64{0, 0, 7}, []float64{1.8, -1.8, 0}, []float64{0, 0, 0})
	got, err := T2Individuals(x, VectorOptions{Names: []string{"X", "Y", "θ"}, Phases: []VectorPhase{{Phase: Phase{Baseline: Span{0, 100}}}}})
	c := mustVectors(t, got, err)
	if out := c.outside(); !slices.Contains(out, 101) || !slices.Contains(out, 102) || slices.Contains(out, 103) {
		t.Fatalf("outside %v", out)
	}
	if text := c.Cause(100); !strings.HasPrefix(text, "θ is off by itself (+") {
		t.Errorf("cause %q", text)
	}
	if text := c.Cause(101); !strings.Contains(text, "X, Y fits badly") && !strings.Contains(text, "Y, X fits badly") {
		t.Errorf("cause %q", text)
	}
	last := c.Hits[len(c.Hits)-1]
	if text := c.Explain(last); !strings.Contains(text, "at point 102: T² ") {
		t.Errorf("text %q", text)
	}
}

// False alarms of the limits in both phases, against alpha, in 4 standard errors. The limits of the
// sample covariance are exact; those of successive differences and of the robust estimate are
// approximations whose true rate is stated here.
func TestT2FalseAlarms(t *testing.T) {
	const runs, m, ahead, alpha = 1500, 30, 30, 0.05
	for _, c := range []struct {
		kind   CovarianceKind
		lo, hi [2]float64 // rate in phase I and II
	}{
		{SampleCovariance, [2]float64{0.05, 0.05}, [2]float64{0.05, 0.05}},
		{SuccessiveDifferences, [2]float64{0.05, 0.05}, [2]float64{0.055, 0.055}},
		{RobustCovariance, [2]float64{0.05, 0.08}, [2]float64{0.05, 0.085}},
	} {
		rng := testRand(23)
		var out [2]int
		for range runs {
			x := make([][]float64, m+ahead)
			for i := range x {
				a := rng.NormFloat64()
				x[i] = []float64{a, 0.6*a + 0.8*rng.NormFloat64(), rng.NormFloat64()}
			}
			got, err := T2Individuals(x, VectorOptions{Alpha: alpha, Covariance: c.kind, Phases: []VectorPhase{{Phase: Phase{Baseline: Span{0, m}}}}})
			for _, i := range mustVectors(t, got, err).OutOfControl() {
				out[i/m]++
			}
		}
		for phase, n := range out {
			rate := float64(n) / (runs * m)
			// Points of one chart share its limits: the standard error is that of whole charts.
			se := 1.6 * math.Sqrt(alpha*(1-alpha)/(runs*m))
			if rate < c.lo[phase]-4*se || rate > c.hi[phase]+4*se {
				t.Errorf("covariance %d, phase %d: false alarms %.4f want %.3f to %.3f", c.kind, phase+1, rate, c.lo[phase], c.hi[phase])
			}
		}
	}
}

// Bad vectors in the baseline: the robust limits find them, the ordinary ones are blinded.
func TestRobustCovariance(t *testing.T) {
	rng := testRand(24)
	var x [][]float64
	for i := range 60 {
		a := rng.NormFloat64()
		v := []float64{a, 0.8*a + 0.6*rng.NormFloat64()}
		if i%6 == 0 { // ten in sixty lie together, off the ellipse
			v = []float64{4 + 0.1*a, -4}
		}
		x = append(x, v)
	}
	robust, err := T2Individuals(x, VectorOptions{Covariance: RobustCovariance})
	mustVectors(t, robust, err)
	plain, err := T2Individuals(x, VectorOptions{})
	mustVectors(t, plain, err)
	found := 0
	for _, i := range robust.OutOfControl() {
		if i%6 == 0 {
			found++
		}
	}
	if found != 10 || len(plain.OutOfControl()) > 0 {
		t.Errorf("robust finds %d of 10, plain %v", found, plain.OutOfControl())
	}
	if got := trimConsistency(2, 1-1e-12); math.Abs(got-1) > 1e-9 {
		t.Errorf("consistency without trimming: %g", got)
	}
}

// T² doesn't depend on the units or axes of the variables: any invertible linear map leaves it.
func TestT2Affine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.Float64Range(-3, 3)
		x := rapid.SliceOfN(rapid.SliceOfN(number, 2, 2), 6, 20).Draw(t, "x")
		invertible := func(a []float64) bool { return math.Abs(a[0]*a[3]-a[1]*a[2]) >= 0.1 }
		a := rapid.SliceOfN(number, 4, 4).Filter(invertible).Draw(t, "map")
		var y [][]float64
		for _, v := range x {
			y = append(y, []float64{5 + a[0]*v[0] + a[1]*v[1], a[2]*v[0] + a[3]*v[1] - 7})
		}
		cx, err := T2Individuals(x, VectorOptions{})
		if err != nil {
			return
		}
		if _, s := cx.Fit(0); s.At(0, 0)*s.At(1, 1)-s.At(0, 1)*s.At(0, 1) < 1e-4 {
			return
		}
		cy, err := T2Individuals(y, VectorOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for i, p := range cx.Points {
			if q := cy.Points[i]; math.Abs(p.Value-q.Value) > 1e-7*(1+p.Value) || p.UCL != q.UCL {
				t.Fatalf("point %d: %g and %g", i, p.Value, q.Value)
			}
		}
	})
}

func TestVectorErrors(t *testing.T) {
	good := [][]float64{{1, 2}, {2, 1}, {3, 5}, {4, 3}, {0, 1}}
	with := func(i int, v ...float64) [][]float64 {
		out := slices.Clone(good)
		out[i] = v
		return out
	}
	t2 := func(x [][]float64, opt VectorOptions) error { _, err := T2Individuals(x, opt); return err }
	groups := func(g [][][]float64, opt VectorOptions) error { _, err := T2Subgroups(g, opt); return err }
	mewma := func(e MEWMA) error { _, err := e.Chart(good, VectorOptions{}); return err }
	statedOpt := func(mean []float64, cov [][]float64) VectorOptions {
		return VectorOptions{Phases: []VectorPhase{{Mean: mean, Covariance: cov}}}
	}
	for _, c := range []struct {
		err  error
		want string
	}{
		{t2(nil, VectorOptions{}), "no vectors"},
		{t2([][]float64{{}}, VectorOptions{}), "vector 1 of 1 is empty"},
		{t2(with(2, 1), VectorOptions{}), "vector 3 of 5 has 1 variables, the first has 2"},
		{t2(with(2, 1, math.NaN()), VectorOptions{Names: []string{"X", "θ"}}), "vector 3 of 5: θ is NaN"},
		{t2(good, VectorOptions{Names: []string{"X"}}), "1 names (X) for vectors of 2 variables"},
		{t2(good[:3], VectorOptions{}), "holds 3 vectors of 2 variables: want at least 4"},
		{t2([][]float64{{1, 2}, {2, 2}, {3, 2}, {4, 2}}, VectorOptions{}), "x2 doesn't vary"},
		{t2([][]float64{{1, 2}, {2, 4}, {3, 6}, {4, 8}}, VectorOptions{}), "depend on each other"},
		{t2(good, VectorOptions{Alpha: 2}), "alpha: want a number between 0 and 1"},
		{t2(good, VectorOptions{Covariance: 9}), "no covariance estimate with number 9"},
		{t2(good, statedOpt([]float64{0}, nil)), "want both for the 2 variables"},
		{t2(good, statedOpt([]float64{0, 0}, [][]float64{{1, 0}, {1, 1}})), "but mirrored"},
		{t2(good, statedOpt([]float64{0, 0}, [][]float64{{1, 2}, {2, 1}})), "depend on each other"},
		{t2(good, VectorOptions{Phases: []VectorPhase{{Phase: Phase{Start: 1}}}}), "first phase to start at 1"},
		{groups([][][]float64{good, good[:1]}, VectorOptions{}), "subgroup 2 of 2 holds one vector"},
		{groups([][][]float64{good, {{1, 2}, {3}}}, VectorOptions{}), "subgroup 2 of 2: vector 2 of 2 has 1 variables"},
		{groups([][][]float64{good}, VectorOptions{Covariance: RobustCovariance}), "pooled covariance within"},
		{mewma(MEWMA{}), "decision limit 0"},
		{mewma(MEWMA{Lambda: 2, H: 8}), "lambda 2"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("error %v, want %q", c.err, c.want)
		}
	}
}
