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

// testdata/false_discovery_rate.json: the 15 p values and 4 rejections of Benjamini & Hochberg
// (1995), published; adjusted values computed with numpy, checked with R.
func TestAdjustPReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			P      []float64
			Alpha  float64
			Result struct {
				BH      []float64 `json:"benjamini_hochberg"`
				BY      []float64 `json:"benjamini_yekutieli"`
				Holm    []float64
				Hoch    []float64 `json:"hochberg"`
				Bonf    []float64 `json:"bonferroni"`
				RejBH   []int     `json:"rejected_bh"`
				RejBY   []int     `json:"rejected_by"`
				RejHolm []int     `json:"rejected_holm"`
				RejBonf []int     `json:"rejected_bonferroni"`
			}
		}
	}
	readReference(t, "false_discovery_rate.json", &ref)
	for _, c := range ref.Cases {
		for _, v := range []struct {
			c        Correction
			want     []float64
			rejected []int
		}{
			{BenjaminiHochberg, c.Result.BH, c.Result.RejBH}, {BenjaminiYekutieli, c.Result.BY, c.Result.RejBY},
			{Holm, c.Result.Holm, c.Result.RejHolm}, {Hochberg, c.Result.Hoch, nil}, {Bonferroni, c.Result.Bonf, c.Result.RejBonf},
		} {
			got, err := AdjustP(c.P, v.c)
			if err != nil {
				t.Fatal(err)
			}
			var rejected []int
			for i := range got {
				wantRel(t, fmt.Sprintf("correction %d", v.c), got[i], v.want[i], 1e-9)
				if got[i] <= c.Alpha {
					rejected = append(rejected, i+1)
				}
			}
			if v.rejected != nil && !slices.Equal(rejected, v.rejected) {
				t.Errorf("%v rejects %v, want %v", v.c, rejected, v.rejected)
			}
		}
	}
}

// Whatever the values: never below the raw one, in the same order, Holm between Hochberg and
// Bonferroni, and the order of the tests doesn't matter.
func TestAdjustPProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SliceOfN(rapid.Float64Range(0, 1), 1, 40).Draw(t, "p")
		q := map[Correction][]float64{}
		for c := BenjaminiHochberg; c <= Bonferroni; c++ {
			var err error
			if q[c], err = AdjustP(p, c); err != nil {
				t.Fatal(err)
			}
			turned := slices.Clone(p)
			slices.Reverse(turned)
			back, err := AdjustP(turned, c)
			if err != nil {
				t.Fatal(err)
			}
			slices.Reverse(back)
			for i := range p {
				if q[c][i] < p[i] || q[c][i] > 1 {
					t.Errorf("%v: %v became %v", c, p[i], q[c][i])
				}
				if back[i] != q[c][i] {
					t.Errorf("%v: order changed %v to %v", c, q[c][i], back[i])
				}
				for j := range p {
					if p[i] < p[j] && q[c][i] > q[c][j] {
						t.Errorf("%v turned the order of %v and %v", c, p[i], p[j])
					}
				}
			}
		}
		for i := range p {
			if !(q[BenjaminiHochberg][i] <= q[Hochberg][i] && q[Hochberg][i] <= q[Holm][i] && q[Holm][i] <= q[Bonferroni][i]) {
				t.Errorf("out of order at %d: %v", i, q)
			}
		}
	})
}

// An array of a thousand sites over eight samples: one bad hole is found, chance alone is left.
func TestRepeatedSites(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	counts := make([]SiteCount, 1000)
	for i := range counts {
		counts[i].Looked = 8
		for range 8 {
			if rng.Float64() < 0.002 {
				counts[i].Failed++
			}
		}
	}
	counts[613].Failed = 6
	r, err := RepeatedSites(counts, SiteOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if r.Tested != 1000 || r.Sites[0].Site != 613 || !r.Sites[0].Repeated || r.Sites[1].Repeated {
		t.Errorf("got %+v", r.Sites[:2])
	}
	// P(X ≥ 6) of 8 by hand: 28p⁶(1−p)² + 8p⁷(1−p) + p⁸.
	p := r.Rate
	wantRel(t, "p", r.Sites[0].P, 28*math.Pow(p, 6)*(1-p)*(1-p)+8*math.Pow(p, 7)*(1-p)+math.Pow(p, 8), 1e-10)
	wantRel(t, "q", r.Sites[0].Q, 1000*r.Sites[0].P, 1e-12)

	// Without a bad site, claims are rare: a false one in at most 5 % of arrays (BH with no true
	// finding controls exactly that). 300 arrays: four standard errors 0.05.
	claims := 0
	for range 300 {
		for i := range counts {
			counts[i] = SiteCount{Looked: 40}
			for range 40 {
				if rng.Float64() < 0.02 {
					counts[i].Failed++
				}
			}
		}
		r, err := RepeatedSites(counts[:200], SiteOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if len(r.Sites) > 0 && r.Sites[0].Repeated {
			claims++
		}
	}
	if share := float64(claims) / 300; share > 0.05+0.05 {
		t.Errorf("false claims in %.0f %% of arrays", 100*share)
	}
}

func TestMultipleErrors(t *testing.T) {
	for _, c := range []struct {
		name string
		do   func() error
		want string
	}{
		{"NaN", func() error { _, err := AdjustP([]float64{0.1, math.NaN()}, Holm); return err }, "value 2 of 2 is NaN"},
		{"above one", func() error { _, err := AdjustP([]float64{1.1}, Holm); return err }, "value 1 of 1 is 1.1"},
		{"correction", func() error { _, err := AdjustP([]float64{0.1}, 9); return err }, "no correction number 9"},
		{"not looked at", func() error { _, err := RepeatedSites(make([]SiteCount, 3), SiteOptions{}); return err }, "none of 3 sites"},
		{"count", func() error { _, err := RepeatedSites([]SiteCount{{1, 2}, {3, 2}}, SiteOptions{}); return err }, "site 2 failed 3 times in 2"},
		{"rate", func() error { _, err := RepeatedSites([]SiteCount{{1, 2}}, SiteOptions{Rate: 2}); return err }, "rate"},
		{"level", func() error { _, err := RepeatedSites([]SiteCount{{1, 2}}, SiteOptions{Level: 5}); return err }, "level"},
	} {
		if err := c.do(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got error %v, want one that says %q", c.name, err, c.want)
		}
	}
	if q, err := AdjustP(nil, Holm); err != nil || len(q) != 0 {
		t.Errorf("no tests: %v, %v", q, err)
	}
}
