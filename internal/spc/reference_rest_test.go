package spc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// The rest of testdata/adjustment_sequences.json: what is observed, and what the moves gain.
func TestFeedbackReferenceObserved(t *testing.T) {
	var ref struct {
		Cases []struct {
			Z         []float64
			Lam, Gain float64
			L, Target float64
			Result    struct {
				Rows []struct {
					Observed float64
					Before   float64 `json:"ewma_before_reset"`
				}
				Adjustments []int
				Unadjusted  float64 `json:"mean_square_unadjusted"`
			}
		}
	}
	readReference(t, "adjustment_sequences.json", &ref)
	for k, c := range ref.Cases {
		f := Feedback{Lambda: c.Lam, Gain: c.Gain, Limit: c.L}
		var unadjusted float64
		var moves []int
		for i, z := range c.Z {
			observed := z + c.Gain*f.Total
			wantAbs(t, "observed", observed, c.Result.Rows[i].Observed, 1e-9*(1+math.Abs(z)))
			d := observed - c.Target
			before := c.Lam*d + (1-c.Lam)*f.Forecast
			next, move, err := f.Next(d)
			if err != nil {
				t.Fatal(err)
			}
			if move != 0 {
				moves = append(moves, i+1)
			}
			if c.L > 0 { // adjusting every time, the reference goes on averaging where nothing is left to
				wantAbs(t, "forecast", before, c.Result.Rows[i].Before, 1e-9)
			}
			f = next
			unadjusted += (z - c.Target) * (z - c.Target) / float64(len(c.Z))
		}
		if !slices.Equal(moves, c.Result.Adjustments) {
			t.Errorf("case %d: adjusted after %v, want %v", k, moves, c.Result.Adjustments)
		}
		wantRel(t, "mean square unadjusted", unadjusted, c.Result.Unadjusted, 1e-9)
	}
}

// The rest of testdata/bounded_adjustment_design.json and bounded_optimum.json; and that the design
// for a price has that price, and no wider limit has it.
func TestBoundedPrices(t *testing.T) {
	var ref struct {
		Cases []struct {
			Result struct{ Rows []map[string]float64 }
		}
	}
	readReference(t, "bounded_adjustment_design.json", &ref)
	for _, r := range ref.Cases[0].Result.Rows {
		b, err := DesignBounded(r["L_over_lambda_sigma"])
		if err != nil {
			t.Fatal(err)
		}
		for _, lambda := range []float64{0.1, 0.2, 0.3, 0.4, 0.5} {
			want, ok := r[fmt.Sprintf("pct_increase_in_sd_lambda_%.1f", lambda)]
			if !ok {
				t.Fatalf("no value for lambda %v in %v", lambda, r)
			}
			wantRel(t, "increase", 100*b.SDIncrease(lambda), want, 1e-9)
			if want < 0.01 || lambda != 0.2 && lambda != 0.5 { // a price of nearly nothing; two are enough to go back from
				continue
			}
			back, err := BoundedForIncrease(lambda, want/100)
			if err != nil {
				t.Fatal(err)
			}
			wantRel(t, "limit for that price", back.Ratio, b.Ratio, 1e-6)
		}
	}
	var opt struct {
		Comparison []struct {
			Ratio float64 `json:"L_over_lambda_sigma"`
			AAI   float64 `json:"AAI_exact"`
			G     float64 `json:"G_exact"`
		}
	}
	readReference(t, "bounded_optimum.json", &opt)
	for _, r := range opt.Comparison {
		b, err := DesignBounded(r.Ratio)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "interval", b.Interval, r.AAI, 1e-9)
		wantRel(t, "inflation", b.Inflation, r.G, 1e-9)
	}
	for _, bad := range [][2]float64{{0, 0.1}, {1.1, 0.1}, {0.2, 0}, {0.2, 2}, {math.NaN(), 0.1}} {
		if _, err := BoundedForIncrease(bad[0], bad[1]); err == nil {
			t.Errorf("lambda %v, increase %v: want an error", bad[0], bad[1])
		}
	}
}

