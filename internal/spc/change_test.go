package spc

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// testdata/change_point.json: the Nile at Aswan 1871–1970 (Cobb 1978), break after 1898 (28),
// interval 25 to 32, and constructed series; computed with numpy, the Nile also with R strucchange.
func TestBreakReference(t *testing.T) {
	var ref struct {
		R struct {
			CI []int `json:"ci95_index"`
		} `json:"r_strucchange"`
		Cases []struct {
			Data   []float64
			Result struct {
				None       float64 `json:"rss_no_break"`
				After      int     `json:"break_after_index"`
				One        float64 `json:"rss_one_break"`
				MeanBefore float64 `json:"mean_before"`
				MeanAfter  float64 `json:"mean_after"`
				SDBefore   float64 `json:"sd_before"`
				SDAfter    float64 `json:"sd_after"`
				F          float64 `json:"F_at_break"`
				SupF       float64
				SupFAfter  int     `json:"supF_after_index"`
				Cusum      float64 `json:"cusum_of_deviations_max_abs"`
				CusumAfter int     `json:"cusum_extreme_after_index"`
				K          float64 `json:"pettitt_K"`
				KAfter     int     `json:"pettitt_after_index"`
				KP         float64 `json:"pettitt_p_approx"`
			}
		}
	}
	readReference(t, "change_point.json", &ref)
	for i, c := range ref.Cases {
		rng := rand.New(rand.NewPCG(17, 18))
		b, err := FindBreak(c.Data, BreakOptions{}, rng)
		if err != nil {
			t.Fatal(err)
		}
		r := c.Result
		if b.After != r.After || b.SupFAfter != r.SupFAfter {
			t.Errorf("case %d: break after %d and %d, want %d and %d", i, b.After, b.SupFAfter, r.After, r.SupFAfter)
		}
		wantRel(t, "sum of squares", b.RSSNone, r.None, 1e-9)
		wantRel(t, "with break", b.RSSBreak, r.One, 1e-9)
		wantRel(t, "mean before", b.MeanBefore, r.MeanBefore, 1e-9)
		wantRel(t, "mean after", b.MeanAfter, r.MeanAfter, 1e-9)
		wantRel(t, "sd before", b.SDBefore, r.SDBefore, 1e-9)
		wantRel(t, "sd after", b.SDAfter, r.SDAfter, 1e-9)
		wantRel(t, "F", b.F, r.F, 1e-9)
		wantRel(t, "supF", b.SupF, r.SupF, 1e-9)
		p, err := PettittTest(c.Data)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "Pettitt K", p.K, r.K, 1e-9)
		wantRel(t, "Pettitt p", p.P, r.KP, 1e-9)
		if p.After != r.KAfter {
			t.Errorf("case %d: Pettitt after %d, want %d", i, p.After, r.KAfter)
		}
		if i == 0 && (b.Low != ref.R.CI[0] || b.High != ref.R.CI[1] || b.P != 0.001) {
			t.Errorf("Nile: interval %d to %d, p %v, want %v and 0.001", b.Low, b.High, b.P, ref.R.CI)
		}
	}
}

// The argmax of a two-sided Brownian motion with drift: the 97.5 % point 11.03 and the 95 % point
// 7.69 (Yao 1987, Ann. Statist. 15, 1321–1328; Bai 1997 prints 11 and 7; from memory). By symmetry
// half the mass lies on either side; with unequal variances both sides still make one.
func TestArgmaxLaw(t *testing.T) {
	wantAbs(t, "half", argmaxTail(0, 1), 0.5, 1e-9)
	wantAbs(t, "97.5 %", argmaxQuantile(0.025, 1), 11.03, 0.01)
	wantAbs(t, "95 %", argmaxQuantile(0.05, 1), 7.69, 0.01)
	for _, ratio := range []float64{0.05, 0.5, 3, 40} {
		wantAbs(t, "both sides", argmaxTail(0, ratio)+argmaxTail(0, 1/ratio), 1, 1e-8)
	}
}

