package signal_test

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
	"plumbsquare/internal/signal"
	"plumbsquare/internal/store"
	"plumbsquare/internal/store/pgtest"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

func open(t testing.TB, at string) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), at)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

func each(t *testing.T, test func(t *testing.T, s *store.Store)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) { test(t, open(t, filepath.Join(t.TempDir(), "store.db"))) })
	t.Run("postgres", func(t *testing.T) { test(t, open(t, pgtest.New(t))) })
}

// die is the invented shot number i: every ten minutes from start on, five to a lot.
func die(i int, x float64) *reading.Reading {
	sum := sha256.Sum256(fmt.Append(nil, "die", i))
	r := &reading.Reading{Schema: reading.Schema, Verdict: reading.Verdict{Decision: reading.Accept}}
	r.Source = reading.Source{Picture: fmt.Sprintf("%d.png", i), SHA256: hex.EncodeToString(sum[:]), Part: "tern", PartHash: "p", Scope: "bench-1", ScopeHash: "s"}
	r.Shot = reading.Shot{View: reading.DiePlan, Lot: fmt.Sprintf("L%03d", i/5), Sample: fmt.Sprintf("S%04d", i), Head: fmt.Sprintf("H%d", 1+i%2), TakenAt: at(i).Format(time.RFC3339)}
	r.Offset = &reading.Offset{Of: "die", XUm: x}
	return r
}

func at(i int) time.Time { return start.Add(time.Duration(i) * 10 * time.Minute) }

