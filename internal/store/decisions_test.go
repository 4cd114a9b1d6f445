package store

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
)

// by makes an act of an invented hour.
func by(who string, hour int, why string) Act {
	return Act{By: who, At: noon.Add(time.Duration(hour) * time.Hour), Why: why}
}

var dieX = Chart{Part: "tern", View: reading.DiePlan, Value: "x_um"}

// aPhase is a phase of the chart of X from an hour after noon on.
func aPhase(hour int) Phase {
	return Phase{
		Chart: dieX, Name: fmt.Sprintf("from hour %d", hour), Start: noon.Add(time.Duration(hour) * time.Hour), Kind: series.Individuals,
		Rules: "nelson:1,2,3", Limits: Limits{Centre: 0.5, Sigma: 10, Points: 25, Source: "25 shots"}, Act: by("E. Early", hour, "new nozzle"),
	}
}

// aSignal is a signal of a phase, its pattern complete at a minute after noon.
func aSignal(phase int64, minute int) Signal {
	p := Point{Shot: int64(minute), At: noon.Add(time.Duration(minute) * time.Minute), Name: "L1-1", Value: 33}
	return Signal{
		Phase: phase, Chart: dieX, Statistic: "x", Rule: "Nelson 1", Side: 1, First: p, Last: p, Times: 1, Pattern: []Point{p},
		Text: "x of offset X: one point beyond a control limit (above)", State: SignalOpen,
	}
}

