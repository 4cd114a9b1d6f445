package spc

import (
	"math"
	"strings"
	"testing"
)

// rulesByName reads the names of the reference tables.
func rulesByName(s string) []Rule {
	names := map[string]Rule{"beyond3": Nelson1, "2of3_beyond2": Nelson5, "4of5_beyond1": Nelson6, "run8_side": Western4,
		"run9_side": Nelson2, "15_within1": Nelson7, "8_outside1": Nelson8}
	var out []Rule
	for _, n := range strings.Split(s, "+") {
		if r, known := names[n]; known {
			out = append(out, r)
		}
	}
	return out
}

func exactRunLength(t testing.TB, s Shewhart, shift float64) float64 {
	t.Helper()
	r, err := s.RunLength(shift, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	if r.SE != 0 {
		t.Fatalf("%v: want an exact run length", s.Rules)
	}
	return r.Mean
}

// Exact run lengths of 16 rule sets at 9 shifts, computed by an independent Markov chain (scipy,
// 10 digits).
func TestRulesRunLengthComputed(t *testing.T) {
	n := 0
	for _, row := range tableRows(t, "arl_rules_exact.csv") {
		rules := rulesByName(row["rules"])
		if rules == nil {
			continue // trend and alternation, below
		}
		n++
		shift := number(t, row["shift_sigma"])
		wantRel(t, row["rules"]+" at "+row["shift_sigma"], exactRunLength(t, Shewhart{Rules: rules}, shift), number(t, row["arl"]), 1e-9)
	}
	if n != 144 {
		t.Errorf("%d rows", n)
	}
}

// Champ & Woodall (1987), Technometrics 29, Table 1: 91.75 as cited by NIST/SEMATECH e-Handbook
// 6.3.2, which also gives about 371 without rules; the other eight figures from memory of the table.
func TestRulesRunLengthPublished(t *testing.T) {
	for _, row := range tableRows(t, "arl_rules_published.csv") {
		got := exactRunLength(t, Shewhart{Rules: rulesByName(row["rules"])}, number(t, row["shift_sigma"]))
		allowed := number(t, row["printed_unit"]) / 2 * (1 + 1e-9)
		if row["printed"] == "371" { // the handbook says approximately, and rounds up
			allowed = 1
		}
		wantAbs(t, row["rules"], got, number(t, row["printed"]), allowed)
	}
}

// Simulated with 10 to 30 million runs by another program; ours with fewer. Both errors count.
func TestRulesRunLengthSimulated(t *testing.T) {
	for _, row := range tableRows(t, "arl_rules_simulated.csv") {
		var rules []Rule
		for _, n := range strings.Split(row["nelson_tests"], "+") {
			rules = append(rules, Rule(number(t, n)))
		}
		shift, want, wantSE := number(t, row["shift_sigma"]), number(t, row["arl_simulated"]), number(t, row["standard_error"])
		s := Shewhart{Rules: rules}
		if !s.comparesValues() {
			if got := exactRunLength(t, s, shift); math.Abs(got-want) > 4*wantSE {
				t.Errorf("%s: exact %.6g, simulated %g ± %g", row["nelson_tests"], got, want, wantSE)
			}
			continue
		}
		got, err := s.RunLength(shift, testRand(31), 3000)
		if err != nil {
			t.Fatal(err)
		}
		if got.SE == 0 || math.Abs(got.Mean-want) > 4*math.Hypot(got.SE, wantSE) {
			t.Errorf("%s at %g: %v, want %g ± %g", row["nelson_tests"], shift, got, want, wantSE)
		}
	}
}

// Nelson 3 and 4 alone depend on neither shift nor law: 421.598626 and 601.007804 from integral
// equations (computed).
func TestTrendRunLength(t *testing.T) {
	for rule, want := range map[Rule]float64{Nelson3: 421.598626, Nelson4: 601.007804} {
		got, err := Shewhart{Rules: []Rule{rule}}.RunLength(1.3, testRand(32), 5000)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.Mean-want) > 4*got.SE || got.SE > want/50 {
			t.Errorf("%v: %v want %g", rule, got, want)
		}
	}
}

