package spc

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// testdata/capability.json: ISO 22514-2 indices, Bissell (1990), Boyles (1991), noncentral t;
// computed independently with numpy and scipy, checked with R.
func TestCapabilityReference(t *testing.T) {
	type indices struct {
		Sigma, Pp, PpU, PpL, Ppk, Cp, CpU, CpL, Cpk, Cpm, K float64
		FractionBelow                                       float64 `json:"fraction_below"`
		FractionAbove                                       float64 `json:"fraction_above"`
	}
	var ref struct {
		Cases []struct {
			Groups     [][]float64 `json:"groups"`
			LSL, USL   *float64
			Target     *float64 `json:"target"`
			Confidence float64  `json:"confidence"`
			Result     struct {
				N         int
				Mean      float64
				OverallS  float64 `json:"overall_s"`
				Overall   indices
				Range     *indices `json:"within_rbar_d2"`
				SD        *indices `json:"within_sbar_c4"`
				Pooled    *indices `json:"within_pooled"`
				Moving    *indices `json:"within_mr_d2"`
				Intervals struct {
					Pp       []float64 `json:"Pp_chi_square"`
					Ppk      []float64 `json:"Ppk_bissell_two_sided"`
					PpkLower float64   `json:"Ppk_bissell_lower_one_sided"`
					PpU      float64   `json:"PpU_exact_lower_one_sided"`
					PpL      float64   `json:"PpL_exact_lower_one_sided"`
					Cpm      []float64 `json:"Cpm_boyles"`
				}
			}
		}
	}
	readReference(t, "capability.json", &ref)
	for _, c := range ref.Cases {
		tol := Tolerance{math.Inf(-1), math.Inf(1)}
		if c.LSL != nil {
			tol.Lower = *c.LSL
		}
		if c.USL != nil {
			tol.Upper = *c.USL
		}
		for method, want := range map[WithinSigma]*indices{
			WithinRange: c.Result.Range, WithinSD: c.Result.SD,
			WithinPooled: c.Result.Pooled, WithinMovingRange: c.Result.Moving,
		} {
			if want == nil {
				continue
			}
			got, err := AssessCapability(c.Groups, tol, CapabilityOptions{Within: method, Target: c.Target, Confidence: c.Confidence})
			if err != nil {
				t.Fatal(err)
			}
			wantRel(t, "mean", got.Mean, c.Result.Mean, 1e-9)
			wantRel(t, "s", got.Overall.Sigma, c.Result.OverallS, 1e-9)
			wantRel(t, method.String(), got.Within.Sigma, want.Sigma, 1e-9)
			wantRel(t, "Cpk", got.Within.K.Value, want.Cpk, 1e-9)
			wantRel(t, "Ppk", got.Overall.K.Value, c.Result.Overall.Ppk, 1e-9)
			// The normal tails amplify the 12 digits of the reference's inputs hardly at all.
			wantRel(t, "fraction below", got.Overall.FractionBelow, c.Result.Overall.FractionBelow, 1e-9)
			wantRel(t, "fraction above", got.Within.FractionAbove, want.FractionAbove, 1e-9)
			iv := c.Result.Intervals
			if tol.twoSided() {
				wantRel(t, "Pp", got.Overall.P.Value, c.Result.Overall.Pp, 1e-9)
				wantRel(t, "Cp", got.Within.P.Value, want.Cp, 1e-9)
				wantRel(t, "k", got.OffCentre, c.Result.Overall.K, 1e-9)
				wantRel(t, "Cpm", got.Overall.M.Value, c.Result.Overall.Cpm, 1e-9)
				wantRel(t, "Cpm low", got.Overall.M.Low, iv.Cpm[0], 1e-9)
				wantRel(t, "Cpm high", got.Overall.M.High, iv.Cpm[1], 1e-9)
				wantRel(t, "Pp low", got.Overall.P.Low, iv.Pp[0], 1e-9)
				wantRel(t, "Pp high", got.Overall.P.High, iv.Pp[1], 1e-9)
				wantRel(t, "Ppk low", got.Overall.K.Low, iv.Ppk[0], 1e-9)
				wantRel(t, "Ppk high", got.Overall.K.High, iv.Ppk[1], 1e-9)
				wantRel(t, "Ppk bound", got.Overall.K.AtLeast, iv.PpkLower, 1e-9)
			}
			if got.Overall.Upper != nil {
				wantRel(t, "PpU bound", got.Overall.Upper.AtLeast, iv.PpU, 1e-9)
			}
			if got.Overall.Lower != nil {
				wantRel(t, "PpL bound", got.Overall.Lower.AtLeast, iv.PpL, 1e-9)
			}
		}
	}
}

