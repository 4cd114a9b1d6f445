package series_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// Run lengths as published, through the kinds: 370.4 and 43.9 of a Shewhart chart at three sigma (closed
// form, 1/P), 91.75 of the Western Electric rules (Champ & Woodall 1987, Technometrics 29, 393–399), 465 and
// 10.4 of a CUSUM with k 0.5, h 5 (Lucas & Crosier 1982, Technometrics 24, 199–205: 465, and 10.4 after a
// move by one sigma), 500 of an EWMA with λ 0.1, L 2.814 (Lucas & Saccucci 1990, Technometrics 32, 1–12).
func TestRunLength(t *testing.T) {
	western, err := spc.ParseRules("western")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		kind   series.Kind
		scheme series.Scheme
		rules  []spc.Rule
		size   int
		shift  float64
		want   float64
		within float64
	}{
		{"Shewhart", series.Individuals, series.Scheme{}, nil, 1, 0, 370.4, 0.05},
		{"Shewhart, moved", series.Individuals, series.Scheme{}, nil, 1, 1, 43.89, 0.01},
		{"means of 4", series.XbarS, series.Scheme{}, nil, 4, 0.5, 43.89, 0.01},
		{"three-way", series.ThreeWay, series.Scheme{}, nil, 4, 1, 43.89, 0.01},
		{"Western Electric", series.Individuals, series.Scheme{}, western, 1, 0, 91.75, 0.005},
		{"CUSUM", series.CUSUM, series.Scheme{}, nil, 1, 0, 465, 0.5},
		{"CUSUM, moved", series.CUSUM, series.Scheme{}, nil, 1, 1, 10.4, 0.05},
		{"EWMA", series.EWMA, series.Scheme{EWMA: spc.EWMA{Lambda: 0.1, Width: 2.814, Steady: true}}, nil, 1, 0, 500, 0.5},
	} {
		got, known, err := c.kind.RunLength(c.scheme, spc.Options{Rules: c.rules}, c.size, c.shift)
		if err != nil || !known || math.Abs(got.Mean-c.want) > c.within {
			t.Errorf("%s: got %v, %v, %v, want %v", c.name, got, known, err, c.want)
		}
	}
	for _, k := range []series.Kind{series.U, series.G, series.T} {
		if r, known, err := k.RunLength(series.Scheme{}, spc.Options{}, 1, 0); known || err != nil {
			t.Errorf("%s: got %v, %v; want not known", k, r, err)
		}
	}
	if _, known, _ := series.Individuals.RunLength(series.Scheme{}, spc.Options{Rules: []spc.Rule{}}, 1, 0); known {
		t.Error("no rules: want not known")
	}
}

