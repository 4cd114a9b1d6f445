package store

import (
	"context"
	"database/sql"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/store/pgtest"
)

// shotsEnv says how many shots the benchmarks' stores hold: make bench-store sets ten million.
const shotsEnv = "STORE_SHOTS"

func benchShots(b *testing.B) int {
	text := os.Getenv(shotsEnv)
	if text == "" {
		return 20_000
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		b.Fatalf("%s: want a number of shots, got %q", shotsEnv, text)
	}
	return n
}

// benchStep is the time from shot to shot that makes ten million in five years.
const benchStep = 5 * 365 * 24 * time.Hour / 10_000_000

// fill makes n shots inside the database, as a busy plant would leave them: three
// parts in two views, two lines, four heads, lots of five, one in fifty rejected. It leaves the
// readings out, which no chart opens.
func fill(b *testing.B, s *Store, n int) {
	b.Helper()
	step := benchStep
	sha, at := "randomblob(32)", fmt.Sprintf("%d + i * %d", noon.UnixMicro(), step.Microseconds())
	if s.dialect == postgres {
		sha = "sha256(int8send(i))"
		at = fmt.Sprintf("TIMESTAMP WITH TIME ZONE '%s' + i * INTERVAL '%d microseconds'", noon.Format(time.RFC3339), step.Microseconds())
	}
	// value is a number of the size of an offset that differs from shot to shot.
	value := func(k int) string { return fmt.Sprintf("((i %% 100003 * %d) %% 100003) / 5000.3 - 10", 7919+2*k) }
	columns := []string{"x_um", "u_x_um", "y_um", "u_y_um", "theta_deg", "u_theta_deg", "width_um", "u_width_um", "height_um", "u_height_um", "substrate_turn_deg", "substrate_scale", "noise_dn", "blur_px", "saturated_percent", "dark_percent"}
	var values []string
	for k := range columns {
		values = append(values, value(k))
	}
	part := "CASE i % 3 WHEN 0 THEN 'tern' WHEN 1 THEN 'wren' ELSE 'plover' END"
	lot := "'L' || (i / 15)"
	// Indexes are made again afterwards: over ten million rows that is several times as fast.
	var indexes []string
	steps, err := sqlSteps.ReadFile("migrations/00001_readings.sql")
	if err != nil {
		b.Fatal(err)
	}
	for line := range strings.Lines(string(steps)) {
		if strings.HasPrefix(line, "CREATE INDEX shots_") {
			indexes = append(indexes, line)
		}
	}
	pragma := func(settings string) {
		if s.dialect != sqlite {
			return
		}
		if _, err := s.write.Exec(settings); err != nil {
			b.Fatal(err)
		}
	}
	pragma("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF; PRAGMA foreign_keys = OFF") // there is nothing to lose
	err = s.tx(b.Context(), func(tx *sql.Tx) error {
		var queries []string
		if s.dialect == postgres { // without looking whether rows belong to something
			queries = append(queries, "SET LOCAL session_replication_role = replica")
		}
		for _, x := range indexes {
			queries = append(queries, "DROP INDEX "+strings.Fields(x)[2])
		}
		numbers := fmt.Sprintf("WITH RECURSIVE numbers(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM numbers WHERE i < %d) ", n-1)
		if s.dialect == postgres {
			numbers = fmt.Sprintf("WITH numbers AS (SELECT i FROM generate_series(0, %d) AS i) ", n-1)
		}
		queries = append(queries,
			"INSERT INTO lots (part, name, first_at, last_at) "+numbers+"SELECT "+part+", "+lot+", "+"min("+at+"), max("+at+") FROM numbers GROUP BY 1, 2",
			"INSERT INTO samples (part, lot, name) "+numbers+"SELECT "+part+", "+lot+", 'S' || i FROM numbers",
			"INSERT INTO shots (picture_sha256, part, view, taken_at, recorded_at, readings, verdict, line, lot, sample, head, nozzle, operator, offset_of, "+strings.Join(columns, ", ")+") "+numbers+
				"SELECT "+sha+", "+part+", CASE i % 2 WHEN 0 THEN 'die-plan' ELSE 'die-ir' END, "+at+", "+at+", 1, CASE (i / 6) % 50 WHEN 3 THEN 'reject' ELSE 'accept' END, CASE (i / 6) % 2 WHEN 0 THEN 'A' ELSE 'B' END, "+
				lot+", 'S' || i, 'H' || ((i / 6) % 4), 'N' || ((i / 6) % 8), 'op', 'die', "+strings.Join(values, ", ")+" FROM numbers")
		queries = append(queries, indexes...)
		queries = append(queries, s.dialect.markAllDays(), fmt.Sprintf("UPDATE days SET quantities = %d", bitsOf(aDie(0))))
		for _, q := range queries {
			if _, err := tx.Exec(q); err != nil {
				return fmt.Errorf("%w: %.80s", err, q)
			}
		}
		return nil
	})
	pragma("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON")
	if err != nil {
		b.Fatal(err)
	}
}

// BenchmarkSeries takes a chart's data out of a store: any of them is to take less than 200 ms when
// there are ten million shots.
func BenchmarkSeries(b *testing.B) {
	n := benchShots(b)
	b.Run("sqlite", func(b *testing.B) { benchSeries(b, filepath.Join(b.TempDir(), "store.db"), n) })
	b.Run("postgres", func(b *testing.B) { benchSeries(b, pgtest.New(b), n) })
}

