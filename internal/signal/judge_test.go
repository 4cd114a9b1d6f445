package signal_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbsquare/internal/series"
	"plumbsquare/internal/signal"
	"plumbsquare/internal/spc"
	"plumbsquare/internal/store"
)

var (
	start = time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	never = start.AddDate(100, 0, 0) // when every lot is complete
)

// line makes samples of values, one every ten minutes, lots of so many shots.
func line(lot int, values ...float64) []signal.Sample {
	var out []signal.Sample
	for i, v := range values {
		s := signal.Sample{Lot: fmt.Sprintf("L%03d", i/lot), Recorded: start.Add(time.Duration(i) * 10 * time.Minute)}
		s.Point = store.Point{Shot: int64(i + 1), At: start.Add(time.Duration(i) * 10 * time.Minute), Name: fmt.Sprintf("S%03d", i), Value: v}
		out = append(out, s)
	}
	return out
}

func individuals(centre, sigma float64) store.Phase {
	return store.Phase{
		ID: 1, Start: start, Kind: series.Individuals, Rules: "nelson:1,2,3", Name: "first", Chart: store.Chart{Value: "x_um"},
		Limits: store.Limits{Centre: centre, Sigma: sigma},
	}
}

// brief is what tests compare of a signal.
type brief struct {
	Rule        string
	Side        int
	First, Last int64
	Times       int
}

func briefs(signals []store.Signal) (out []brief) {
	for _, s := range signals {
		out = append(out, brief{s.Rule, s.Side, s.First.Shot, s.Last.Shot, s.Times})
	}
	return out
}

// The patterns are those of Nelson (1984): a point beyond three sigma; nine on one side, complete
// at the ninth; six rising, complete at the sixth.
func TestJudge(t *testing.T) {
	for _, c := range []struct {
		name   string
		values []float64
		want   []brief
	}{
		{"quiet", []float64{0.1, -0.2, 0.3, -0.1}, nil},
		{"one point", []float64{0, 3.5, 0, -4, -4, 0}, []brief{{"Nelson 1", 1, 2, 2, 1}, {"Nelson 1", -1, 4, 5, 2}}},
		{"nine on a side, and on", []float64{-1, .1, .3, .1, .3, .1, .3, .1, .3, .1, .2, .1, -.1}, []brief{{"Nelson 2", 1, 10, 12, 3}}},
		{"six rising", []float64{0, -.3, -.2, -.1, .1, .2, .3, 0}, []brief{{"Nelson 3", 1, 7, 7, 1}}},
		{"quiet in between", []float64{4, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4}, []brief{{"Nelson 1", 1, 1, 10, 2}, {"Nelson 1", 1, 20, 20, 1}}},
		{"on the limit", []float64{0, 3, -3}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			j, err := signal.Judge(line(1, c.values...), []store.Phase{individuals(0, 1)}, nil, signal.Window{Settled: never})
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(c.want, briefs(j.New)); d != "" {
				t.Errorf("signals (−want +got):\n%s", d)
			}
		})
	}
}

// Limits end where the next phase starts: what the new limits allow is no signal, and a pattern
// doesn't reach back.
func TestJudgePhases(t *testing.T) {
	values := []float64{0, .2, 5, 5.1, 4.9, 5.2, 4.8, 9}
	moved := individuals(5, 1)
	moved.ID, moved.Start = 2, start.Add(30*time.Minute) // from the fourth on
	j, err := signal.Judge(line(1, values...), []store.Phase{individuals(0, 1), moved}, nil, signal.Window{Settled: never})
	if err != nil {
		t.Fatal(err)
	}
	want := []brief{{"Nelson 1", 1, 3, 3, 1}, {"Nelson 1", 1, 8, 8, 1}}
	if d := cmp.Diff(want, briefs(j.New)); d != "" {
		t.Errorf("signals (−want +got):\n%s", d)
	}
	if j.New[0].Phase != 1 || j.New[1].Phase != 2 {
		t.Errorf("of phases %d and %d, want 1 and 2", j.New[0].Phase, j.New[1].Phase)
	}
	before := individuals(0, 1)
	before.Start = start.Add(time.Hour)
	if j, err = signal.Judge(line(1, values[:6]...), []store.Phase{before}, nil, signal.Window{Settled: never}); err != nil || j.New != nil {
		t.Errorf("samples before every phase gave %v, %v; want nothing", j.New, err)
	}
}

