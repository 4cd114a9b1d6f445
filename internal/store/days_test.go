package store

import (
	"database/sql"
	"fmt"
	"math"
	"strings"
	"sync"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"

	"plumbsquare/internal/reading"
)

// However values are put together, the sums are those of all of them at once, as gonum's stat has
// mean and standard deviation.
func TestSums(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		far := rapid.SampledFrom([]float64{0, 1e6, -1e9}).Draw(t, "far")
		values := rapid.SliceOfN(rapid.Float64Range(-10, 10), 2, 40).Draw(t, "values")
		for i := range values {
			values[i] += far
		}
		var whole, left, right sums
		cut := rapid.IntRange(0, len(values)).Draw(t, "cut")
		for i, v := range values {
			whole.add(v)
			if i < cut {
				left.add(v)
			} else {
				right.add(v)
			}
		}
		left.join(right)
		mean, sd := stat.MeanStdDev(values, nil)
		for _, s := range []sums{whole, left} {
			d := s.of(noon)
			if tolerance := 1e-12*math.Abs(far) + 1e-9; d.N != len(values) || math.Abs(d.Mean-mean) > tolerance || math.Abs(d.SD-sd) > 1e-5*sd+tolerance {
				t.Fatalf("got %+v, want mean %v, SD %v", d, mean, sd)
			}
		}
	})
}

// daysOf does what Days does by looking at every shot.
func daysOf(t *testing.T, s *Store, q Query, name string) []Day {
	t.Helper()
	if !q.Since.IsZero() {
		q.Since = midnight(q.Since)
	}
	if !q.Until.IsZero() && !q.Until.Equal(midnight(q.Until)) {
		q.Until = midnight(q.Until).AddDate(0, 0, 1)
	}
	values, err := s.Series(t.Context(), q, name)
	if err != nil {
		t.Fatal(err)
	}
	var days []Day
	for i := 0; i < len(values); {
		day := midnight(values[i].Shot.TakenAt)
		var sum sums
		for ; i < len(values) && midnight(values[i].Shot.TakenAt).Equal(day); i++ {
			sum.add(values[i].Value)
		}
		days = append(days, sum.of(day))
	}
	return days
}

func sameDays(got, want []Day) bool {
	if len(got) != len(want) {
		return false
	}
	near := func(a, b float64) bool { return math.Abs(a-b) < 1e-9 }
	for i, g := range got {
		w := want[i]
		if !g.Day.Equal(w.Day) || g.N != w.N || !near(g.Mean, w.Mean) || !near(g.SD, w.SD) || g.Min != w.Min || g.Max != w.Max {
			return false
		}
	}
	return true
}