// testdata/index_intervals.json: bounds from the index and n alone, computed with scipy.
func TestIndexIntervalsReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			Cp, Cpk    float64
			N          int     `json:"n"`
			Confidence float64 `json:"confidence"`
			Result     struct {
				Cp    []float64 `json:"Cp_chi_square"`
				Cpk   []float64 `json:"Cpk_bissell_two_sided"`
				Lower float64   `json:"Cpk_bissell_lower_one_sided"`
				Exact float64   `json:"one_sided_index_exact_lower"`
			}
		}
	}
	readReference(t, "index_intervals.json", &ref)
	for _, c := range ref.Cases {
		df := float64(c.N - 1)
		p := potentialIndex(c.Cp, df, c.Confidence)
		wantRel(t, "Cp low", p.Low, c.Result.Cp[0], 1e-9)
		wantRel(t, "Cp high", p.High, c.Result.Cp[1], 1e-9)
		k := bissellIndex(c.Cpk, c.N, df, c.Confidence)
		wantRel(t, "Cpk low", k.Low, c.Result.Cpk[0], 1e-9)
		wantRel(t, "Cpk high", k.High, c.Result.Cpk[1], 1e-9)
		wantRel(t, "Cpk bound", k.AtLeast, c.Result.Lower, 1e-9)
		wantRel(t, "exact bound", oneSidedIndex(c.Cpk, c.N, df, c.Confidence).AtLeast, c.Result.Exact, 1e-9)
	}
}

// NIST/SEMATECH e-Handbook 6.1.6: mean 16, s 2, limits 8 and 20, printed to four decimals.
func TestCapabilityHandbook(t *testing.T) {
	r := indicesOf(16, 2, 99, 100, Tolerance{8, 20}, 0.95)
	wantAbs(t, "Cp", r.P.Value, 1.0, 5e-5)
	wantAbs(t, "Cpk", r.K.Value, 0.6667, 5e-5)
	wantAbs(t, "CpU", r.Upper.Value, 0.6667, 5e-5)
	wantAbs(t, "CpL", r.Lower.Value, 1.3333, 5e-5)
}

// Degrees of freedom of R̄/d2: Duncan's table (in MSA manuals beside d2*) gives 72.7 for 20
// subgroups of 5 (from memory, one decimal).
func TestEffectiveDegreesOfFreedom(t *testing.T) {
	cv := D3(5) / D2(5)
	wantAbs(t, "20 ranges of 5", effectiveDF(cv*cv/20), 72.7, 0.05)
	// The moving range's relative efficiency tends to 0.605 (variance 0.826σ²/n against
	// 0.5σ²/n of s: Cryer & Ryan 1990, J. Qual. Technol. 22, 187–192; from memory).
	x := make([]float64, 100001)
	_, df := movingRangeSpread(x)
	wantAbs(t, "efficiency", df/100000, 0.605, 5e-4)
}