// judged records signals found by the program.
func judged(t testing.TB, s *Store, signals ...Signal) []Signal {
	t.Helper()
	w, err := s.Unjudged(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	found, err := s.RecordJudged(t.Context(), w, Judged{At: noon, By: "inspect v1.0.0", New: signals})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

func startedPhase(t testing.TB, s *Store, p Phase) int64 {
	t.Helper()
	id, err := s.StartPhase(t.Context(), p)
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func TestSignalLife(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		phase := startedPhase(t, s, aPhase(-1))
		want := judged(t, s, aSignal(phase, 5))[0]
		id := want.ID
		refused := func(err error, words string) {
			t.Helper()
			if err == nil || !strings.Contains(err.Error(), words) {
				t.Errorf("got %v, want an error with %q", err, words)
			}
		}
		same := func(state SignalState) {
			t.Helper()
			want.State = state
			got, err := s.Signal(ctx, id)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("signal (−want +got):\n%s", d)
			}
		}
		same(SignalOpen)
		refused(s.CloseSignal(ctx, id, by("A", 1, "done")), "signal 1 is open: acknowledge it first")
		refused(s.AcknowledgeSignal(ctx, id, "worn", " ", by("A", 1, "w")), "with its cause and with what was done")
		refused(s.AcknowledgeSignal(ctx, id, "worn", "changed", by("", 1, "w")), "say who")
		refused(s.AcknowledgeSignal(ctx, id, "worn", "changed", by("A", 1, " ")), "say why")
		refused(s.AcknowledgeSignal(ctx, 99, "worn", "changed", by("A", 1, "w")), "there is no signal 99")
		refused(s.ReopenSignal(ctx, id, by("A", 1, "w")), "isn't closed, it is open")
		same(SignalOpen)

		ok := func(err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		ok(s.AcknowledgeSignal(ctx, id, "nozzle worn", "nozzle N3 changed", by("A", 1, "seen under the loupe")))
		want.Cause, want.Action, want.Acknowledged = "nozzle worn", "nozzle N3 changed", new(by("A", 1, "seen under the loupe"))
		same(SignalAcknowledged)
		ok(s.AcknowledgeSignal(ctx, id, "filter blocked", "filter changed", by("B", 2, "the nozzle was good")))
		want.Cause, want.Action, want.Acknowledged = "filter blocked", "filter changed", new(by("B", 2, "the nozzle was good"))
		same(SignalAcknowledged)
		ok(s.CloseSignal(ctx, id, by("B", 3, "ten good lots since")))
		want.Closed = new(by("B", 3, "ten good lots since"))
		same(SignalClosed)
		refused(s.CloseSignal(ctx, id, by("A", 4, "x")), "was closed already, by B: ten good lots since")
		refused(s.AcknowledgeSignal(ctx, id, "worn", "changed", by("A", 1, "w")), "is closed; reopen it first")
		ok(s.ReopenSignal(ctx, id, by("A", 5, "it is back")))
		want.Closed = nil
		same(SignalAcknowledged)

		all, err := s.Changes(ctx, ChangeQuery{What: SignalThing, Subject: id})
		ok(err)
		var did []string
		for i, c := range all {
			did = append(did, c.By+" "+c.Did)
			if i > 0 && string(c.Before) != string(all[i-1].After) {
				t.Errorf("change %d begins with %s, the one before ended with %s", c.ID, c.Before, all[i-1].After)
			}
		}
		if d := cmp.Diff([]string{"inspect v1.0.0 found", "A acknowledged", "B acknowledged", "B closed", "A reopened"}, did); d != "" {
			t.Errorf("changes (−want +got):\n%s", d)
		}
		var last Signal
		ok(json.Unmarshal(all[len(all)-1].After, &last))
		if d := cmp.Diff(want, last); d != "" {
			t.Errorf("signal of the last change (−want +got):\n%s", d)
		}
	})
}

// Nothing takes a signal off the list but other limits: those of a phase started from before it on.
// Withdrawing that phase brings it back.
func TestSignalSuperseded(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		first := startedPhase(t, s, aPhase(0))
		judged(t, s, aSignal(first, 30), aSignal(first, 90))
		listed := func(want ...int64) {
			t.Helper()
			signals, err := s.Signals(ctx, SignalQuery{})
			if err != nil {
				t.Fatal(err)
			}
			var got []int64
			for _, sig := range signals {
				got = append(got, sig.ID)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("signals (−want +got):\n%s", d)
			}
		}
		listed(1, 2)
		second := startedPhase(t, s, aPhase(1)) // from minute 60 on
		listed(1)
		if all, err := s.Signals(ctx, SignalQuery{Superseded: true}); err != nil || len(all) != 2 || all[0].Superseded || !all[1].Superseded {
			t.Errorf("with those superseded: %+v, %v", all, err)
		}
		if _, err := s.StartPhase(ctx, aPhase(1)); err == nil || !strings.Contains(err.Error(), "phase 2 of x_um of tern die-plan starts at the same instant; withdraw it first") {
			t.Errorf("a twin: %v", err)
		}
		if err := s.WithdrawPhase(ctx, second, by("E. Early", 2, "the nozzle wasn't changed after all")); err != nil {
			t.Fatal(err)
		}
		listed(1, 2)
		if err := s.WithdrawPhase(ctx, second, by("E. Early", 2, "again")); err == nil || !strings.Contains(err.Error(), "was withdrawn already, by E. Early") {
			t.Errorf("withdrawn twice: %v", err)
		}
		if err := s.WithdrawPhase(ctx, first, by("E. Early", 2, "wrong part")); err != nil {
			t.Fatal(err)
		}
		listed()
		for _, c := range []struct {
			withdrawn bool
			want      int
		}{{false, 0}, {true, 2}} {
			if p, err := s.Phases(ctx, PhaseQuery{Part: "tern", Withdrawn: c.withdrawn}); err != nil || len(p) != c.want {
				t.Errorf("phases, withdrawn %v: %+v, %v; want %d", c.withdrawn, p, err, c.want)
			}
		}
	})
}

func TestPhaseRefuses(t *testing.T) {
	s := open(t, t.TempDir()+"/store.db")
	for _, c := range []struct {
		change func(*Phase)
		want   string
	}{
		{func(p *Phase) { p.Part = "" }, "needs the part"},
		{func(p *Phase) { p.View = "side" }, "needs the view"},
		{func(p *Phase) { p.Value = "x" }, `no quantity "x"`},
		{func(p *Phase) { p.Start = time.Time{} }, "needs a start"},
		{func(p *Phase) { p.Sigma = 0 }, "sigma 0: want a finite number above 0"},
		{func(p *Phase) { p.Kind = series.U }, "a u chart has the sigma that its law gives"},
		{func(p *Phase) { p.Kind, p.Centre = series.LaneyU, 0 }, "rate 0: want it above 0"},
		{func(p *Phase) { p.Kind = series.XbarS }, "is one of lots"},
		{func(p *Phase) { p.Rules = "nelson:9" }, `nelson has no test "9"`},
		{func(p *Phase) { p.By = "" }, "say who decides"},
	} {
		p := aPhase(0)
		c.change(&p)
		if _, err := s.StartPhase(t.Context(), p); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("got %v, want an error with %q", err, c.want)
		}
	}
}