// The sums are those of the shots, whatever was recorded, read again or corrected in between.
func TestDays(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		record := func(i int, change func(*reading.Reading)) {
			r := aDie(i)
			r.Shot.TakenAt = noon.Add(time.Duration(i) * 5 * time.Hour).Format(time.RFC3339)
			change(r)
			if _, _, err := s.Record(t.Context(), Record{Reading: r, At: noon, Line: []string{"", "A", "B"}[i%3]}); err != nil {
				t.Fatal(err)
			}
		}
		look := func(when string) {
			t.Helper()
			for _, q := range []Query{
				{}, {Head: "H1"}, {Line: "B"}, {Line: "A", Head: "H2"}, {Head: "H9"},
				{Since: noon.Add(30 * time.Hour)}, {Since: noon.Add(30 * time.Hour), Until: noon.Add(80 * time.Hour)}, {Until: midnight(noon).AddDate(0, 0, 2)},
			} {
				q.Part, q.View = "tern", string(reading.DiePlan)
				for _, name := range []string{"x_um", "blur_px", "missing"} {
					got, err := s.Days(t.Context(), q, name)
					if err != nil {
						t.Fatal(err)
					}
					if want := daysOf(t, s, q, name); !sameDays(got, want) {
						t.Errorf("%s, %s of %+v: got\n%+v\nwant\n%+v", when, name, q, got, want)
					}
				}
			}
		}
		for i := range 30 {
			record(i, func(*reading.Reading) {})
		}
		look("first")
		record(31, func(*reading.Reading) {})
		look("one more")
		record(3, func(r *reading.Reading) { r.Offset.XUm = 77 })
		look("read again")
		record(4, func(r *reading.Reading) { r.Shot.TakenAt = noon.AddDate(0, 0, 9).Format(time.RFC3339) })
		look("taken on another day")
		record(5, func(r *reading.Reading) {
			r.Offset, r.Verdict.Decision, r.Refusal = nil, reading.Retake, &reading.Refusal{Gate: "defocus"}
		})
		look("a retake after all")
		if _, err := s.Tidy(t.Context()); err != nil {
			t.Fatal(err)
		}
		look("tidied")
		for _, q := range []Query{{}, {Part: "tern"}, {Part: "tern", View: "die-plan", Lot: "L1"}, {Part: "tern", View: "die-plan", Limit: 3}} {
			if _, err := s.Days(t.Context(), q, "x_um"); err == nil {
				t.Errorf("summed %+v", q)
			}
		}
		if _, err := s.Days(t.Context(), Query{Part: "tern", View: "die-plan"}, "x"); err == nil || !strings.Contains(err.Error(), "no quantity") {
			t.Errorf("got %v", err)
		}
	})
}

// No shot is missed that is recorded while its day is summed.
func TestDaysWhileRecording(t *testing.T) {
	const shots = 40
	eachAddress(t, func(t *testing.T, at string) {
		writer, reader := open(t, at), open(t, at)
		q := Query{Part: "tern", View: string(reading.DiePlan)}
		var wg sync.WaitGroup
		for w := range 2 {
			wg.Go(func() {
				for i := range shots {
					if _, _, err := writer.Record(t.Context(), Record{Reading: aDie(2*i + w), At: noon}); err != nil {
						t.Error(err)
					}
				}
			})
		}
		for range 10 {
			if _, err := reader.Days(t.Context(), q, "x_um"); err != nil {
				t.Error(err)
			}
		}
		wg.Wait()
		days, err := reader.Days(t.Context(), q, "x_um")
		if err != nil || len(days) != 1 || days[0].N != 2*shots {
			t.Errorf("got %s, %v", fmt.Sprint(days), err)
		}
	})
}

// Days without a quantity are passed over, and none that has it.
func TestSeriesPassesOverDaysWithoutIt(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		q := Query{Part: "tern"}
		want := func(name string, shots int) {
			t.Helper()
			values, err := s.Series(t.Context(), q, name)
			if err != nil || len(values) != shots {
				t.Errorf("%s: got %d values, %v; want %d", name, len(values), err, shots)
			}
			narrow, any, err := s.narrowed(t.Context(), q, name)
			if err != nil || any != (shots > 0) || any && (narrow.Since.IsZero() || narrow.Until.IsZero()) {
				t.Errorf("%s: narrowed to %+v, %v, %v", name, narrow, any, err)
			}
		}
		for i := range 5 {
			mustRecord(t, s, aDie(i))
		}
		want("x_um", 5)
		want("missing", 0)
		array := anArray(0, 5)
		array.Shot.TakenAt = noon.AddDate(0, 0, 3).Format(time.RFC3339)
		mustRecord(t, s, array)
		want("missing", 1)
		want("x_um", 5)
		// A shot that moves to another day takes its quantities with it.
		array.Shot.TakenAt = noon.AddDate(0, 0, -3).Format(time.RFC3339)
		mustRecord(t, s, array)
		want("missing", 1)
		// What was summed before the bits were noted may have anything.
		err := s.tx(t.Context(), func(tx *sql.Tx) error {
			_, err := tx.Exec("UPDATE days SET quantities = -1")
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		want("missing", 1)
	})
}