func record(t testing.TB, s *store.Store, r *reading.Reading) int64 {
	t.Helper()
	taken, err := time.Parse(time.RFC3339, r.Shot.TakenAt)
	if err != nil {
		t.Fatal(err)
	}
	id, _, err := s.Record(t.Context(), store.Record{Reading: r, At: taken})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func update(t testing.TB, s *store.Store, now time.Time) signal.Result {
	t.Helper()
	r, err := signal.Update(t.Context(), s, signal.Options{Now: now, Program: "inspect v1.0.0"})
	if err != nil {
		t.Fatal(err)
	}
	if r.Problems != nil {
		t.Fatalf("problems: %q", r.Problems)
	}
	return r
}

var dieX = store.Chart{Part: "tern", View: reading.DiePlan, Value: "x_um"}

// A line runs well for twenty-nine lots; then a nozzle lets X move by three sigma of the lots, until
// it is changed. Nobody has stated limits.
func TestUpdate(t *testing.T) {
	each(t, func(t *testing.T, s *store.Store) {
		rng := rand.New(rand.NewPCG(1, 2))
		const lots, moved, cured = 41, 29, 35
		var level float64
		for i := range lots * 5 {
			if i%5 == 0 {
				level = 2 * rng.NormFloat64()
				if lot := i / 5; lot >= moved && lot < cured {
					level += 12
				}
			}
			record(t, s, die(i, level+rng.NormFloat64()))
			if i == 23*5 {
				r := update(t, s, at(i))
				if len(r.Waiting) != 3 || r.Waiting[1].Why != "23 of 25 lots" || r.Waiting[1].Value != "x_um" || r.Started != nil {
					t.Errorf("after 23 lots: waiting %+v, started %+v", r.Waiting, r.Started)
				}
			}
			if i == 26*5 {
				r := update(t, s, at(i))
				if len(r.Started) != 1 || r.Started[0].Chart != dieX || !r.Started[0].ByLot || r.Started[0].Points < 23 || r.Started[0].Kind != series.Individuals || !r.Started[0].Start.Equal(at(0)) {
					t.Errorf("after 26 lots: started %+v", r.Started)
				}
				if r.New != nil {
					t.Errorf("a quiet line has signals: %+v", r.New)
				}
			}
		}
		r := update(t, s, at(lots*5))
		if len(r.New) == 0 {
			t.Fatal("a move by three sigma of lots gave no signal")
		}
		for _, sig := range r.New {
			if sig.First.At.Before(at(moved * 5)) {
				t.Errorf("a signal before anything moved: %+v", sig)
			}
			if sig.ID == 0 || sig.Chart != dieX || sig.State != store.SignalOpen {
				t.Errorf("signal %+v", sig)
			}
		}
		if want := "x̄ of offset X: one point beyond a control limit (above), lot L0"; !strings.HasPrefix(r.New[0].Text, want) {
			t.Errorf("text %q, want it to begin with %q", r.New[0].Text, want)
		}
		if again := update(t, s, at(lots*5)); again.New != nil || again.Extended != 0 || again.Started != nil {
			t.Errorf("nothing has happened, and yet %+v", again)
		}
		kept, err := s.Signals(t.Context(), store.SignalQuery{})
		if err != nil {
			t.Fatal(err)
		}
		order := func(a, b store.Signal) int { return cmp.Compare(a.ID, b.ID) }
		if d := gocmp.Diff(slices.SortedFunc(slices.Values(r.New), order), slices.SortedFunc(slices.Values(kept), order)); d != "" {
			t.Errorf("signals kept (−found +kept):\n%s", d)
		}

		// A phase from the change of the nozzle on, with limits that the move lies in.
		ph := store.Phase{Chart: dieX, Name: "wide", Start: at(moved * 5), Kind: series.Individuals, ByLot: true, Rules: "nelson:1",
			Limits: store.Limits{Centre: 6, Sigma: 100, Source: "stated"}, Act: store.Act{By: "E. Early", At: at(lots * 5), Why: "trial"}}
		id, err := s.StartPhase(t.Context(), ph)
		if err != nil {
			t.Fatal(err)
		}
		if r := update(t, s, at(lots*5)); r.New != nil {
			t.Errorf("within the limits of the new phase: %+v", r.New)
		}
		if left, err := s.Signals(t.Context(), store.SignalQuery{}); err != nil || left != nil {
			t.Errorf("signals that the new phase supersedes: %+v, %v", left, err)
		}
		if err := s.WithdrawPhase(t.Context(), id, store.Act{By: "E. Early", At: at(lots * 5), Why: "no good"}); err != nil {
			t.Fatal(err)
		}
		if r := update(t, s, at(lots*5)); r.New != nil {
			t.Errorf("found twice after a phase was withdrawn: %+v", r.New)
		}
		if back, err := s.Signals(t.Context(), store.SignalQuery{}); err != nil || len(back) != len(kept) {
			t.Errorf("%d signals are back, %v; want %d", len(back), err, len(kept))
		}
	})
}

// Recorded and judged shot by shot, in any pieces, at whatever times, a line has the same signals
// as one judged at the end. rapid would record tens of thousands of shots; a few seeds do.
func TestUpdatePiecewise(t *testing.T) {
	each(t, func(t *testing.T, s *store.Store) {
		for seed := range uint64(5) {
			rng := rand.New(rand.NewPCG(seed, 9))
			n := 3 + rng.IntN(58)
			charts := [2]store.Chart{}
			for k := range charts {
				charts[k] = store.Chart{Part: fmt.Sprintf("p%d-%d", seed, k), View: reading.DiePlan, Value: "x_um"}
				_, err := s.StartPhase(t.Context(), store.Phase{Chart: charts[k], Start: at(0), Kind: series.Individuals, ByLot: seed%2 == 0, Rules: "nelson",
					Limits: store.Limits{Sigma: 1}, Act: store.Act{By: "A", At: start, Why: "w"}})
				if err != nil {
					t.Fatal(err)
				}
			}
			values := make([]float64, n)
			for i := range values {
				values[i] = 1.3*rng.NormFloat64() + 0.8
			}
			of := func(part string, i int) *reading.Reading {
				r := die(i, values[i])
				r.Source.Part = part
				return r
			}
			for i := range n {
				record(t, s, of(charts[0].Part, i))
				if rng.IntN(3) == 0 {
					update(t, s, at(i).Add(time.Duration(rng.IntN(60))*time.Minute))
				}
			}
			for _, i := range rng.Perm(n) { // all at once, in any order
				record(t, s, of(charts[1].Part, i))
			}
			update(t, s, at(n+100))
			var found [2][]string
			for k, c := range charts {
				signals, err := s.Signals(t.Context(), store.SignalQuery{Chart: c})
				if err != nil {
					t.Fatal(err)
				}
				for _, sig := range signals {
					found[k] = append(found[k], fmt.Sprint(sig.Rule, sig.Side, sig.First.Name, sig.Last.Name, sig.Times))
				}
				slices.Sort(found[k])
			}
			if d := gocmp.Diff(found[1], found[0]); d != "" {
				t.Errorf("seed %d, piece by piece (−at once +piecewise):\n%s", seed, d)
			}
		}
	})
}

// A chart of years is judged in pieces, which nobody can tell from its signals.
func TestUpdateInPieces(t *testing.T) {
	var found [2][]string
	for k, atOnce := range []int{0, 90} {
		s := open(t, filepath.Join(t.TempDir(), "store.db"))
		rng := rand.New(rand.NewPCG(4, 4))
		for i := range 500 {
			x := 1.2 * rng.NormFloat64()
			if i/100 == 3 {
				x += 1
			}
			record(t, s, die(i, x))
		}
		_, err := s.StartPhase(t.Context(), store.Phase{Chart: dieX, Start: at(0), Kind: series.Individuals, Rules: "nelson", Limits: store.Limits{Sigma: 1}, Act: store.Act{By: "A", At: start, Why: "w"}})
		if err != nil {
			t.Fatal(err)
		}
		r, err := signal.Update(t.Context(), s, signal.Options{Now: at(600), Program: "inspect", AtOnce: atOnce})
		if err != nil {
			t.Fatal(err)
		}
		for _, sig := range r.New {
			if sig.Value == "x_um" {
				found[k] = append(found[k], fmt.Sprint(sig.Rule, sig.Side, sig.First.Name, sig.Last.Name, sig.Times, len(sig.Pattern)))
			}
		}
		slices.Sort(found[k])
	}
	if len(found[0]) < 10 {
		t.Errorf("only %d signals to compare", len(found[0]))
	}
	if d := gocmp.Diff(found[0], found[1]); d != "" {
		t.Errorf("in pieces (−at once +in pieces):\n%s", d)
	}
}

// Several programs that judge the same store at once keep each signal once.
func TestUpdateAtOnce(t *testing.T) {
	each(t, func(t *testing.T, s *store.Store) {
		rng := rand.New(rand.NewPCG(5, 5))
		for i := range 200 {
			x := rng.NormFloat64()
			if i > 150 {
				x += 5
			}
			record(t, s, die(i, x))
		}
		var wg sync.WaitGroup
		for range 6 {
			wg.Go(func() {
				for {
					r, err := signal.Update(t.Context(), s, signal.Options{Now: at(300), Program: "inspect"})
					if r.Problems != nil {
						t.Errorf("problems: %q", r.Problems)
					}
					if err == nil {
						return
					}
					if !errors.Is(err, store.ErrJudgedMeanwhile) {
						t.Error(err)
						return
					}
				}
			})
		}
		wg.Wait()
		signals, err := s.Signals(t.Context(), store.SignalQuery{})
		if err != nil || len(signals) == 0 {
			t.Fatalf("%d signals, %v", len(signals), err)
		}
		seen := map[string]bool{}
		for _, sig := range signals {
			key := fmt.Sprint(sig.Phase, sig.Chart, sig.Statistic, sig.Rule, sig.Side, sig.First)
			if seen[key] {
				t.Errorf("twice: %s", key)
			}
			seen[key] = true
		}
		if phases, err := s.Phases(t.Context(), store.PhaseQuery{}); err != nil || len(phases) != 1 { // Y and θ of these dies don't vary
			t.Errorf("%d phases, %v; want one", len(phases), err)
		}
	})
}

// Shots of check samples are not the line's; a shot read again is judged again; a closed signal that
// goes on has come back.
func TestUpdateDetails(t *testing.T) { each(t, testUpdateDetails) }

func testUpdateDetails(t *testing.T, s *store.Store) {
	ctx := t.Context()
	act := store.Act{By: "A", At: start, Why: "w"}
	ph := store.Phase{Chart: dieX, Start: at(0), Kind: series.Individuals, Rules: "nelson:1", Limits: store.Limits{Sigma: 1}, Act: act}
	if _, err := s.StartPhase(ctx, ph); err != nil {
		t.Fatal(err)
	}
	if _, err := s.AddCheckSample(ctx, store.CheckSample{Part: "tern", Sample: "CS", View: reading.DiePlan, Value: "x_um", Reference: 50, Act: act}); err != nil {
		t.Fatal(err)
	}
	check := die(1, 50)
	check.Shot.Sample = "CS"
	record(t, s, die(0, 0))
	record(t, s, check)
	record(t, s, die(2, 0))
	record(t, s, die(3, 1))
	if r := update(t, s, at(2)); r.New != nil {
		t.Errorf("a check sample gave %+v", r.New)
	}
	again := die(3, 9) // the same picture by a scope file put right
	again.Source.ScopeHash = "s2"
	record(t, s, again)
	r := update(t, s, at(3))
	if len(r.New) != 1 {
		t.Fatalf("got %+v, want one signal", r.New)
	}
	id := r.New[0].ID
	if err := s.AcknowledgeSignal(ctx, id, "c", "a", act); err != nil {
		t.Fatal(err)
	}
	record(t, s, die(4, 9))
	if r := update(t, s, at(4)); r.New != nil || r.Extended != 1 {
		t.Errorf("acknowledged, going on: %+v", r)
	}
	act.At = at(4)
	if err := s.CloseSignal(ctx, id, act); err != nil {
		t.Fatal(err)
	}
	record(t, s, die(5, 9))
	r = update(t, s, at(5))
	if len(r.New) != 1 || r.Extended != 0 {
		t.Fatalf("closed, and back: %+v", r)
	}
	if old, err := s.Signal(ctx, id); err != nil || old.State != store.SignalClosed || old.Times != 2 {
		t.Errorf("the closed one: %+v, %v", old, err)
	}
}

// Counts wait until there are enough of them for limits.
func TestUpdateCounts(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "store.db"))
	column := func(i, missing int) *reading.Reading {
		r := die(i, 0)
		r.Shot.View, r.Offset = reading.ColumnPlan, nil
		r.Array = &reading.Array{Kind: "columns", Present: 1000 - missing, Missing: missing, LeanDeg: 0.1 + float64(i%7)/100}
		return r
	}
	for i := range 150 {
		record(t, s, column(i, 0))
	}
	r := update(t, s, at(300))
	why := map[string]string{}
	for _, w := range r.Waiting {
		why[w.Value] = w.Why
	}
	if want := "0 counts in a lot on average; limits need about one"; why["missing"] != want {
		t.Errorf("waits because %q, want %q", why["missing"], want)
	}
	for i := 150; i < 400; i++ {
		record(t, s, column(i, i%2))
	}
	r = update(t, s, at(600))
	var started []string
	for _, p := range r.Started {
		started = append(started, fmt.Sprint(p.Value, " ", p.Kind, " ", p.ByLot))
	}
	if len(started) != 1 || !strings.HasPrefix(started[0], "missing ") {
		t.Errorf("started %q, want one of missing", started)
	}
}