// The rest of testdata/zero_acceptance.json: the risk at the sample size and one below it.
func TestZeroAcceptanceRisks(t *testing.T) {
	var ref struct {
		Cases []struct {
			P, Beta float64
			N, D    int
			Result  struct {
				Infinite    int      `json:"n_infinite_lot"`
				Finite      int      `json:"n_finite_lot"`
				AtN         *float64 `json:"probability_at_n"`
				AtLess      *float64 `json:"probability_at_n_minus_1"`
				LotAtN      *float64 `json:"hypergeometric_at_n"`
				LotAtNMinus *float64 `json:"hypergeometric_at_n_minus_1"`
			}
		}
	}
	readReference(t, "zero_acceptance.json", &ref)
	seen := 0
	for _, c := range ref.Cases {
		if c.Result.AtN != nil {
			seen++
			wantRel(t, "at n", Plan{c.Result.Infinite, 0}.Pa(c.P), *c.Result.AtN, 1e-9)
			wantRel(t, "at n−1", Plan{c.Result.Infinite - 1, 0}.Pa(c.P), *c.Result.AtLess, 1e-9)
		}
		if c.Result.LotAtN != nil {
			seen++
			for n, want := range map[int]float64{c.Result.Finite: *c.Result.LotAtN, c.Result.Finite - 1: *c.Result.LotAtNMinus} {
				got, err := Plan{n, 0}.PaLot(c.N, c.D)
				if err != nil {
					t.Fatal(err)
				}
				wantRel(t, "lot", got, want, 1e-9)
			}
		}
	}
	if seen != len(ref.Cases) {
		t.Errorf("checked %d of %d cases", seen, len(ref.Cases))
	}
}

// The rest of testdata/xbar_r_s_flow_width.json and nist_wafer_thickness.json: pooled and overall
// spread, which capability is held against.
func TestSpreadOfReferenceGroups(t *testing.T) {
	var ref struct {
		Cases []struct {
			Groups [][]float64
			Result struct {
				Pooled  float64 `json:"sigma_pooled"`
				Overall float64 `json:"sigma_overall"`
			}
		}
	}
	readReference(t, "xbar_r_s_flow_width.json", &ref)
	seen := 0
	for _, c := range ref.Cases {
		if c.Result.Pooled == 0 {
			continue
		}
		seen++
		found, err := AssessCapability(c.Groups, Tolerance{-1e6, 1e6}, CapabilityOptions{Within: WithinPooled})
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "pooled", found.Within.Sigma, c.Result.Pooled, 1e-9)
		wantRel(t, "overall", found.Overall.Sigma, c.Result.Overall, 1e-9)
	}
	if seen == 0 {
		t.Error("no case has a pooled spread")
	}
}

// testdata/nist_lithography_nested.json: limits of cassette means from the spread within wafers are
// far too narrow; these are the cassettes that they would call out (NIST/SEMATECH e-Handbook, 6.6.1).
func TestNaiveLimitsAreTooNarrow(t *testing.T) {
	var ref struct {
		Data  [][][]float64
		Naive struct {
			Center   float64
			Sigma    float64 `json:"sigma_of_mean"`
			UCL, LCL float64
			Outside  []int
		} `json:"naive_cassette_limits_from_within_wafer_spread"`
	}
	readReference(t, "nist_lithography_nested.json", &ref)
	nested, err := AnalyseNested(ref.Data)
	if err != nil {
		t.Fatal(err)
	}
	var means []float64
	for _, cassette := range ref.Data {
		means = append(means, carefulMean(slices.Concat(cassette...)))
	}
	wantRel(t, "sigma of the mean", math.Sqrt(nested.VarWithin/15), ref.Naive.Sigma, 1e-9)
	centre, sigma := nested.Mean, ref.Naive.Sigma
	charts, err := Individuals(means, Options{Phases: []Phase{{Center: &centre, Sigma: &sigma}}})
	if err != nil {
		t.Fatal(err)
	}
	p := charts[0].Points[0]
	wantRel(t, "centre", p.Center, ref.Naive.Center, 1e-9)
	wantRel(t, "UCL", p.UCL, ref.Naive.UCL, 1e-9)
	wantRel(t, "LCL", p.LCL, ref.Naive.LCL, 1e-9)
	var outside []int
	for i, pt := range charts[0].Points {
		if pt.Outside() != 0 {
			outside = append(outside, i+1)
		}
	}
	if !slices.Equal(outside, ref.Naive.Outside) {
		t.Errorf("outside %v, want %v", outside, ref.Naive.Outside)
	}
}