// A closed signal whose pattern goes on has come back; an acknowledged one goes on.
func TestJudgeAfterClosing(t *testing.T) {
	samples := line(1, 0, 4, 4, 4, 4)
	first, err := signal.Judge(samples[:3], []store.Phase{individuals(0, 1)}, nil, signal.Window{Settled: never})
	if err != nil {
		t.Fatal(err)
	}
	known := first.New
	known[0].ID = 7
	known[0].State = store.SignalAcknowledged
	j, err := signal.Judge(samples, []store.Phase{individuals(0, 1)}, known, signal.Window{Settled: never})
	if err != nil || j.New != nil || len(j.Extended) != 1 || j.Extended[0].Times != 4 || j.Extended[0].ID != 7 {
		t.Errorf("acknowledged: got %+v, %v; want it extended to 4", j, err)
	}
	known[0].State, known[0].Closed = store.SignalClosed, &store.Act{At: samples[3].At}
	j, err = signal.Judge(samples, []store.Phase{individuals(0, 1)}, known, signal.Window{Settled: never})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]brief{{"Nelson 1", 1, 5, 5, 1}}, briefs(j.New)); d != "" {
		t.Errorf("closed, new signals (−want +got):\n%s", d)
	}
	if d := cmp.Diff([]brief{{"Nelson 1", 1, 2, 4, 3}}, briefs(j.Extended)); d != "" {
		t.Errorf("closed, extended (−want +got):\n%s", d)
	}
}

// Lots are charted by their means, the last only once it is complete; shots of a lot that come
// later count with it.
func TestJudgeLots(t *testing.T) {
	ph := individuals(0, 1)
	ph.ByLot = true
	samples := line(2, 0, .2, 8, 0, 0, 0, 9, 9)
	for _, c := range []struct {
		settled time.Time
		want    []brief
	}{
		{never, []brief{{"Nelson 1", 1, 3, 7, 2}}},
		{samples[6].At, []brief{{"Nelson 1", 1, 3, 3, 1}}},
	} {
		j, err := signal.Judge(samples, []store.Phase{ph}, nil, signal.Window{Settled: c.settled})
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(c.want, briefs(j.New)); d != "" {
			t.Errorf("signals (−want +got):\n%s", d)
		}
	}
	ph.Kind, ph.Limits = series.XbarS, store.Limits{Centre: 0, Sigma: 1}
	j, err := signal.Judge(line(2, 0, 0, 0, 6, 0, 0), []store.Phase{ph}, nil, signal.Window{Settled: never})
	if err != nil {
		t.Fatal(err)
	}
	var statistics []string
	for _, s := range j.New {
		statistics = append(statistics, s.Statistic)
	}
	if d := cmp.Diff([]string{"x̄", "s"}, statistics); d != "" {
		t.Errorf("statistics (−want +got):\n%s", d)
	}
}

// Counts: ū + 3√(ū/n), ISO 7870-2; with a rate of 0.01 and 400 sites the limit is 0.01 + 0.015, ten
// counts.
func TestJudgeCounts(t *testing.T) {
	ph := individuals(0.01, 0)
	ph.Kind, ph.Value, ph.Rules = series.U, "missing", "nelson:1"
	samples := line(1, 4, 10, 3, 11)
	for i := range samples {
		samples[i].Size = 400
	}
	j, err := signal.Judge(samples, []store.Phase{ph}, nil, signal.Window{Settled: never})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]brief{{"Nelson 1", 1, 4, 4, 1}}, briefs(j.New)); d != "" {
		t.Fatalf("signals (−want +got):\n%s", d)
	}
	if got := j.New[0].First.Value; math.Abs(got-11.0/400) > 1e-15 {
		t.Errorf("value of the point %g, want 11/400", got)
	}
	if got := j.New[0].Text; !strings.HasPrefix(got, "u of missing sites: one point beyond a control limit (above), sample S003 of 2031-03-03 06:30; ") {
		t.Errorf("text %q", got)
	}
}

// A level that moves by little more than a sigma and stays: charts that gather see it, where single points beyond their
// limits don't. They signal at the point at which spc's charts of the same design do, once.
func TestJudgeSmallMoves(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 9))
	values := make([]float64, 60)
	for i := range values {
		if values[i] = 0.6 * rng.NormFloat64(); i >= 30 {
			values[i] += 1.3
		}
	}
	samples := line(1, values...)
	centre, sigma := 0.0, 1.0
	opt := spc.Options{Phases: []spc.Phase{{Center: &centre, Sigma: &sigma}}}
	average, err1 := spc.EWMA{}.Chart(values, opt)
	sums, err2 := spc.CUSUM{}.Charts(values, opt)
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	for kind, want := range map[series.Kind]*spc.Chart{series.Individuals: nil, series.EWMA: &average, series.CUSUM: &sums[0]} {
		ph := individuals(centre, sigma)
		ph.Kind, ph.Rules = kind, "nelson:1"
		j, err := signal.Judge(samples, []store.Phase{ph}, nil, signal.Window{Settled: never})
		switch {
		case err != nil:
			t.Fatalf("%s: %v", kind, err)
		case want == nil:
			if len(j.New) != 0 {
				t.Errorf("%s: %+v, want nothing", kind, j.New)
			}
		case len(j.New) != 1 || j.New[0].First.Shot != samples[want.Hits[0].At].Shot || j.New[0].Side != 1 || j.New[0].Times < 5:
			t.Errorf("%s: %+v, want one signal from shot %d on", kind, j.New, want.Hits[0].At+1)
		case !strings.Contains(j.New[0].Text, "the level has"):
			t.Errorf("%s: %q", kind, j.New[0].Text)
		}
	}
}