func BenchmarkUpdate(b *testing.B) {
	const shots = 10_000
	s := open(b, filepath.Join(b.TempDir(), "store.db"))
	rng := rand.New(rand.NewPCG(1, 1))
	for i := range shots {
		r := die(i, rng.NormFloat64())
		r.Offset.YUm, r.Offset.ThetaDeg = rng.NormFloat64(), rng.NormFloat64()
		record(b, s, r)
	}
	b.Run("first-10000", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			phases, err := s.Phases(b.Context(), store.PhaseQuery{})
			if err != nil {
				b.Fatal(err)
			}
			for _, p := range phases { // so that all is judged anew
				if err := s.WithdrawPhase(b.Context(), p.ID, store.Act{By: "A", At: start, Why: "w"}); err != nil {
					b.Fatal(err)
				}
			}
			b.StartTimer()
			if r := update(b, s, at(2*shots)); len(r.Started) != 3 {
				b.Fatalf("started %d", len(r.Started))
			}
		}
	})
	n := shots
	b.Run("one-more", func(b *testing.B) {
		for b.Loop() {
			b.StopTimer()
			record(b, s, die(n, rng.NormFloat64()))
			n++
			b.StartTimer()
			update(b, s, at(n))
		}
	})
}

// Where the limits come from is one line, also of a line that wanders: what that means stands on the
// chart.
func TestWhereLimitsComeFromIsShort(t *testing.T) {
	each(t, func(t *testing.T, s *store.Store) {
		rng := rand.New(rand.NewPCG(5, 6))
		var level float64
		for i := range 26 * 5 {
			if i%5 == 0 {
				level = 0.9*level + rng.NormFloat64()
			}
			record(t, s, die(i, level+0.2*rng.NormFloat64()))
		}
		r := update(t, s, at(26*5+1000))
		if len(r.Started) != 1 {
			t.Fatalf("started %+v, waiting %+v", r.Started, r.Waiting)
		}
		source := r.Started[0].Source
		if !strings.Contains(source, "neighbouring points are not independent (lag-1 autocorrelation 0.") || strings.Contains(source, "false alarms") || len([]rune(source)) > 200 {
			t.Errorf("limits from %q", source)
		}
	})
}

// The first limits come once the twenty-fifth lot is complete, also when no other shot comes after it.
func TestFirstLimitsWaitForTimeOnly(t *testing.T) {
	each(t, func(t *testing.T, s *store.Store) {
		rng := rand.New(rand.NewPCG(11, 12))
		for i := range 25 * 5 {
			record(t, s, die(i, rng.NormFloat64()))
		}
		for range 2 {
			if r := update(t, s, at(25*5)); r.Started != nil || len(r.Waiting) != 3 || r.Waiting[1].Why != "24 of 25 lots" {
				t.Errorf("at once: started %+v, waiting %+v", r.Started, r.Waiting)
			}
		}
		if r := update(t, s, at(25*5).Add(2*time.Hour)); len(r.Started) != 1 || r.Started[0].Chart != dieX {
			t.Errorf("two hours later: started %+v, waiting %+v", r.Started, r.Waiting)
		}
		if r := update(t, s, at(25*5).Add(3*time.Hour)); r.Started != nil || r.Waiting != nil || r.New != nil {
			t.Errorf("after that: %+v", r)
		}
	})
}