func benchSeries(b *testing.B, at string, n int) {
	s, err := Open(context.Background(), at)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = s.Close() })
	start := time.Now()
	fill(b, s, n)
	size, err := s.Size(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	made := time.Since(start)
	start = time.Now()
	if _, err := s.Tidy(b.Context()); err != nil {
		b.Fatal(err)
	}
	b.Logf("tidied for the first time in %.0f s", time.Since(start).Seconds())
	b.Logf("%d shots made in %.0f s; %.2f GB, %.0f bytes each", n, made.Seconds(), float64(size)/1e9, float64(size)/float64(n))
	end := noon.Add(time.Duration(n) * benchStep)
	tern := Query{Part: "tern", View: string(reading.DiePlan)}
	with := func(change func(*Query)) Query { q := tern; change(&q); return q }
	b.Run("a value that dies do not have", func(b *testing.B) {
		for b.Loop() {
			if values, err := s.Series(b.Context(), with(func(q *Query) { q.Limit = 1000 }), "missing"); err != nil || values != nil {
				b.Fatalf("%v, %v", values, err)
			}
		}
	})
	for _, c := range []struct {
		name string
		q    Query
	}{
		{"newest 1000", with(func(q *Query) { q.Limit = 1000 })},
		{"newest 10000", with(func(q *Query) { q.Limit = 10_000 })},
		{"newest 1000 of a head", with(func(q *Query) { q.Head, q.Limit = "H2", 1000 })},
		{"newest 1000 of a head on a line", with(func(q *Query) { q.Line, q.Head, q.Limit = "B", "H1", 1000 })},
		{"newest 1000 of a head that is not there", with(func(q *Query) { q.Head, q.Limit = "H9", 1000 })},
		{"newest 1000 rejected", with(func(q *Query) { q.Verdicts, q.Limit = []reading.Decision{reading.Reject}, 1000 })},
		{"newest 1000 of all parts", Query{Limit: 1000}},
		{"a day", with(func(q *Query) { q.Since, q.Until = end.Add(-2*24*time.Hour), end.Add(-24*time.Hour) })},
		{"a week", with(func(q *Query) { q.Since, q.Until = end.Add(-8*24*time.Hour), end.Add(-24*time.Hour) })},
		{"a lot", with(func(q *Query) { q.Lot = fmt.Sprintf("L%d", n/30) })},
		{"a sample", Query{Sample: fmt.Sprintf("S%d", n/2)}},
	} {
		b.Run(c.name, func(b *testing.B) {
			points := 0
			for b.Loop() {
				values, err := s.Series(b.Context(), c.q, "x_um")
				if err != nil {
					b.Fatal(err)
				}
				points = len(values)
			}
			b.ReportMetric(float64(points), "points")
		})
	}
	for _, c := range []struct {
		name string
		q    Query
	}{
		{"all years by day", tern},
		{"all years of a head by day", with(func(q *Query) { q.Head = "H2" })},
	} {
		b.Run(c.name, func(b *testing.B) {
			points := 0
			for b.Loop() {
				days, err := s.Days(b.Context(), c.q, "x_um")
				if err != nil {
					b.Fatal(err)
				}
				points = len(days)
			}
			b.ReportMetric(float64(points), "points")
		})
	}
}

// BenchmarkRecord keeps dies and arrays of a thousand, each in a transaction of its own that is on
// the disk when it returns.
func BenchmarkRecord(b *testing.B) {
	for _, kind := range []struct {
		name string
		make func(i int) *reading.Reading
	}{{"die", aDie}, {"array", func(i int) *reading.Reading { return anArray(i, 1000) }}} {
		for _, db := range []struct {
			name string
			at   func(*testing.B) string
		}{
			{"sqlite", func(b *testing.B) string { return filepath.Join(b.TempDir(), "store.db") }},
			{"postgres", func(b *testing.B) string { return pgtest.New(b) }},
		} {
			b.Run(kind.name+"/"+db.name, func(b *testing.B) {
				s := open(b, db.at(b))
				i := 0
				for b.Loop() {
					i++
					mustRecord(b, s, kind.make(i))
				}
			})
		}
	}
}

// BenchmarkRead reads what is kept of 300 arrays of a thousand columns, and of as many dies: whole
// readings, the sites, the sites' states.
func BenchmarkRead(b *testing.B) {
	const shots = 300
	for _, db := range []struct {
		name string
		at   func(*testing.B) string
	}{
		{"sqlite", func(b *testing.B) string { return filepath.Join(b.TempDir(), "store.db") }},
		{"postgres", func(b *testing.B) string { return pgtest.New(b) }},
	} {
		b.Run(db.name, func(b *testing.B) {
			s, err := Open(context.Background(), db.at(b))
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(func() { _ = s.Close() })
			for i := range shots {
				mustRecord(b, s, aDie(i))
				mustRecord(b, s, anArray(i, 1000))
			}
			dies, arrays := Query{View: string(reading.DiePlan)}, Query{View: string(reading.ColumnPlan)}
			for _, c := range []struct {
				name string
				read func() int
			}{
				{"readings of dies", func() int { return count(b, s.Readings(b.Context(), dies)) }},
				{"readings of arrays", func() int { return count(b, s.Readings(b.Context(), arrays)) }},
				{"sites", func() int { return count(b, s.Sites(b.Context(), arrays)) }},
				{"states", func() int { return count(b, s.States(b.Context(), arrays)) }},
			} {
				b.Run(c.name, func(b *testing.B) {
					for b.Loop() {
						if n := c.read(); n != shots {
							b.Fatalf("got %d shots", n)
						}
					}
					b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N)/shots, "µs/shot")
				})
			}
		})
	}
}

func count[T any](b *testing.B, all iter.Seq2[T, error]) (n int) {
	for _, err := range all {
		if err != nil {
			b.Fatal(err)
		}
		n++
	}
	return n
}
