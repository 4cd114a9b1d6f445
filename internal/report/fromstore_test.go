package report_test

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/report"
	"plumbsquare/internal/signal"
	"plumbsquare/internal/store"
)

// aLine is a store with forty dies of the day before and forty of the reported one, which sit 20 µm
// further, on line A; an event between them, limits fixed before, a signal's worth of review, check
// samples, one of them off, and a picture that was given up.
func aLine(t *testing.T) (*store.Store, time.Time) {
	t.Helper()
	st, err := store.Open(t.Context(), filepath.Join(t.TempDir(), "line.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := st.Close(); err != nil {
			t.Error(err)
		}
	})
	must := func(_ int64, err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	day := time.Date(2031, 3, 4, 0, 0, 0, 0, time.UTC)
	keep := func(r *reading.Reading, line string, at time.Time) int64 {
		t.Helper()
		r.Shot.TakenAt = at.Format(time.RFC3339)
		r.Source.SHA256 = fmt.Sprintf("%064x", at.UnixNano())
		id, known, err := st.Record(t.Context(), store.Record{Reading: r, At: at.Add(time.Minute), Line: line})
		if err != nil || known {
			t.Fatalf("record: known %v, %v", known, err)
		}
		return id
	}
	for i := range 80 {
		r := die(i)
		at := day.Add(time.Duration(i-40) * 30 * time.Minute)
		if i >= 40 {
			r.Offset.XUm += 20
		}
		if i == 50 || i == 51 {
			r.Verdict = reading.Verdict{Decision: reading.Review, Reasons: []reading.Reason{{What: "offset_x_um", Decision: reading.Review, Text: "X is too close to tell from its limit"}}}
		}
		id := keep(r, "A", at)
		if i == 50 {
			must(st.Decide(t.Context(), id, reading.Accept, store.Act{By: "the night shift", At: at.Add(time.Hour), Why: "measured again by hand"}))
		}
	}
	other := die(3)
	keep(other, "B", day.Add(3*time.Hour+time.Second))
	must(st.AddEvent(t.Context(), store.Event{Happened: day.Add(-10 * time.Hour), Part: "tern", Nozzle: "N3", Text: "changed", Act: store.Act{By: "the line", At: day, Why: "worn"}}))
	must(st.StartPhase(t.Context(), store.Phase{
		Chart: store.Chart{Part: "tern", View: reading.DiePlan, Line: "A", Value: "x_um"}, Name: "since the overhaul", Start: day.AddDate(0, 0, -2),
		Kind: "individuals", Rules: "nelson:1", Limits: store.Limits{Centre: 0, Sigma: 5, Source: "stated"}, Act: store.Act{By: "the line", At: day, Why: "first limits"},
	}))
	must(st.AddCheckSample(t.Context(), store.CheckSample{Part: "tern", Sample: "master", View: reading.DiePlan, Value: "x_um", Reference: 10, UReference: 0.2, Act: store.Act{By: "the lab", At: day, Why: "new master"}}))
	for i, off := range []float64{0.1, 3} {
		r := die(0)
		r.Shot.Sample, r.Offset.XUm = "master", 10+off
		keep(r, "A", day.Add(time.Duration(i+1)*time.Hour+time.Second))
	}
	return st, day
}

func storePage(t *testing.T, st *store.Store, q store.Query, o report.Options) (string, report.Outcome) {
	t.Helper()
	r, err := report.FromStore(t.Context(), st, q, o)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := r.HTML(&b); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(t.ArtifactDir(), "report.html"), b.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	checkSelfContained(t, b.String())
	return b.String(), r.Outcome()
}

func TestFromStore(t *testing.T) {
	st, day := aLine(t)
	text, err := os.ReadFile("../../examples/parts/tern.yaml")
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(st.KeepPart(t.Context(), "tern", text, day), st.KeepScope(t.Context(), "bench1", []byte("of: another time"), day)); err != nil {
		t.Fatal(err)
	}
	q := store.Query{Line: "A", Since: day, Until: day.AddDate(0, 0, 1)}
	page, outcome := storePage(t, st, q, report.Options{Written: day.AddDate(0, 0, 1)})
	if outcome.Measured != 40 || !outcome.Attention {
		t.Errorf("%+v", outcome)
	}
	for _, want := range []string{
		"40 pictures of 10 lots, taken 2031-03-04 00:00 to 19:30; asked for: the day 2031-03-04",
		"Die of part tern, line A, die-plan",
		"80 samples, 40 of them from before the report",
		"since the overhaul", "nozzle N3: changed", "this report", "Nelson 1",
		"offset X moved by", "Find what changed for the die of tern on line A",
		"Decided: accept, by the night shift on 2031-03-04 06:00: measured again by hand",
		"Decide on 1 sample in review",
		"Check scope bench1 before anything else: its check sample of 2031-03-04 02:00 failed", "more than its uncertainty explains", "2 checks in all, 1 failed",
		"limits −100 to 100 µm", "Left out: calibration of scope bench1",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
	for _, not := range []string{"line B", `data-row="reading"><td></td><td>master`} {
		if strings.Contains(page, not) {
			t.Errorf("the page says %q", not)
		}
	}
	if again, _ := storePage(t, st, q, report.Options{Written: day.AddDate(0, 0, 1)}); again != page {
		t.Error("the same store gives another page")
	}
}

// Lines of the plant have charts of their own; a day without a reading has a report all the same.
func TestFromStoreLines(t *testing.T) {
	st, day := aLine(t)
	page, outcome := storePage(t, st, store.Query{Since: day, Until: day.AddDate(0, 0, 1)}, report.Options{})
	if outcome.Measured != 41 || !strings.Contains(page, "Die of part tern, line B, die-plan") || !strings.Contains(page, "Die of part tern, line A, die-plan") {
		t.Errorf("two lines: %+v", outcome)
	}
	page, outcome = storePage(t, st, store.Query{Since: day.AddDate(1, 0, 0), Until: day.AddDate(1, 0, 1)}, report.Options{})
	if outcome.Measured != 0 || !outcome.Attention || !strings.Contains(page, "Nothing was measured") {
		t.Errorf("a day without readings: %+v", outcome)
	}
}

// Signals are told of by chart until they are closed; one that somebody has found the cause of says so.
func TestFromStoreSignals(t *testing.T) {
	st, day := aLine(t)
	if _, err := signal.Update(t.Context(), st, signal.Options{Now: day.AddDate(0, 0, 1), Program: "test"}); err != nil {
		t.Fatal(err)
	}
	all, err := st.Signals(t.Context(), store.SignalQuery{})
	if err != nil || len(all) < 1 {
		t.Fatalf("%d signals, %v", len(all), err)
	}
	act := store.Act{By: "the line", At: day.AddDate(0, 0, 1), Why: "seen"}
	if err := st.AcknowledgeSignal(t.Context(), all[0].ID, "nozzle worn", "changed", act); err != nil {
		t.Fatal(err)
	}
	q := store.Query{Line: "A", Since: day, Until: day.AddDate(0, 0, 1)}
	page, _ := storePage(t, st, q, report.Options{})
	for _, want := range []string{
		fmt.Sprintf("See to %d open signal", len(all)), " and note the cause: offset X of tern die-plan, line A",
		"1 with a cause", "<td>acknowledged</td>", "nozzle worn",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("the page doesn't say %q", want)
		}
	}
	if n := strings.Count(page, `data-row="signal"`); n != len(all) {
		t.Errorf("%d signals listed, want %d", n, len(all))
	}
}