// However the shots come in, one by one or all at once, and however often they are judged, the
// signals are the same.
func TestJudgePiecewise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 120).Draw(t, "shots")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 6))
		values := make([]float64, n)
		shift := rapid.Float64Range(-2, 2).Draw(t, "shift")
		for i := range values {
			values[i] = rng.NormFloat64()
			if i > n/2 {
				values[i] += shift
			}
		}
		ph := individuals(0, 1)
		ph.ByLot = rapid.Bool().Draw(t, "by lot")
		lot := rapid.IntRange(1, 4).Draw(t, "lot")
		ph.Rules = "nelson"
		if ph.Kind = rapid.SampledFrom([]series.Kind{series.Individuals, series.EWMA, series.CUSUM}).Draw(t, "kind"); ph.Kind.Remembers() {
			ph.Rules = signal.DefaultRules(ph.Kind)
		}
		samples := line(lot, values...)
		whole, err := signal.Judge(samples, []store.Phase{ph}, nil, signal.Window{Settled: never})
		if err != nil {
			t.Fatal(err)
		}
		var known []store.Signal
		for done := 0; done < n; {
			next := min(n, done+rapid.IntRange(1, 20).Draw(t, "more"))
			first := done
			for ph.ByLot && first > 0 && samples[first-1].Lot == samples[done].Lot {
				first-- // the whole lot is judged anew
			}
			for ph.ByLot && done > 0 && first > 0 && samples[first-1].Lot == samples[max(0, done-1)].Lot {
				first-- // so is the lot that wasn't complete before
			}
			settled := samples[next-1].At
			if next == n {
				settled = never
			}
			for range rapid.IntRange(1, 2).Draw(t, "times") {
				j, err := signal.Judge(samples[:next], []store.Phase{ph}, known, signal.Window{From: samples[max(0, first-lot)].At, Settled: settled})
				if err != nil {
					t.Fatal(err)
				}
				for _, s := range j.New {
					s.ID = int64(len(known) + 1)
					known = append(known, s)
				}
				for _, s := range j.Extended {
					known[s.ID-1] = s
				}
			}
			done = next
		}
		got, want := briefs(known), briefs(whole.New)
		order := func(a, b brief) int { return strings.Compare(fmt.Sprint(a), fmt.Sprint(b)) }
		slices.SortFunc(got, order)
		slices.SortFunc(want, order)
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("piece by piece (−want +got):\n%s", d)
		}
	})
}

// Limits of the flow rates in NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2:
// centre 50.81, mean moving range 1.8778, hence sigma 1.8778/1.128 = 1.6647 with d2 rounded as there.
func TestEstimate(t *testing.T) {
	samples := line(1, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
	l, warnings, err := signal.Estimate(samples, series.Individuals, false, false)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(l.Centre-50.81) > 1e-9 || math.Abs(l.Sigma-1.6647) > 6e-4 || l.Points != 10 {
		t.Errorf("got %+v, want centre 50.81, sigma 1.6647 of 10 points", l)
	}
	if !strings.HasPrefix(l.Source, "10 shots from 2031-03-03 06:00 to 2031-03-03 07:30: ") {
		t.Errorf("source %q", l.Source)
	}
	if len(warnings) == 0 || !strings.Contains(warnings[0], "rest on 10 points only") {
		t.Errorf("warnings %q, want one of the short baseline", warnings)
	}
	if _, _, err := signal.Estimate(samples[:4], series.Individuals, false, false); err == nil || !strings.Contains(err.Error(), "from 4 shots: want at least 5") {
		t.Errorf("from four shots: %v", err)
	}
}

// What is judged again by the limits it gave itself has the same centre and sigma on its chart.
func TestEstimateThenJudge(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 5))
	for _, kind := range signal.Kinds {
		for _, byLot := range []bool{false, true} {
			if kind.Grouped() && !byLot {
				continue
			}
			samples := line(3, make([]float64, 90)...)
			for i := range samples {
				samples[i].Value, samples[i].Size = float64(rng.IntN(30)), 1000
			}
			l, _, err := signal.Estimate(samples, kind, byLot, false)
			if err != nil {
				t.Fatalf("%s: %v", kind, err)
			}
			ph := individuals(0, 0)
			ph.Kind, ph.ByLot, ph.Limits, ph.Rules = kind, byLot, l, signal.DefaultRules(kind)
			d, err := signal.Draw(samples, []store.Phase{ph})
			if err != nil {
				t.Fatalf("%s: %v", kind, err)
			}
			got := d.Charts[0].Phases[0]
			if got.Center != l.Centre || kind != series.U && got.Sigma != l.Sigma {
				t.Errorf("%s: chart has centre %g and sigma %g, limits are %+v", kind, got.Center, got.Sigma, l)
			}
		}
	}
}
