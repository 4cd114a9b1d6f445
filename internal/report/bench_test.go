package report_test

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/report"
	"plumbsquare/internal/store"
)

// aNight draws n readings of a line, half of dies, the others of arrays with 1089 sites, one at a
// time, so that they never lie in memory together. The placer drifts, head H2 sits off, a hole of the
// sieve is blocked now and then.
func aNight(n int) iter.Seq2[*reading.Reading, error] {
	return func(yield func(*reading.Reading, error) bool) {
		rng := rand.New(rand.NewPCG(1, 2))
		for i := range n {
			r := shot(i, reading.DiePlan, reading.Accept)
			r.Shot.Lot = fmt.Sprintf("L%04d", i/10)
			r.Shot.Nozzle = fmt.Sprintf("N%d", i%4+1)
			r.Shot.TakenAt = time.Date(2031, 3, 4, 0, 0, 0, 0, time.UTC).Add(time.Duration(i) * 24 * time.Hour / time.Duration(n)).Format(time.RFC3339)
			if i%2 == 0 {
				dieOfNight(r, rng, float64(i)/float64(n))
			} else {
				arrayOfNight(r, rng)
			}
			if !yield(r, nil) {
				return
			}
		}
	}
}

func dieOfNight(r *reading.Reading, rng *rand.Rand, late float64) {
	x := 8*rng.NormFloat64() + 20*max(0, late-0.6)
	if r.Shot.Head == "H2" {
		x += 6
	}
	r.Offset = &reading.Offset{Of: "die", XUm: x, YUm: 9 * rng.NormFloat64(), ThetaDeg: 0.03 * rng.NormFloat64(), UXUm: 0.3, UYUm: 0.3, UTheta: 0.002}
	switch {
	case rng.Float64() < 0.02:
		r.Offset = nil
		r.Verdict.Decision = reading.Retake
		r.Refusal = &reading.Refusal{Gate: "defocus", Instruction: "focus"}
	case x > 30:
		r.Verdict = reading.Verdict{Decision: reading.Reject, Reasons: []reading.Reason{{What: "offset_x_um", Decision: reading.Reject, Text: fmt.Sprintf("the X offset, %.1f µm, is beyond its limit of 30 µm", x)}}}
	}
}

func arrayOfNight(r *reading.Reading, rng *rand.Rand) {
	const rows, columns = 33, 33
	r.Shot.View = reading.ColumnPlan
	r.Array = &reading.Array{Kind: "columns", XUm: 5 * rng.NormFloat64(), YUm: 5 * rng.NormFloat64(), ThetaDeg: 0.01 * rng.NormFloat64(), UXUm: 0.5, UYUm: 0.5, UTheta: 0.001, LeanDeg: 0.3 + 0.05*rng.NormFloat64()}
	for row := 1; row <= rows; row++ {
		for column := 1; column <= columns; column++ {
			s := reading.Site{Name: part.SiteName(row, column), State: reading.Present, AzimuthDeg: 360 * rng.Float64()}
			switch u := rng.Float64(); {
			case u < 1e-5, row == 7 && column == 14 && u < 0.05:
				s.State = reading.Missing
				r.Array.Missing++
			case u < 5e-5:
				s.State = reading.Tilted
				r.Array.Tilted++
			}
			r.Array.Sites = append(r.Array.Sites, s)
		}
	}
	r.Array.Present = rows*columns - r.Array.Missing
	if r.Array.Missing > 0 {
		r.Verdict = reading.Verdict{Decision: reading.Reject, Reasons: []reading.Reason{{What: "missing", Decision: reading.Reject, Text: fmt.Sprintf("%d columns are missing, 0 allowed", r.Array.Missing)}}}
	}
}

type counter int64

func (c *counter) Write(p []byte) (int, error) {
	*c += counter(len(p))
	return len(p), nil
}

// BenchmarkFromStore makes the report of a night whose readings lie in an SQLite store, with those of
// the night before.
func BenchmarkFromStore(b *testing.B) {
	for _, n := range []int{1000, 10_000} {
		b.Run(fmt.Sprintf("shots=%d", n), func(b *testing.B) {
			st, err := store.Open(b.Context(), filepath.Join(b.TempDir(), "line.db"))
			if err != nil {
				b.Fatal(err)
			}
			defer st.Close()
			day := time.Date(2031, 3, 4, 0, 0, 0, 0, time.UTC)
			i := 0
			for r := range aNight(n + n/10) {
				at := day.Add(time.Duration(i-n/10) * 24 * time.Hour / time.Duration(n))
				r.Shot.TakenAt, r.Source.SHA256 = at.Format(time.RFC3339Nano), fmt.Sprintf("%064x", i)
				if _, _, err := st.Record(b.Context(), store.Record{Reading: r, At: at}); err != nil {
					b.Fatal(err)
				}
				i++
			}
			b.ReportAllocs()
			for b.Loop() {
				r, err := report.FromStore(b.Context(), st, store.Query{Since: day, Until: day.AddDate(0, 0, 1)}, report.Options{})
				if err == nil {
					err = errors.Join(r.HTML(io.Discard), r.PDF(io.Discard))
				}
				if err != nil || r.Outcome().Measured+r.Outcome().Not != n {
					b.Fatal(err, r.Outcome())
				}
			}
		})
	}
}

// BenchmarkReport makes the report of a night's readings in both forms; BenchmarkNight is what of
// that drawing the readings takes. held-MB is what lies in memory once the report is made.
func BenchmarkReport(b *testing.B) {
	for _, n := range []int{100, 1000, 10_000} {
		b.Run(fmt.Sprintf("shots=%d", n), func(b *testing.B) {
			b.ReportAllocs()
			var page, paper counter
			var held uint64
			for b.Loop() {
				r, err := report.New(aNight(n), report.Options{})
				if err != nil {
					b.Fatal(err)
				}
				page, paper = 0, 0
				if err := r.HTML(&page); err != nil {
					b.Fatal(err)
				}
				if err := r.PDF(&paper); err != nil {
					b.Fatal(err)
				}
				b.StopTimer()
				runtime.GC()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				held = max(held, m.HeapAlloc)
				runtime.KeepAlive(r)
				b.StartTimer()
			}
			b.ReportMetric(float64(page)/1e6, "html-MB")
			b.ReportMetric(float64(paper)/1e6, "pdf-MB")
			b.ReportMetric(float64(held)/1e6, "held-MB")
		})
	}
}

func BenchmarkNight(b *testing.B) {
	for b.Loop() {
		for r := range aNight(10_000) {
			fmt.Fprint(io.Discard, r.Schema)
		}
	}
}