// A stated 90 % interval must hold the true index in 90 % of samples.
func TestCapabilityIntervalCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	const runs, n = 600, 12
	var exact, bissell, chi int
	for range runs {
		x := make([]float64, n)
		for i := range x {
			x[i] = rng.NormFloat64()
		}
		c, err := AssessCapability(Singles(x), Tolerance{-5, 3}, CapabilityOptions{Confidence: 0.9})
		if err != nil {
			t.Fatal(err)
		}
		hit := func(e IndexEstimate, truth float64) int {
			if e.Low <= truth && truth <= e.High {
				return 1
			}
			return 0
		}
		exact += hit(*c.Overall.Upper, 1)
		bissell += hit(c.Overall.K, 1)
		chi += hit(*c.Overall.P, 8.0/6)
	}
	// Four standard errors of a share of 0.9 among 600: 0.049. Bissell's is an approximation.
	wantAbs(t, "noncentral t", float64(exact)/runs, 0.9, 0.049)
	wantAbs(t, "chi-square", float64(chi)/runs, 0.9, 0.049)
	wantAbs(t, "Bissell", float64(bissell)/runs, 0.9, 0.05)
}

func TestNoncentralT(t *testing.T) {
	// With δ = 0 it is Student's t: P(T ≤ 2.228139, 10) = 0.975 (any t table).
	wantAbs(t, "central", noncentralT(2.2281388520, 10)(0), 0.975, 1e-9)
	// T ≤ 0 exactly when the normal variable is: Φ(−δ).
	wantRel(t, "at zero", noncentralT(0, 7)(1.5), math.Erfc(1.5/math.Sqrt2)/2, 1e-11)
}

func TestCapabilityProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := rapid.IntRange(2, 8).Draw(t, "subgroups")
		g := make([][]float64, m)
		for i := range g {
			g[i] = rapid.SliceOfN(rapid.Float64Range(-3, 3), 2, 6).Draw(t, "values")
			g[i][0] += 0.5 // spread within every subgroup
			g[i][1] -= 4
		}
		shift := rapid.Float64Range(-50, 50).Draw(t, "shift")
		scale := rapid.Float64Range(0.1, 20).Draw(t, "scale")
		w := rapid.SampledFrom([]WithinSigma{WithinPooled, WithinRange, WithinSD}).Draw(t, "estimator")
		moved := make([][]float64, m)
		for i := range g {
			n := len(g[i])
			moved[i] = make([]float64, n)
			for j, v := range g[i] {
				moved[i][n-1-j] = v*scale + shift // also permuted within the subgroup
			}
		}
		tol := Tolerance{-5, 6}
		a, err := AssessCapability(g, tol, CapabilityOptions{Within: w})
		if err != nil {
			t.Fatal(err)
		}
		b, err := AssessCapability(moved, Tolerance{-5*scale + shift, 6*scale + shift}, CapabilityOptions{Within: w})
		if err != nil {
			t.Fatal(err)
		}
		near := func(what string, x, y float64) {
			if math.Abs(x-y) > 1e-8*(1+math.Abs(x)) {
				t.Errorf("%s changed with origin and unit: %v, %v", what, x, y)
			}
		}
		near("Cpk", a.Within.K.Value, b.Within.K.Value)
		near("Ppk", a.Overall.K.Value, b.Overall.K.Value)
		near("Cpm", a.Overall.M.Value, b.Overall.M.Value)
		near("Ppk bound", a.Overall.K.AtLeast, b.Overall.K.AtLeast)
		near("exact bound", a.Overall.Upper.AtLeast, b.Overall.Upper.AtLeast)
		if !(a.Overall.K.Value <= a.Overall.P.Value) || !(a.Overall.M.Value <= a.Overall.P.Value) {
			t.Errorf("Ppk %v or Cpm %v above Pp %v", a.Overall.K.Value, a.Overall.M.Value, a.Overall.P.Value)
		}
		if !(a.Overall.K.Low < a.Overall.K.AtLeast && a.Overall.K.AtLeast < a.Overall.K.Value) {
			t.Errorf("bounds out of order: %+v", a.Overall.K)
		}
	})
}