func TestEvents(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		events := []Event{
			{Happened: noon, Text: "line cleaned", Act: by("A", 0, "weekly")},
			{Happened: noon.Add(-time.Hour), Part: "tern", Head: "H1", Nozzle: "N3", Text: "nozzle changed", Act: by("A", 0, "worn")},
			{Happened: noon.Add(time.Hour), Part: "wren", Line: "2", Text: "offset +2 µm entered", Act: by("B", 1, "drift of X")},
		}
		for i := range events {
			id, err := s.AddEvent(ctx, events[i])
			if err != nil {
				t.Fatal(err)
			}
			events[i].ID = id
		}
		for _, c := range []struct {
			name string
			q    EventQuery
			want []int64
		}{
			{"all, in order of time", EventQuery{}, []int64{2, 1, 3}},
			{"of a part, and of all", EventQuery{Part: "wren"}, []int64{1, 3}},
			{"of a head", EventQuery{Head: "H2"}, []int64{1, 3}},
			{"of a day's half", EventQuery{Since: noon, Until: noon.Add(time.Hour)}, []int64{1}},
			{"the newest", EventQuery{Limit: 2}, []int64{1, 3}},
		} {
			got, err := s.Events(ctx, c.q)
			if err != nil {
				t.Fatal(err)
			}
			var ids []int64
			for _, e := range got {
				ids = append(ids, e.ID)
			}
			if d := cmp.Diff(c.want, ids); d != "" {
				t.Errorf("%s (−want +got):\n%s", c.name, d)
			}
		}
		if err := s.WithdrawEvent(ctx, 2, by("A", 3, "it was N4")); err != nil {
			t.Fatal(err)
		}
		events[1].Withdrawn = new(by("A", 3, "it was N4"))
		if got, err := s.Events(ctx, EventQuery{ID: 2, Withdrawn: true}); err != nil || cmp.Diff(events[1:2], got) != "" {
			t.Errorf("withdrawn: %v, %s", err, cmp.Diff(events[1:2], got))
		}
		if got, err := s.Events(ctx, EventQuery{ID: 2}); err != nil || got != nil {
			t.Errorf("an event withdrawn is listed: %v, %v", got, err)
		}
		if _, err := s.AddEvent(ctx, Event{Happened: noon, Text: " ", Act: by("A", 0, "w")}); err == nil {
			t.Error("an event without words was taken")
		}
		if err := s.WithdrawEvent(ctx, 9, by("A", 3, "w")); err == nil || err.Error() != "there is no event 9" {
			t.Errorf("got %v", err)
		}
	})
}

func TestEventOn(t *testing.T) {
	for _, c := range []struct {
		event Event
		chart Chart
		want  bool
	}{
		{Event{}, dieX, true},
		{Event{Part: "tern", Line: "2"}, dieX, true},
		{Event{Part: "wren"}, dieX, false},
		{Event{Head: "H1"}, Chart{Part: "tern", Head: "H2"}, false},
		{Event{Line: "2"}, Chart{Part: "tern", Line: "2"}, true},
	} {
		if got := c.event.On(c.chart); got != c.want {
			t.Errorf("%+v on %v: got %v", c.event, c.chart, got)
		}
	}
}