// A chart of counts runs as its law says, whatever the size that its points are divided by: the tables of
// operating characteristics in Montgomery, Introduction to Statistical Quality Control, 6th edition, of a
// p chart (50 units, p 0.20; 0.9662 inside at 0.10, 0.6216 at 0.35) and a c chart (mean 19.85; 0.870 at
// 10, 0.410 at 35), from memory. A point signals with 1/(1−share inside).
func TestCountRunLength(t *testing.T) {
	centre := func(v float64) spc.Options {
		return spc.Options{Rules: []spc.Rule{spc.Nelson1}, Phases: []spc.Phase{{Center: &v}}}
	}
	counts := []float64{18, 22, 20, 19, 17}
	chart := func(k series.Kind, s series.Series, opt spc.Options) *spc.Chart {
		t.Helper()
		charts, _, err := s.Charts(k, opt)
		if err != nil {
			t.Fatal(err)
		}
		return &charts[0]
	}
	sized := func(n float64) series.Series {
		return series.Series{Values: counts, Sizes: slices.Repeat([]float64{n}, len(counts))}
	}
	for _, c := range []struct {
		name   string
		kind   series.Kind
		chart  *spc.Chart
		opt    spc.Options
		factor float64
		inside float64
		within float64
	}{
		{"p", series.P, chart(series.P, sized(50), centre(0.2)), centre(0.2), 0.5, 0.9662, 5e-5},
		{"p", series.P, chart(series.P, sized(50), centre(0.2)), centre(0.2), 1.75, 0.6216, 5e-5},
		{"np", series.NP, chart(series.NP, sized(50), centre(0.2)), centre(0.2), 1.75, 0.6216, 5e-5},
		{"c", series.C, chart(series.C, series.Series{Values: counts}, centre(19.85)), centre(19.85), 10 / 19.85, 0.870, 5e-4},
		{"u of 1000", series.U, chart(series.U, sized(1000), centre(0.01985)), centre(0.01985), 35 / 19.85, 0.410, 5e-4},
		{"u of a thousandth", series.U, chart(series.U, sized(0.001), centre(19850)), centre(19850), 35 / 19.85, 0.410, 5e-4},
	} {
		r, known, err := c.kind.CountRunLength(c.chart, c.opt, c.factor)
		if err != nil || !known || math.Abs(1-1/r.Mean-c.inside) > c.within {
			t.Errorf("%s times %.3g: %v (%v, %v), a point stays inside with %.5f, want %v", c.name, c.factor, r, known, err, 1-1/r.Mean, c.inside)
		}
	}
	// A g chart takes no rules but that of its limits, whatever is asked for: above them with
	// (1−p)^(⌊UCL⌋+1), p = 1/31 and UCL = 30 + 3·√930 = 121.49.
	opt := centre(30)
	opt.Rules = []spc.Rule{spc.Nelson1, spc.Nelson2, spc.Nelson3}
	g := chart(series.G, series.Series{Values: counts}, opt)
	if r, known, err := series.G.CountRunLength(g, opt, 1); err != nil || !known || r.SE != 0 || math.Abs(r.Mean-math.Pow(31.0/30, 122)) > 1e-9*r.Mean {
		t.Errorf("g: %v, %v, %v, want %v", r, known, err, math.Pow(31.0/30, 122))
	}
	opt = centre(0.6)
	if _, known, err := series.P.CountRunLength(chart(series.P, sized(50), opt), opt, 2); known || err != nil {
		t.Errorf("twice 60 %%: known %v, %v", known, err)
	}
}

func TestBetween(t *testing.T) {
	for _, c := range []struct {
		counts   []float64
		want     []float64
		endingAt []int
	}{
		{[]float64{0, 0, 1, 0, 0, 0, 2, 1, 0}, []float64{3, 0}, []int{6, 7}},
		{[]float64{1, 1, 1}, []float64{0, 0}, []int{1, 2}},
		{[]float64{0, 0, 3, 0}, nil, nil},
		{nil, nil, nil},
	} {
		got, at := series.Between(c.counts)
		if !slices.Equal(got, c.want) || !slices.Equal(at, c.endingAt) {
			t.Errorf("%v: got %v at %v, want %v at %v", c.counts, got, at, c.want, c.endingAt)
		}
	}
}

func TestTimes(t *testing.T) {
	table, err := series.ReadCSV(strings.NewReader("at,n\n2031-03-02 06:00,2\n2031-03-01 06:00,1\n2031-03-02 18:30,3\n"), "events.csv")
	if err != nil {
		t.Fatal(err)
	}
	hours, err := table.HoursBetween("at")
	if err != nil || !slices.Equal(hours, []float64{24, 12.5}) {
		t.Errorf("got %v, %v, want 24 and 12.5 hours", hours, err)
	}
	if !table.AreTimes("at") || table.AreTimes("n") || table.AreTimes("none") {
		t.Error("at holds times, n and none don't")
	}
	day := func(d int) time.Time { return time.Date(2031, 3, d, 0, 0, 0, 0, time.UTC) }
	if err := table.Within("at", day(2), day(3)); err != nil || table.Len() != 2 {
		t.Errorf("kept %d rows, %v, want 2", table.Len(), err)
	}
	if err := table.Within("at", day(4), time.Time{}); err == nil {
		t.Error("nothing left: want an error")
	}
	twice, err := series.ReadCSV(strings.NewReader("at\n2031-03-02 06:00\n2031-03-02 06:00\n"), "twice.csv")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := twice.HoursBetween("at"); err == nil || !strings.Contains(err.Error(), "twice.csv:3: column at: two events at") {
		t.Errorf("got %v, want the row that repeats a time", err)
	}
}
