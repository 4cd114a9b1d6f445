package spc

import (
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// testdata/strd_anova_oneway.json: NIST StRD, certified values. Tolerances as the file gives them:
// data near 1e12 are rounded to 1.2e-4 before any routine sees them.
func TestOneWayStRD(t *testing.T) {
	var ref struct {
		Sets []struct {
			Name       string
			N, Groups  int
			Base       float64
			Replicates int
			Offsets    map[string][]string `json:"offsets_abc_by_treatment"`
			Data       [][]any
			Certified  struct {
				SSB string `json:"ss_between"`
				SSW string `json:"ss_within"`
				F   string
				R2  string `json:"r_squared"`
				SD  string `json:"residual_sd"`
			}
		}
	}
	readReference(t, "strd_anova_oneway.json", &ref)
	for _, s := range ref.Sets {
		groups := make([][]float64, s.Groups)
		for _, row := range s.Data {
			g := int(row[0].(float64)) - 1
			groups[g] = append(groups[g], certified(t, row[1].(string)))
		}
		for k, o := range s.Offsets {
			var i int
			fmt.Sscan(k, &i)
			a, b, c := s.Base+certified(t, o[0]), s.Base+certified(t, o[1]), s.Base+certified(t, o[2])
			groups[i-1] = append(groups[i-1], a)
			for range (s.Replicates - 1) / 2 {
				groups[i-1] = append(groups[i-1], b, c)
			}
		}
		got, err := AnalyseOneWay(groups)
		if err != nil {
			t.Fatal(err)
		}
		if got.N != s.N || got.Groups != s.Groups {
			t.Errorf("%s: %d values in %d groups, want %d in %d", s.Name, got.N, got.Groups, s.N, s.Groups)
		}
		rel := map[string]float64{"AtmWtAg": 1e-7, "SmLs04": 1e-9, "SmLs05": 1e-9, "SmLs06": 1e-9, "SmLs07": 1e-3, "SmLs08": 1e-3, "SmLs09": 1e-3}[s.Name]
		if rel == 0 {
			rel = 1e-10
		}
		wantRel(t, s.Name+" between", got.SSBetween, certified(t, s.Certified.SSB), rel)
		wantRel(t, s.Name+" within", got.SSWithin, certified(t, s.Certified.SSW), rel)
		wantRel(t, s.Name+" F", got.F, certified(t, s.Certified.F), rel)
		wantRel(t, s.Name+" R²", got.R2, certified(t, s.Certified.R2), rel)
		wantRel(t, s.Name+" sd", got.ResidualSD, certified(t, s.Certified.SD), rel)
	}
}

// piDigits returns the first n digits of π by Machin's formula, π/4 = 4·atan 1/5 − atan 1/239.
func piDigits(n int) string {
	one := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n+20)), nil)
	atan := func(inv int64) *big.Int {
		sum, term := new(big.Int), new(big.Int).Div(one, big.NewInt(inv))
		for k := int64(0); term.Sign() != 0; k++ {
			q := new(big.Int).Div(term, big.NewInt(2*k+1))
			if k%2 == 1 {
				q.Neg(q)
			}
			sum.Add(sum, q)
			term.Div(term, big.NewInt(inv*inv))
		}
		return sum
	}
	pi := new(big.Int).Mul(big.NewInt(4), atan(5))
	pi.Sub(pi, atan(239)).Mul(pi, big.NewInt(4))
	return pi.String()[:n]
}