// record keeps a reading with a verdict.
func record(t testing.TB, s *Store, i int, verdict reading.Decision) int64 {
	t.Helper()
	r := aDie(i)
	r.Verdict = reading.Verdict{Decision: verdict}
	id, _, err := s.Record(t.Context(), Record{Reading: r, At: noon, Line: "2"})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func TestReviews(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		var ids []int64
		for i, v := range []reading.Decision{reading.Accept, reading.Review, reading.Review, reading.Reject, reading.Retake, reading.Review} {
			ids = append(ids, record(t, s, i, v)) // lots of five
		}
		waiting := func(want ...int64) {
			t.Helper()
			cases, err := s.Cases(ctx, CaseQuery{Undecided: true})
			if err != nil {
				t.Fatal(err)
			}
			var got []int64
			for _, c := range cases {
				got = append(got, c.Shot.ID)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("waiting (−want +got):\n%s", d)
			}
		}
		waiting(ids[1], ids[2], ids[5])
		if _, err := s.Decide(ctx, ids[1], reading.Reject, by("A", 1, "chipped")); err != nil {
			t.Fatal(err)
		}
		waiting(ids[2], ids[5])
		if _, err := s.Decide(ctx, ids[1], reading.Accept, by("B", 2, "a fibre, not a chip")); err != nil {
			t.Fatal(err)
		}
		for _, c := range []struct {
			shot     int64
			decision reading.Decision
			want     string
		}{
			{ids[0], reading.Reject, "isn't in review: the measurement says accept, and that stands"},
			{99, reading.Reject, "there is no shot 99"},
			{ids[2], reading.Retake, "decide for accept or for reject"},
		} {
			if _, err := s.Decide(ctx, c.shot, c.decision, by("A", 1, "w")); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want an error with %q", err, c.want)
			}
		}
		cases, err := s.Cases(ctx, CaseQuery{Query: Query{Limit: 2}})
		if err != nil || len(cases) != 2 || cases[0].Shot.ID != ids[2] {
			t.Errorf("the newest two: %+v, %v", cases, err)
		}
		cases, err = s.Cases(ctx, CaseQuery{Query: Query{Lot: "L00000"}})
		if err != nil || len(cases) != 2 || len(cases[0].Reviews) != 2 || cases[0].Decided().Decision != reading.Accept || cases[1].Decided() != nil {
			t.Errorf("of a lot: %+v, %v", cases, err)
		}
		if shots, err := s.Shots(ctx, Query{Lot: "L00000"}); err != nil || shots[1].Verdict != reading.Review {
			t.Errorf("the measured verdict: %+v, %v; want it as it was", shots[1], err)
		}

		lots, err := s.Lots(ctx, LotQuery{})
		if err != nil {
			t.Fatal(err)
		}
		minute := func(n int) time.Time { return noon.Add(time.Duration(n) * time.Minute) }
		want := []Lot{
			{Part: "tern", Name: "L00000", Line: "2", First: minute(0), Last: minute(4), Samples: 5, Shots: 5, Accept: 1, Reject: 1, Review: 2, Retake: 1, Accepted: 1},
			{Part: "tern", Name: "L00001", Line: "2", First: minute(5), Last: minute(5), Samples: 1, Shots: 1, Review: 1},
		}
		if d := cmp.Diff(want, lots); d != "" {
			t.Errorf("lots (−want +got):\n%s", d)
		}
		if n := lots[0].Undecided(); n != 1 {
			t.Errorf("%d undecided, want 1", n)
		}
		for _, q := range []LotQuery{{Name: "L00001"}, {Since: minute(5)}, {Limit: 1}} {
			if lots, err := s.Lots(ctx, q); err != nil || cmp.Diff(want[1:], lots) != "" {
				t.Errorf("%+v: %v, %v", q, lots, err)
			}
		}

		// Measured again with another result, the shot has to be decided about anew.
		r := aDie(1)
		r.Verdict = reading.Verdict{Decision: reading.Review}
		r.Source.Program = "v2.0.0"
		if _, _, err := s.Record(ctx, Record{Reading: r, At: noon}); err != nil {
			t.Fatal(err)
		}
		waiting(ids[1], ids[2], ids[5])
		if lots, err := s.Lots(ctx, LotQuery{Name: "L00000"}); err != nil || lots[0].Undecided() != 2 {
			t.Errorf("after another reading: %+v, %v; want 2 undecided", lots, err)
		}
	})
}

