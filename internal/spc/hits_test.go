package spc

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// testRand gives a source of random numbers that a seed written in the test fixes.
func testRand(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 0)) }

// unitChart charts z with centre 0, sigma 1 and limits at ±3.
func unitChart(z []float64, rules ...Rule) *Chart {
	c := &Chart{Rules: rules, Phases: []PhaseLimits{{From: 0, To: len(z)}}}
	for i, v := range z {
		c.Points = append(c.Points, Point{Value: v, Limits: Limits{0, -3, 3, 1}, Index: i, Size: 1})
	}
	c.findHits()
	return c
}

// Nelson (1984), J. Qual. Technol. 16, 237–239, and Western Electric (1956): 34 sequences built
// from the published definitions, 30 of them checked by hand.
func TestRulesReference(t *testing.T) {
	var ref struct {
		Sequences []struct {
			Name  string
			Z     []float64
			Fires map[string][]int
		}
	}
	readReference(t, "run_rules.json", &ref)
	names := map[string]Rule{"N1": Nelson1, "N2": Nelson2, "N3": Nelson3, "N4": Nelson4, "N5": Nelson5,
		"N6": Nelson6, "N7": Nelson7, "N8": Nelson8, "WE4_run8": Western4}
	if len(ref.Sequences) != 34 {
		t.Fatalf("%d sequences", len(ref.Sequences))
	}
	for _, s := range ref.Sequences {
		for name, want := range s.Fires {
			var got []int
			for _, h := range unitChart(s.Z, names[name]).Hits {
				got = append(got, h.At+1)
			}
			if !slices.Equal(got, want) {
				t.Errorf("%s, %s: got %v want %v", s.Name, name, got, want)
			}
		}
	}
}

func TestWesternAliases(t *testing.T) {
	rng := testRand(1)
	z := make([]float64, 5000)
	for i := range z {
		z[i] = 1.3 * rng.NormFloat64()
	}
	for western, nelson := range map[Rule]Rule{Western1: Nelson1, Western2: Nelson5, Western3: Nelson6} {
		a, b := unitChart(z, western), unitChart(z, nelson)
		if len(a.Hits) == 0 || !slices.Equal(a.OutOfControl(), b.OutOfControl()) {
			t.Errorf("%v and %v differ", western, nelson)
		}
	}
}

// Every rule has a name, a definition and a meaning of its own; others say that they are unknown.
func TestRuleTexts(t *testing.T) {
	names := map[string]bool{}
	for r := Nelson1; r <= Western4; r++ {
		if names[r.String()] || strings.Contains(r.String(), "unknown") || strings.Contains(r.Text(), "unknown") || r.Meaning() == "" {
			t.Errorf("rule %d: %q, %q, %q", uint8(r), r, r.Text(), r.Meaning())
		}
		names[r.String()] = true
	}
	if got := Rule(40).String(); got != "rule 40 (unknown)" {
		t.Errorf("got %q", got)
	}
}

func TestHitPointsAndText(t *testing.T) {
	for _, c := range []struct {
		rule   Rule
		z      []float64
		points []int
		text   string
	}{
		{Nelson1, []float64{0, -3.5}, []int{1}, "Nelson 1 at point 2: one point beyond a control limit (below); "},
		{Nelson5, []float64{2.5, 0, 2.2}, []int{0, 2}, "Nelson 5 at points 1 and 3: two out of three"},
		{Western3, []float64{9, -1.5, -1.5, 0, -2, -1.1}, []int{1, 2, 4, 5}, "Western Electric 3 at points 2, 3, 5 and 6: four out of five points in a row beyond 1 sigma on one side (below); "},
		{Nelson3, []float64{5, -2, -1, 0, 1, 2, 3}, []int{1, 2, 3, 4, 5, 6}, "Nelson 3 at points 2 to 7: six points in a row steadily rising or falling (rising); "},
		{Nelson4, []float64{1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0}, []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13}, "Nelson 4 at points 1 to 14: fourteen"},
	} {
		chart := unitChart(c.z, c.rule)
		if len(chart.Hits) != 1 {
			t.Errorf("%v: %d hits", c.rule, len(chart.Hits))
			continue
		}
		h := chart.Hits[0]
		if got := h.Points(); !slices.Equal(got, c.points) {
			t.Errorf("%v: points %v want %v", c.rule, got, c.points)
		}
		if got := chart.Explain(h); !strings.HasPrefix(got, c.text) || strings.HasSuffix(got, "; ") {
			t.Errorf("%v: text %q want %q…", c.rule, got, c.text)
		}
	}
}