// testdata/strd_univariate.json: NIST StRD, certified mean, standard deviation and lag-1
// autocorrelation, through the functions that use them.
func TestUnivariateStRD(t *testing.T) {
	var ref struct {
		Sets []struct {
			Name      string
			N         int
			Certified struct{ Mean, S, R1 string }
			Data      []string
		}
	}
	readReference(t, "strd_univariate.json", &ref)
	for _, s := range ref.Sets {
		var x []float64
		for _, v := range s.Data {
			x = append(x, certified(t, v))
		}
		base := map[string]float64{"NumAcc2": 1, "NumAcc3": 1000000, "NumAcc4": 10000000}[s.Name]
		switch {
		case base > 0:
			x = append(x, base+0.2)
			for range 500 {
				x = append(x, base+0.1, base+0.3)
			}
		case s.Name == "PiDigits": // as distributed, value 957 differs from π
			for i, d := range piDigits(5000) {
				if i == 956 {
					d = '3'
				}
				x = append(x, float64(d-'0'))
			}
		}
		if len(x) != s.N {
			t.Fatalf("%s: %d values, want %d", s.Name, len(x), s.N)
		}
		c, err := AssessCapability(Singles(x), AtMost(1e9), CapabilityOptions{})
		if err != nil {
			t.Fatal(err)
		}
		// The data of NumAcc3 and 4 are rounded before any routine sees them.
		rel := map[string]float64{"NumAcc3": 1e-9, "NumAcc4": 1e-8}[s.Name]
		if rel == 0 {
			rel = 1e-12
		}
		wantRel(t, s.Name+" mean", c.Mean, certified(t, s.Certified.Mean), 1e-14)
		wantRel(t, s.Name+" s", c.Overall.Sigma, certified(t, s.Certified.S), rel)
		if s.N >= 4 {
			r, _, err := Autocorrelation(x)
			if err != nil {
				t.Fatal(err)
			}
			wantRel(t, s.Name+" r1", r, certified(t, s.Certified.R1), math.Max(rel, 1e-11))
		}
	}
}

// testdata/nist_lithography_nested.json: line widths of 30 cassettes of 3 wafers of 5 sites,
// NIST/SEMATECH e-Handbook 6.6.1 (data published, results computed, R agrees); components 0.2645,
// 0.04997 and 0.1755 as printed there (from memory).
func TestNestedReference(t *testing.T) {
	var ref struct {
		Data  [][][]float64
		Anova struct {
			SS   struct{ Group, Subgroup, Within float64 }
			F    struct{ Group, Subgroup float64 }
			Var  struct{ Group, Subgroup, Within float64 } `json:"variance_components"`
			Pct  struct{ Group, Subgroup, Within float64 } `json:"share_pct"`
			Mean float64
		} `json:"nested_anova"`
	}
	readReference(t, "nist_lithography_nested.json", &ref)
	n, err := AnalyseNested(ref.Data)
	if err != nil {
		t.Fatal(err)
	}
	a := ref.Anova
	wantRel(t, "mean", n.Mean, a.Mean, 1e-9)
	wantRel(t, "SS cassette", n.SSGroup, a.SS.Group, 1e-9)
	wantRel(t, "SS wafer", n.SSSubgroup, a.SS.Subgroup, 1e-9)
	wantRel(t, "SS site", n.SSWithin, a.SS.Within, 1e-9)
	wantRel(t, "F cassette", n.FGroup, a.F.Group, 1e-9)
	wantRel(t, "F wafer", n.FSubgroup, a.F.Subgroup, 1e-9)
	wantRel(t, "cassette", n.VarGroup, a.Var.Group, 1e-9)
	wantRel(t, "wafer", n.VarSubgroup, a.Var.Subgroup, 1e-9)
	wantRel(t, "site", n.VarWithin, a.Var.Within, 1e-9)
	wantRel(t, "share", n.ShareGroup, a.Pct.Group/100, 1e-9)
	wantAbs(t, "cassette as printed", n.VarGroup, 0.2645, 5e-5)
	wantAbs(t, "wafer as printed", n.VarSubgroup, 0.04997, 5e-6)
	wantAbs(t, "site as printed", n.VarWithin, 0.1755, 5e-5)
}