func TestCheckSamples(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		c := CheckSample{Part: "tern", Sample: "CS-1", View: reading.DiePlan, Value: "x_um", Reference: 12.3, UReference: 0.2, Act: by("A", 0, "measured on the reference bench")}
		id, err := s.AddCheckSample(ctx, c)
		if err != nil {
			t.Fatal(err)
		}
		c.ID = id
		if got, err := s.CheckSamples(ctx, CheckSampleQuery{Part: "tern"}); err != nil || cmp.Diff([]CheckSample{c}, got) != "" {
			t.Errorf("got %+v, %v", got, err)
		}
		if err := s.WithdrawCheckSample(ctx, id, by("A", 1, "dropped")); err != nil {
			t.Fatal(err)
		}
		if got, err := s.CheckSamples(ctx, CheckSampleQuery{}); err != nil || got != nil {
			t.Errorf("withdrawn, and still listed: %+v, %v", got, err)
		}
		c.Value = "missng"
		if _, err := s.AddCheckSample(ctx, c); err == nil || !strings.Contains(err.Error(), "did you mean missing?") {
			t.Errorf("got %v", err)
		}
	})
}

// Two who judge the same shots at once record them once.
func TestRecordJudgedOnce(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		phase := startedPhase(t, s, aPhase(-1))
		record(t, s, 0, reading.Accept)
		record(t, s, 7, reading.Accept)
		a, err := s.Unjudged(ctx)
		if err != nil {
			t.Fatal(err)
		}
		b, err := s.Unjudged(ctx)
		if err != nil {
			t.Fatal(err)
		}
		wantLines := []LineWork{{"tern", reading.DiePlan, "2", noon}}
		wantAgain := []ChartWork{{dieX, noon.Add(-time.Hour)}}
		if d := cmp.Diff(wantLines, a.Lines); d != "" {
			t.Errorf("lines (−want +got):\n%s", d)
		}
		if d := cmp.Diff(wantAgain, a.Again); d != "" {
			t.Errorf("again (−want +got):\n%s", d)
		}
		found, err := s.RecordJudged(ctx, a, Judged{At: noon, By: "inspect", New: []Signal{aSignal(phase, 1)}})
		if err != nil || len(found) != 1 || found[0].ID == 0 {
			t.Fatalf("%+v, %v", found, err)
		}
		if _, err := s.RecordJudged(ctx, b, Judged{At: noon, By: "inspect", New: []Signal{aSignal(phase, 1)}}); !errors.Is(err, ErrJudgedMeanwhile) {
			t.Errorf("the second: %v, want ErrJudgedMeanwhile", err)
		}
		if w, err := s.Unjudged(ctx); err != nil || w.Lines != nil || w.Again != nil {
			t.Errorf("what is left: %+v, %v", w, err)
		}
		grown := found[0]
		grown.Last.Shot, grown.Times = 2, 2
		w, _ := s.Unjudged(ctx)
		later := ChartWork{dieX, noon.Add(time.Hour)}
		if _, err := s.RecordJudged(ctx, w, Judged{At: noon, By: "inspect", Extended: []Signal{grown}, Again: []ChartWork{later}}); err != nil {
			t.Fatal(err)
		}
		if got, err := s.Signal(ctx, grown.ID); err != nil || cmp.Diff(grown, got) != "" {
			t.Errorf("grown: %v, %s", err, cmp.Diff(grown, got))
		}
		if w, err := s.Unjudged(ctx); err != nil || cmp.Diff([]ChartWork{later}, w.Again) != "" {
			t.Errorf("left for later: %+v, %v", w.Again, err)
		}
	})
}