// The rest of testdata/laney_p.json, laney_u.json and position_circle.json: points outside limits that no
// extra spread widens, and yields.
func TestReferenceRest(t *testing.T) {
	for _, file := range []string{"laney_p.json", "laney_u.json"} {
		var ref struct {
			Cases []struct {
				Counts, N []float64
				Result    struct {
					Out []int `json:"out_unadjusted"`
				}
			}
		}
		readReference(t, file, &ref)
		for k, c := range ref.Cases {
			chart := PChart
			if file == "laney_u.json" {
				chart = UChart
			}
			plain, err := chart(c.Counts, c.N, Options{})
			if err != nil {
				t.Fatalf("%s: %v", file, err)
			}
			var out []int
			for i, p := range plain.Points {
				if p.Outside() != 0 {
					out = append(out, i+1)
				}
			}
			if !slices.Equal(out, c.Result.Out) {
				t.Errorf("%s, case %d: without the adjustment %v are outside, want %v", file, k, out, c.Result.Out)
			}
		}
	}
	var circle struct {
		Cases []struct {
			MX, MY, SX, SY, Rho, R float64
			Result                 struct {
				Inside float64 `json:"probability_inside"`
				Z      float64 `json:"yield_equivalent_one_sided_z"`
			}
		}
	}
	readReference(t, "position_circle.json", &circle)
	for _, c := range circle.Cases {
		law, err := NewPosition(c.MX, c.MY, c.SX, c.SY, c.Rho)
		if err != nil {
			t.Fatal(err)
		}
		outside := law.Outside(c.R)
		wantAbs(t, "inside", 1-outside, c.Result.Inside, 1e-9)
		wantRel(t, "z", -normalQuantile(outside), c.Result.Z, 1e-9)
	}
}

// The spread behind a chart and that behind Cp are one estimate also where subgroups differ in size:
// Burr's (1969, J. Qual. Technol. 1, 163–167), each yᵢ/E weighted by E²/Var, here written out; and the
// pooled one is √(Σ(n−1)s²/Σ(n−1)), which Montgomery (Introduction to Statistical Quality Control, 6.31)
// puts in its place.
func TestSpreadOfUnequalSubgroups(t *testing.T) {
	var d2, d3, c4 [10]float64 // by size; computing them takes most of the time
	for n := 2; n < 10; n++ {
		d2[n], d3[n], c4[n] = D2(n), D3(n), C4(n)
	}
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
		var groups [][]float64
		var rangeSum, rangeWeight, sdSum, sdWeight, squares, df float64
		for range rapid.IntRange(3, 30).Draw(t, "subgroups") {
			g := make([]float64, 2+rng.IntN(8))
			for i := range g {
				g[i] = 50 + 3*rng.NormFloat64()
			}
			n := len(g)
			mean := carefulMean(g)
			s := math.Sqrt(sumOfSquares(g, mean) / float64(n-1))
			w := d2[n] * d2[n] / (d3[n] * d3[n])
			rangeSum, rangeWeight = rangeSum+w*(slices.Max(g)-slices.Min(g))/d2[n], rangeWeight+w
			w = c4[n] * c4[n] / (1 - c4[n]*c4[n])
			sdSum, sdWeight = sdSum+w*s/c4[n], sdWeight+w
			squares, df = squares+float64(n-1)*s*s, df+float64(n-1)
			groups = append(groups, g)
		}
		within := func(kind WithinSigma) float64 {
			c, err := AssessCapability(groups, Tolerance{0, 100}, CapabilityOptions{Within: kind})
			if err != nil {
				t.Fatal(err)
			}
			return c.Within.Sigma
		}
		xbarR, err1 := XbarR(groups, Options{})
		xbarS, err2 := XbarS(groups, Options{})
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		wantRel(t, "chart of R", xbarR[0].Phases[0].Sigma, rangeSum/rangeWeight, 1e-9)
		wantRel(t, "capability by R", within(WithinRange), rangeSum/rangeWeight, 1e-9)
		wantRel(t, "chart of s", xbarS[0].Phases[0].Sigma, sdSum/sdWeight, 1e-9)
		wantRel(t, "capability by s", within(WithinSD), sdSum/sdWeight, 1e-9)
		wantRel(t, "pooled", within(WithinPooled), math.Sqrt(squares/df), 1e-9)
	})
}