// With sizes that differ the components must still be right on average.
func TestNestedUnbalanced(t *testing.T) {
	rng := rand.New(rand.NewPCG(23, 24))
	var g, s, w float64
	const runs = 600
	for range runs {
		var data [][][]float64
		for i := range 8 {
			a := 2 * rng.NormFloat64()
			var group [][]float64
			for j := range 2 + i%3 {
				b := rng.NormFloat64()
				v := make([]float64, 1+(i+j)%4)
				for k := range v {
					v[k] = a + b + 0.5*rng.NormFloat64()
				}
				group = append(group, v)
			}
			data = append(data, group)
		}
		n, err := AnalyseNested(data)
		if err != nil {
			t.Fatal(err)
		}
		g, s, w = g+n.VarGroup/runs, s+n.VarSubgroup/runs, w+n.VarWithin/runs
	}
	// Four standard errors: a component from 7 degrees of freedom strays by 0.6 of itself.
	wantAbs(t, "group", g, 4, 0.45)
	wantAbs(t, "subgroup", s, 1, 0.1)
	wantAbs(t, "within", w, 0.25, 0.02)
}

func TestOneWayProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(2, 6).Draw(t, "groups")
		g, h := make([][]float64, k), make([][]float64, k)
		scale := rapid.Float64Range(0.1, 10).Draw(t, "scale")
		for i := range g {
			g[i] = rapid.SliceOfN(rapid.Float64Range(-5, 5), 2, 8).Draw(t, "values")
			g[i][0] += 11
			for j := range g[i] {
				h[k-1-i] = append(h[k-1-i], 3+scale*g[i][len(g[i])-1-j])
			}
		}
		a, err := AnalyseOneWay(g)
		if err != nil {
			t.Fatal(err)
		}
		b, err := AnalyseOneWay(h)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(a.F-b.F) > 1e-8*(1+a.F) || math.Abs(a.Omega2-b.Omega2) > 1e-8 {
			t.Errorf("F %v became %v by order and unit", a.F, b.F)
		}
	})
}