// Two who acknowledge the same signal at once don't lose each other's words: each change begins with
// what the one before left.
func TestAcknowledgeAtOnce(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		id := judged(t, s, aSignal(startedPhase(t, s, aPhase(-1)), 5))[0].ID
		const people = 8
		var wg sync.WaitGroup
		for i := range people {
			wg.Go(func() {
				if err := s.AcknowledgeSignal(t.Context(), id, fmt.Sprint("cause ", i), "action", by("A", i, "w")); err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		changes, err := s.Changes(t.Context(), ChangeQuery{What: SignalThing, Subject: id})
		if err != nil || len(changes) != people+1 {
			t.Fatalf("%d changes, %v; want %d", len(changes), err, people+1)
		}
		for i, c := range changes[1:] {
			if string(c.Before) != string(changes[i].After) {
				t.Errorf("change %d begins with %s, the one before ended with %s", c.ID, c.Before, changes[i].After)
			}
		}
	})
}

// Whatever people do in whatever order, the changes tell it all: replayed from the first, they give
// the signals, phases, events and reviews as they stand, and each begins where the last one about
// the same thing ended.
func TestChangesTellAll(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		for i := range 6 {
			record(t, s, 100+i, reading.Review)
		}
		hour := 0
		rapid.Check(t, func(t *rapid.T) {
			for range rapid.IntRange(1, 6).Draw(t, "actions") {
				hour++
				act := by(rapid.SampledFrom([]string{"A", "B", ""}).Draw(t, "by"), hour, "w")
				id := int64(rapid.IntRange(1, 8).Draw(t, "id"))
				// What is refused must leave nothing behind, so errors don't matter here.
				switch rapid.IntRange(0, 9).Draw(t, "what") {
				case 0:
					p := aPhase(hour)
					p.Act = act
					_, _ = s.StartPhase(ctx, p)
				case 1:
					_ = s.WithdrawPhase(ctx, id, act)
				case 2:
					if w, err := s.Unjudged(ctx); err == nil {
						_, _ = s.RecordJudged(ctx, w, Judged{At: act.At, By: act.By, New: []Signal{aSignal(id, hour)}})
					}
				case 3:
					_ = s.AcknowledgeSignal(ctx, id, fmt.Sprint("cause ", hour), "action", act)
				case 4:
					_ = s.CloseSignal(ctx, id, act)
				case 5:
					_ = s.ReopenSignal(ctx, id, act)
				case 6:
					_, _ = s.AddEvent(ctx, Event{Happened: noon, Text: fmt.Sprint("event ", hour), Act: act})
				case 7:
					_ = s.WithdrawEvent(ctx, id, act)
				default:
					_, _ = s.Decide(ctx, id, rapid.SampledFrom([]reading.Decision{reading.Accept, reading.Reject, reading.Retake}).Draw(t, "decision"), act)
				}
			}
			checkReplay(t, s)
		})
	})
}

func checkReplay(t *rapid.T, s *Store) {
	ctx := t.Context()
	changes, err := s.Changes(ctx, ChangeQuery{})
	if err != nil {
		t.Fatal(err)
	}
	now := map[Thing]map[int64]json.RawMessage{}
	for _, c := range changes {
		if now[c.What] == nil {
			now[c.What] = map[int64]json.RawMessage{}
		}
		if string(now[c.What][c.Subject]) != string(c.Before) {
			t.Fatalf("change %d of %s %d begins with %s, it was %s", c.ID, c.What, c.Subject, c.Before, now[c.What][c.Subject])
		}
		if c.By == "" || c.Why == "" || c.At.IsZero() {
			t.Fatalf("change %d doesn't say who, when and why: %+v", c.ID, c)
		}
		now[c.What][c.Subject] = c.After
	}
	phases, err1 := s.Phases(ctx, PhaseQuery{Withdrawn: true})
	signals, err2 := s.Signals(ctx, SignalQuery{Superseded: true})
	events, err3 := s.Events(ctx, EventQuery{Withdrawn: true})
	cases, err4 := s.Cases(ctx, CaseQuery{})
	for _, err := range []error{err1, err2, err3, err4} {
		if err != nil {
			t.Fatal(err)
		}
	}
	replayed(t, now[PhaseThing], phases, func(p Phase) int64 { return p.ID })
	replayed(t, now[SignalThing], signals, func(s Signal) int64 { return s.ID })
	replayed(t, now[EventThing], events, func(e Event) int64 { return e.ID })
	var reviews []Review
	for _, c := range cases {
		if v := c.Decided(); v != nil {
			reviews = append(reviews, *v)
		}
	}
	replayed(t, now[ReviewThing], reviews, func(v Review) int64 { return v.Shot })
}

func replayed[T any](t *rapid.T, now map[int64]json.RawMessage, have []T, id func(T) int64) {
	if len(now) != len(have) {
		t.Fatalf("the changes tell of %d %T, there are %d", len(now), *new(T), len(have))
	}
	for _, want := range have {
		var got T
		if err := json.Unmarshal(now[id(want)], &got); err != nil {
			t.Fatal(err)
		}
		// Whether other limits hold at a signal follows from the phases.
		if d := cmp.Diff(want, got, cmpopts.IgnoreFields(Signal{}, "Superseded")); d != "" {
			t.Fatalf("%T %d (−want +replayed):\n%s", got, id(want), d)
		}
	}
}