// The simulation agrees with the chain, whatever the rules and the width of the limits.
func TestSimulationMeetsChain(t *testing.T) {
	rng := testRand(33)
	for _, c := range []struct {
		s     Shewhart
		shift float64
	}{
		{Shewhart{Width: 2}, 0},
		{Shewhart{Rules: []Rule{Western1, Western2, Western3, Western4}}, 0},
		{Shewhart{Rules: []Rule{Western1, Western2, Western3, Western4}}, -0.7},
		{Shewhart{Rules: []Rule{Nelson1, Nelson2, Nelson5, Nelson6, Nelson7, Nelson8}}, 0.3},
		{Shewhart{Rules: []Rule{Nelson1, Nelson5}, Width: 2.5}, 0.5},
		{Shewhart{Rules: []Rule{Nelson1, Nelson6}, Width: 1.7}, 0},
	} {
		exact := exactRunLength(t, c.s, c.shift)
		filled, err := c.s.filled()
		if err != nil {
			t.Fatal(err)
		}
		p := Point{Limits: symmetric(0, 1, filled.Width)}
		sim, err := filled.simulated(rng, 10000, func() Point {
			p.Value = c.shift + rng.NormFloat64()
			return p
		})
		if err != nil || math.Abs(sim.Mean-exact) > 4*sim.SE {
			t.Errorf("%v width %g shift %g: exact %.5g, simulated %v %v", c.s.Rules, filled.Width, c.shift, exact, sim, err)
		}
	}
}

// A chart of data from the same law fires as often as the run length says: for rule 1 the share of
// points beyond the limits is 1/ARL.
func TestChartMeetsRunLength(t *testing.T) {
	rng := testRand(34)
	const n = 400_000
	x := make([]float64, n)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	charts, err := Individuals(x, stated(0, 1))
	c := mustCharts(t, charts, err)
	p := 1 / exactRunLength(t, Shewhart{}, 0)
	if got := float64(len(c[0].Hits)) / n; math.Abs(got-p) > 4*math.Sqrt(p/n) {
		t.Errorf("false alarms %.6f want %.6f", got, p)
	}
	if got := Shewhart.Miss(Shewhart{}, 0); math.Abs(got-(1-p)) > 1e-15 {
		t.Errorf("miss %v", got)
	}
}

func TestRunLengthString(t *testing.T) {
	for _, c := range []struct {
		r    RunLength
		want string
	}{
		{RunLength{Mean: 91.75077}, "91.75 points"},
		{RunLength{Mean: 73.49, SE: 0.216}, "73.49 ± 0.22 points (simulated, one standard error)"},
	} {
		if got := c.r.String(); got != c.want {
			t.Errorf("got %q want %q", got, c.want)
		}
	}
}

func TestRunLengthErrors(t *testing.T) {
	run := func(s Shewhart, shift float64, runs int) error {
		_, err := s.RunLength(shift, nil, runs)
		return err
	}
	_, short := Shewhart{Rules: []Rule{Nelson3}}.RunLength(0, testRand(1), 1)
	for _, c := range []struct {
		err  error
		want string
	}{
		{run(Shewhart{Width: -2}, 0, 0), "± -2 sigma"},
		{run(Shewhart{Rules: []Rule{}}, 0, 0), "never signals"},
		{run(Shewhart{Rules: []Rule{99}}, 0, 0), "no run rule with number 99"},
		{run(Shewhart{}, math.NaN(), 0), "shift NaN"},
		{run(Shewhart{Rules: []Rule{Nelson4}}, 0, 0), "source of random numbers"},
		{short, "1 runs: want at least 2"},
	} {
		if c.err == nil || !strings.Contains(c.err.Error(), c.want) {
			t.Errorf("error %v, want %q", c.err, c.want)
		}
	}
}