// The chart of the same subgroups and the capability must not disagree on sigma, sizes alike or not.
func TestCapabilityMeetsChart(t *testing.T) {
	groups := [][]float64{{1, 2.5, 2}, {0.5, 3}, {2, 2.2, 1.1, 3.4}, {1.9, 0.2, 2.8}, {1.2, 2.1}}
	for method, chart := range map[WithinSigma]func([][]float64, Options) ([]Chart, error){WithinRange: XbarR, WithinSD: XbarS} {
		c, err := AssessCapability(groups, Tolerance{-5, 9}, CapabilityOptions{Within: method})
		if err != nil {
			t.Fatal(err)
		}
		charts, err := chart(groups, Options{})
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, method.String(), c.Within.Sigma, charts[0].Phases[0].Sigma, 1e-12)
	}
}

func TestProvingSize(t *testing.T) {
	n := ProvingSize(1.5, 1.33, 0.95)
	if b := bissellIndex(1.5, n, float64(n-1), 0.95).AtLeast; b < 1.33 {
		t.Errorf("%d values bound the index by %v only", n, b)
	}
	if b := bissellIndex(1.5, n-1, float64(n-2), 0.95).AtLeast; b >= 1.33 {
		t.Errorf("%d values were enough", n-1)
	}
	if n := ProvingSize(1.3, 1.33, 0.95); n != 0 {
		t.Errorf("an index below the required one was proved by %d values", n)
	}
}

func TestCapabilityErrors(t *testing.T) {
	ok := [][]float64{{1, 2, 3}, {2, 3, 4}}
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name   string
		groups [][]float64
		tol    Tolerance
		opt    CapabilityOptions
		want   string
	}{
		{"no values", nil, Tolerance{0, 5}, CapabilityOptions{}, "at least 2 values, got 0"},
		{"one value", [][]float64{{1}}, Tolerance{0, 5}, CapabilityOptions{}, "at least 2 values, got 1"},
		{"NaN", [][]float64{{1, 2}, {3, nan}}, Tolerance{0, 5}, CapabilityOptions{}, "subgroup 2: value 2 of 2 is NaN"},
		{"infinite", [][]float64{{inf, 2}, {3, 4}}, Tolerance{0, 5}, CapabilityOptions{}, "subgroup 1: value 1 of 2 is +Inf"},
		{"empty subgroup", [][]float64{{1, 2}, {}}, Tolerance{0, 5}, CapabilityOptions{}, "subgroup 2 of 2 is empty"},
		{"no spread", [][]float64{{1, 1}, {1, 1}}, Tolerance{0, 5}, CapabilityOptions{}, "all 4 values equal 1"},
		{"no spread within", [][]float64{{1, 1}, {2, 2}}, Tolerance{0, 5}, CapabilityOptions{}, "don't vary within subgroups"},
		{"limits reversed", ok, Tolerance{5, 0}, CapabilityOptions{}, "lower limit 5 is not below upper limit 0"},
		{"no limits", ok, Tolerance{math.Inf(-1), inf}, CapabilityOptions{}, "both limits are infinite"},
		{"limit NaN", ok, Tolerance{nan, 5}, CapabilityOptions{}, "not a number"},
		{"target NaN", ok, Tolerance{0, 5}, CapabilityOptions{Target: &nan}, "target"},
		{"confidence", ok, Tolerance{0, 5}, CapabilityOptions{Confidence: 95}, "between 0 and 1"},
		{"range of singles", Singles([]float64{1, 2, 3}), Tolerance{0, 5}, CapabilityOptions{Within: WithinRange}, "two or more"},
		{"range of many", [][]float64{make([]float64, 30), {1, 2}}, Tolerance{0, 5}, CapabilityOptions{Within: WithinRange}, "holds 30 values"},
		{"required", ok, Tolerance{0, 5}, CapabilityOptions{Required: nan}, "required index"},
		{"estimator", ok, Tolerance{0, 5}, CapabilityOptions{Within: 99}, "no estimator number 99"},
	} {
		_, err := AssessCapability(c.groups, c.tol, c.opt)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got error %v, want one that says %q", c.name, err, c.want)
		}
	}
}