// Runs must not reach over the start of a phase.
func TestRulesRestartWithPhase(t *testing.T) {
	z := make([]float64, 16)
	for i := range z {
		z[i] = 0.5 + 0.01*float64(i%3)
	}
	c := &Chart{Rules: []Rule{Western4}, Phases: []PhaseLimits{{From: 0, To: 5}, {From: 5, To: 16}}}
	for _, v := range z {
		c.Points = append(c.Points, Point{Value: v, Limits: Limits{0, -3, 3, 1}})
	}
	c.findHits()
	if got, want := c.OutOfControl(), []int{12, 13, 14, 15}; !slices.Equal(got, want) {
		t.Errorf("got %v want %v", got, want)
	}
}

// Turning the chart upside down turns the sides; scaling all lines with the points changes nothing.
func TestRulesSymmetric(t *testing.T) {
	all, _ := ParseRules("nelson western")
	rapid.Check(t, func(t *rapid.T) {
		z := rapid.SliceOfN(rapid.Float64Range(-4, 4), 0, 60).Draw(t, "z")
		scale := math.Ldexp(1, rapid.IntRange(-8, 8).Draw(t, "log2 scale"))
		up := unitChart(z, all...)
		down := &Chart{Rules: all, Phases: up.Phases}
		for _, v := range z {
			down.Points = append(down.Points, Point{Value: -v * scale, Limits: Limits{0, -3 * scale, 3 * scale, scale}})
		}
		down.findHits()
		key := func(h Hit, sign int) [4]int { return [4]int{h.At, int(h.Rule), sign * h.Side, int(h.members)} }
		var a, b [][4]int
		for _, h := range up.Hits {
			a = append(a, key(h, 1))
		}
		for _, h := range down.Hits {
			b = append(b, key(h, -1))
		}
		if !slices.Equal(a, b) {
			t.Errorf("hits differ: %v and %v", a, b)
		}
	})
}

// Whatever is typed gives rules that exist, each once, or an error.
func FuzzParseRules(f *testing.F) {
	for _, s := range []string{"nelson", "western:1-4", "nelson:1,2;none", "nelson:5-8-9", ":", "nelson:٣"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		rules, err := ParseRules(s)
		if err != nil {
			return
		}
		if err := knownRules(rules); err != nil {
			t.Error(err)
		}
		for i, r := range rules {
			if slices.Contains(rules[:i], r) {
				t.Errorf("%q: %v twice", s, r)
			}
		}
	})
}

func TestParseRules(t *testing.T) {
	for _, c := range []struct {
		in   string
		want []Rule
		bad  string
	}{
		{"nelson:1,2,5-8", []Rule{Nelson1, Nelson2, Nelson5, Nelson6, Nelson7, Nelson8}, ""},
		{"western", []Rule{Western1, Western2, Western3, Western4}, ""},
		{"nelson:3 western:4", []Rule{Nelson3, Western4}, ""},
		{"Nelson:1;western:1,1", []Rule{Nelson1, Western1}, ""},
		{"none", []Rule{}, ""},
		{"", []Rule{}, ""},
		{"nelson:9", nil, `nelson has no test "9", want numbers from 1 to 8`},
		{"western:0", nil, `western has no test "0"`},
		{"nelson:4-2", nil, `no test "4-2"`},
		{"nelson:", nil, `no test ""`},
		{"shewhart:1", nil, `no set "shewhart"`},
	} {
		got, err := ParseRules(c.in)
		if c.bad != "" {
			if err == nil || !strings.Contains(err.Error(), c.bad) {
				t.Errorf("%q: error %v, want %q", c.in, err, c.bad)
			}
			continue
		}
		if err != nil || got == nil || !slices.Equal(got, c.want) {
			t.Errorf("%q: got %v, %v", c.in, got, err)
		}
	}
}