// The interval must hold the true break about as often as stated.
func TestBreakCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(19, 20))
	const runs, n, after = 400, 60, 25
	held, found := 0, 0
	for range runs {
		x := make([]float64, n)
		for i := range x {
			x[i] = rng.NormFloat64()
			if i >= after {
				x[i] += 1.5
			}
		}
		b, err := FindBreak(x, BreakOptions{Confidence: 0.9, Permutations: 19}, rng)
		if err != nil {
			t.Fatal(err)
		}
		if b.Low <= after && after <= b.High {
			held++
		}
		if b.P <= 0.05 {
			found++
		}
	}
	// Four standard errors of 0.9 among 400: 0.06; the limit law errs on the short side where the
	// shift is of the order of the noise, rounding to whole values on the long side.
	wantAbs(t, "interval holds the break", float64(held)/runs, 0.93, 0.06)
	if found < runs*95/100 {
		t.Errorf("a shift of 1.5 sigma was found in %d of %d", found, runs)
	}
}

func TestBreakProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-5, 5), 6, 60).Draw(t, "x")
		x[0], x[1] = -6, 7
		scale := rapid.Float64Range(0.1, 10).Draw(t, "scale")
		shift := rapid.Float64Range(-100, 100).Draw(t, "shift")
		y := make([]float64, len(x))
		for i := range x {
			y[i] = x[i]*scale + shift
		}
		turned := slices.Clone(x)
		slices.Reverse(turned)
		find := func(v []float64) Break {
			b, err := FindBreak(v, BreakOptions{Permutations: 9}, rand.New(rand.NewPCG(1, 2)))
			if err != nil {
				t.Fatal(err)
			}
			return b
		}
		a, b, c := find(x), find(y), find(turned)
		if math.Abs(a.F-b.F) > 1e-6*(1+a.F) || math.Abs(a.F-c.F) > 1e-6*(1+a.F) {
			t.Errorf("F %v became %v in another unit, %v in reverse", a.F, b.F, c.F)
		}
		if a.Low > a.After || a.High < a.After || a.Low < 1 || a.High > len(x)-1 {
			t.Errorf("interval %d to %d of %d", a.Low, a.High, a.After)
		}
	})
}

func TestChangeErrors(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	for _, c := range []struct {
		name string
		do   func() error
		want string
	}{
		{"few", func() error { _, err := FindBreak([]float64{1, 2, 3}, BreakOptions{}, rng); return err }, "at least 4"},
		{"alike", func() error { _, err := FindBreak([]float64{1, 1, 1, 1}, BreakOptions{}, rng); return err }, "all 4 values equal 1"},
		{"NaN", func() error { _, err := FindBreak([]float64{1, 1, math.NaN(), 1}, BreakOptions{}, rng); return err }, "value 3 of 4 is NaN"},
		{"trim", func() error { _, err := FindBreak([]float64{1, 2, 1, 1}, BreakOptions{Trim: 0.6}, rng); return err }, "trim"},
		{"Pettitt", func() error { _, err := PettittTest([]float64{1}); return err }, "at least 3"},
		{"line", func() error { _, err := FitLine([]float64{1, 2, 3}, []float64{1, 2}, 0); return err }, "3 values of x but 2 of y"},
		{"line few", func() error { _, err := FitLine([]float64{1, 2}, []float64{1, 2}, 0); return err }, "at least 3"},
		{"line x", func() error { _, err := FitLine([]float64{2, 2, 2}, []float64{1, 2, 3}, 0); return err }, "all 3 x equal 2"},
		{"trend x", func() error { _, err := FitRankTrend([]float64{2, 2, 2}, []float64{1, 2, 3}, 0); return err }, "all 3 x equal 2"},
		{"trend y", func() error {
			_, err := FitRankTrend([]float64{1, 2, 3}, []float64{1, math.Inf(1), 3}, 0)
			return err
		}, "y: value 2 of 3 is +Inf"},
		{"trend many", func() error { _, err := FitRankTrend(make([]float64, 6000), make([]float64, 6000), 0); return err }, "at most 5000"},
	} {
		if err := c.do(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got error %v, want one that says %q", c.name, err, c.want)
		}
	}
	b, err := FindBreak([]float64{1, 1, 1, 4, 4, 4, 4}, BreakOptions{}, rng)
	if err != nil || b.After != 3 || b.Low != 3 || b.High != 3 {
		t.Errorf("a clean step: %+v, %v", b, err)
	}
}