// Nozzle 3 is off by one sigma; heads carry nozzles, so the head follows it; the shift does nothing.
func TestRankFactors(t *testing.T) {
	rng := rand.New(rand.NewPCG(25, 26))
	var values []float64
	nozzle, head, shift, lot := Factor{Name: "nozzle"}, Factor{Name: "head"}, Factor{Name: "shift"}, Factor{Name: "tray"}
	for i := range 240 {
		n := rng.IntN(4)
		v := rng.NormFloat64()
		if n == 3 {
			v += 1.2
		}
		values = append(values, v)
		nozzle.Levels = append(nozzle.Levels, fmt.Sprint("n", n))
		head.Levels = append(head.Levels, fmt.Sprint("h", n/2))
		shift.Levels = append(shift.Levels, fmt.Sprint("s", i%3))
		lot.Levels = append(lot.Levels, fmt.Sprint("t", i%5))
	}
	r, err := RankFactors(values, []Factor{shift, head, nozzle, lot}, FactorOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if r[0].Name != "nozzle" || !r[0].Claimed || r[0].BeyondP > 1e-4 || r[0].BeyondDF != 2 {
		t.Errorf("first %+v", r[0])
	}
	if r[1].Name != "head" || !r[1].Claimed || r[1].BeyondDF != 0 || r[1].Remark == "" {
		t.Errorf("second %+v", r[1])
	}
	for _, e := range r[2:] {
		if e.Claimed {
			t.Errorf("%s claimed with q = %v", e.Name, e.Q)
		}
	}
	if l := r[0].Levels[3]; l.Level != "n3" || l.Low < r[0].Levels[0].High {
		t.Errorf("level %+v", l)
	}
	// By itself, what a factor explains beyond no other is what it explains alone.
	one, err := RankFactors(values, []Factor{nozzle}, FactorOptions{})
	if err != nil {
		t.Fatal(err)
	}
	wantRel(t, "F beyond", one[0].BeyondF, one[0].Alone.F, 1e-9)
	wantRel(t, "p beyond", one[0].BeyondP, one[0].Alone.P, 1e-6)
}

// In a balanced crossed design nothing is shared: each factor takes beyond the others what it takes
// alone.
func TestRankFactorsBalanced(t *testing.T) {
	rng := rand.New(rand.NewPCG(35, 36))
	var values []float64
	a, b := Factor{Name: "head"}, Factor{Name: "position"}
	for i := range 60 {
		a.Levels = append(a.Levels, fmt.Sprint(i%3))
		b.Levels = append(b.Levels, fmt.Sprint(i/3%4))
		values = append(values, 1e6+rng.NormFloat64()+float64(i%3))
	}
	r, err := RankFactors(values, []Factor{a, b}, FactorOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range r {
		wantRel(t, e.Name, e.BeyondSS, e.Alone.SSBetween, 1e-9)
		if e.BeyondDF != e.Alone.DFBetween {
			t.Errorf("%s: %d degrees of freedom beyond, %d alone", e.Name, e.BeyondDF, e.Alone.DFBetween)
		}
	}
}

// Factors that do nothing must be claimed in at most the share of runs that the level allows.
func TestRankFactorsLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(27, 28))
	claims := 0
	const runs = 400
	for range runs {
		values := make([]float64, 40)
		factors := make([]Factor, 5)
		for k := range factors {
			factors[k].Name = fmt.Sprint("f", k)
			for range values {
				factors[k].Levels = append(factors[k].Levels, fmt.Sprint(rng.IntN(3)))
			}
		}
		for i := range values {
			values[i] = rng.NormFloat64()
		}
		r, err := RankFactors(values, factors, FactorOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range r {
			if e.Claimed {
				claims++
				break
			}
		}
	}
	// Four standard errors of 0.05 among 400: 0.044.
	if share := float64(claims) / runs; share > 0.05+0.044 {
		t.Errorf("false claims in %.1f %% of runs", 100*share)
	}
}

func TestVarianceErrors(t *testing.T) {
	v := []float64{1, 2, 3, 4}
	for _, c := range []struct {
		name string
		do   func() error
		want string
	}{
		{"one group", func() error { _, err := AnalyseOneWay([][]float64{v}); return err }, "at least 2 groups"},
		{"empty group", func() error { _, err := AnalyseOneWay([][]float64{v, {}}); return err }, "subgroup 2 of 2 is empty"},
		{"no replication", func() error { _, err := AnalyseOneWay([][]float64{{1}, {2}, {3}}); return err }, "every group holds one value"},
		{"alike", func() error { _, err := AnalyseOneWay([][]float64{{1, 1}, {1, 1}}); return err }, "all 4 values equal 1"},
		{"NaN", func() error { _, err := AnalyseOneWay([][]float64{v, {1, math.NaN()}}); return err }, "subgroup 2: value 2 of 2 is NaN"},
		{"nested one", func() error { _, err := AnalyseNested([][][]float64{{v}}); return err }, "at least 2 groups"},
		{"nested flat", func() error { _, err := AnalyseNested([][][]float64{{v}, {v}}); return err }, "more subgroups than groups"},
		{"nested NaN", func() error {
			_, err := AnalyseNested([][][]float64{{v, v}, {v, {math.NaN()}}})
			return err
		}, "group 2: subgroup 2: value 1 of 1 is NaN"},
		{"nested alike", func() error {
			_, err := AnalyseNested([][][]float64{{{1, 1}, {1, 1}}, {{1, 1}, {1, 1}}})
			return err
		}, "all 8 values equal 1"},
		{"no factors", func() error { _, err := RankFactors(v, nil, FactorOptions{}); return err }, "none given"},
		{"levels", func() error {
			_, err := RankFactors(v, []Factor{{"head", []string{"a"}}}, FactorOptions{})
			return err
		}, `factor "head": 1 levels for 4 values`},
		{"one level", func() error {
			_, err := RankFactors(v, []Factor{{"head", []string{"a", "a", "a", "a"}}}, FactorOptions{})
			return err
		}, `factor "head"`},
	} {
		if err := c.do(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got error %v, want one that says %q", c.name, err, c.want)
		}
	}
}
