package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"
)

// A Day sums up a quantity over a day of UTC. Years of a busy line are millions of shots, more than
// any picture has points; this is what they are drawn of.
type Day struct {
	Day  time.Time // its midnight
	N    int       // shots that have the quantity
	Mean float64
	SD   float64 // standard deviation with N − 1; 0 of a single shot
	Min  float64
	Max  float64
}

// dayTables hold the sums. A day whose changes aren't those it was summed with has to be summed
// again; recording only counts a change, in the transaction in which it changes the shot.
const dayTables = `
CREATE TABLE days (
	part    TEXT NOT NULL,
	view    TEXT NOT NULL,
	day     TIMESTAMP NOT NULL, -- midnight, UTC
	changes INTEGER NOT NULL, -- how often shots taken on this day were recorded
	summed  INTEGER NOT NULL, -- changes, when it was summed
	PRIMARY KEY (part, view, day)
);
CREATE TABLE day_sums (
	part     TEXT NOT NULL,
	view     TEXT NOT NULL,
	quantity TEXT NOT NULL, -- a column of shots
	day      TIMESTAMP NOT NULL,
	line     TEXT NOT NULL, -- empty where nobody said, as head
	head     TEXT NOT NULL,
	n        INTEGER NOT NULL,
	mean     REAL NOT NULL,
	squares  REAL NOT NULL, -- of the deviations from the mean, summed
	least    REAL NOT NULL,
	largest  REAL NOT NULL,
	PRIMARY KEY (part, view, quantity, day, line, head),
	FOREIGN KEY (part, view, day) REFERENCES days (part, view, day)
);
`

func stepDays(ctx context.Context, tx *sql.Tx, d dialect) error {
	_, err := tx.ExecContext(ctx, d.words(dayTables)+d.markAllDays())
	return err
}

// markAllDays counts a change of every day for each of its shots.
func (d dialect) markAllDays() string {
	day := "taken_at - (taken_at % 86400000000 + 86400000000) % 86400000000" // times before 1970 too
	if d == postgres {
		day = "date_trunc('day', taken_at, 'UTC')"
	}
	return "INSERT INTO days (part, view, day, changes, summed) SELECT part, view, " + day + ", COUNT(*), 0 FROM shots GROUP BY 1, 2, 3"
}

// markDay counts a change of a day and adds the quantities that the shot has. Where many record shots of one day it is their meeting point:
// it comes last in a transaction.
func markDay(ctx context.Context, tx *sql.Tx, part, view string, taken time.Time, has int64) error {
	_, err := tx.ExecContext(ctx, `INSERT INTO days (part, view, day, changes, summed, quantities) VALUES ($1, $2, $3, 1, 0, $4)
		ON CONFLICT (part, view, day) DO UPDATE SET changes = days.changes + 1, quantities = days.quantities | excluded.quantities`,
		part, view, midnight(taken), has)
	return err
}

// narrowed is q without the days on which no shot has a quantity; false when there is none at all.
// Without it, who asks for the missing columns of dies has every die looked at.
func (s *Store) narrowed(ctx context.Context, q Query, name string) (Query, bool, error) {
	where, args := "", []any{int64(1) << bitOf(name)}
	for _, c := range []struct{ column, want string }{{"part", q.Part}, {"view", q.View}} {
		if c.want != "" {
			args = append(args, c.want)
			where += fmt.Sprintf(" AND %s = $%d", c.column, len(args))
		}
	}
	var first, last time.Time
	err := s.read.QueryRowContext(ctx, "SELECT MIN(day), MAX(day) FROM days WHERE (quantities & $1) <> 0"+where, args...).Scan(instantOf{&first}, instantOf{&last})
	if err != nil || first.IsZero() {
		return q, false, err
	}
	if q.Since.Before(first) {
		q.Since = first
	}
	if end := last.AddDate(0, 0, 1); q.Until.IsZero() || q.Until.After(end) {
		q.Until = end
	}
	return q, true, nil
}

func midnight(t time.Time) time.Time {
	y, m, d := t.UTC().Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// Days returns a quantity day by day. The query needs a part and a view, may name a line and a
// head, and times, which are taken as whole days of UTC; nothing else restricts sums. Days on which
// something was recorded since they were last asked for are summed first.
func (s *Store) Days(ctx context.Context, q Query, name string) ([]Day, error) {
	if _, err := quantityOf(name); err != nil {
		return nil, err
	}
	if q.Part == "" || q.View == "" {
		return nil, errors.New("days are summed by part and view: name both")
	}
	if q.Lot != "" || q.Sample != "" || q.Gate != "" || q.Verdicts != nil || q.Limit != 0 {
		return nil, errors.New("days are summed over all lots and verdicts")
	}
	if _, err := s.sumDays(ctx, q); err != nil {
		return nil, s.wrong("sum days", err)
	}
	where, args := q.days("day")
	for _, c := range []struct{ column, want string }{{"line", q.Line}, {"head", q.Head}} {
		if c.want != "" {
			args = append(args, c.want)
			where += fmt.Sprintf(" AND %s = $%d", c.column, len(args))
		}
	}
	args = append(args, name)
	query := fmt.Sprintf("SELECT day, n, mean, squares, least, largest FROM day_sums WHERE %s AND quantity = $%d ORDER BY day, line, head", where, len(args))
	var days []Day
	var sum sums
	var day time.Time
	end := func() {
		if sum.n > 0 {
			days = append(days, sum.of(day))
		}
	}
	for row, err := range rows(ctx, s, "read "+name, query, args, func(r *sql.Rows) (v daySum, err error) {
		return v, r.Scan(instantOf{&v.day}, &v.n, &v.mean, &v.squares, &v.least, &v.largest)
	}) {
		if err != nil {
			return nil, err
		}
		if !row.day.Equal(day) {
			end()
			day, sum = row.day, sums{}
		}
		sum.join(row.sums)
	}
	end()
	return days, nil
}

type daySum struct {
	day time.Time
	sums
}

// days restricts a table with part, view and day.
func (q Query) days(day string) (where string, args []any) {
	where, args = "part = $1 AND view = $2", []any{q.Part, q.View}
	if !q.Since.IsZero() {
		args = append(args, midnight(q.Since))
		where += fmt.Sprintf(" AND %s >= $%d", day, len(args))
	}
	if !q.Until.IsZero() {
		args = append(args, instant(q.Until))
		where += fmt.Sprintf(" AND %s < $%d", day, len(args))
	}
	return where, args
}

// sums are what is kept of some values. They are added to one at a time and joined as Chan, Golub
// and LeVeque have it (The American Statistician 37, 242–247, 1983, eqs. 1.3 and 2.1), which loses
// no digits where the mean is large.
type sums struct {
	n                             int
	mean, squares, least, largest float64
}

func (s *sums) add(v float64) { s.join(sums{1, v, 0, v, v}) }

func (s *sums) join(o sums) {
	switch {
	case o.n == 0:
		return
	case s.n == 0:
		*s = o
		return
	}
	a, b := float64(s.n), float64(o.n)
	d := o.mean - s.mean
	s.squares += o.squares + d*d*a*b/(a+b)
	s.mean += d * b / (a + b)
	s.n += o.n
	s.least, s.largest = min(s.least, o.least), max(s.largest, o.largest)
}

func (s *sums) of(day time.Time) Day {
	d := Day{Day: day, N: s.n, Mean: s.mean, Min: s.least, Max: s.largest}
	if s.n > 1 {
		d.SD = math.Sqrt(s.squares / float64(s.n-1))
	}
	return d
}

// sumDays sums the days of a query that have changed and returns how many those were, one for each
// part and view. A part or a view that is empty means all.
func (s *Store) sumDays(ctx context.Context, q Query) (n int, err error) {
	where, args := q.days("day")
	if q.Part == "" {
		where, args = "TRUE", nil
	}
	stale, err := gather(rows(ctx, s, "sum days", "SELECT part, view, day FROM days WHERE "+where+" AND changes <> summed ORDER BY day, part, view", args,
		func(r *sql.Rows) (v staleDay, err error) { return v, r.Scan(&v.part, &v.view, instantOf{&v.day}) }))
	if err != nil {
		return 0, err
	}
	for _, day := range stale {
		if err := s.tx(ctx, func(tx *sql.Tx) error { return day.sum(ctx, tx) }); err != nil {
			return 0, err
		}
	}
	return len(stale), nil
}

type staleDay struct {
	part, view string
	day        time.Time
}

// sum sums a day. The day's row is taken first, so that nobody records a shot of it meanwhile.
func (d staleDay) sum(ctx context.Context, tx *sql.Tx) error {
	res, err := tx.ExecContext(ctx, "UPDATE days SET summed = changes WHERE part = $1 AND view = $2 AND day = $3 AND summed <> changes", d.part, d.view, d.day)
	if err != nil {
		return err
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return err // somebody else has done it
	}
	found, err := d.gather(ctx, tx)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, "DELETE FROM day_sums WHERE part = $1 AND view = $2 AND day = $3", d.part, d.view, d.day); err != nil {
		return err
	}
	for _, k := range slices.SortedFunc(maps.Keys(found), dayGroup.compare) {
		var places []string
		args := []any{d.part, d.view, d.day, k.line, k.head}
		for i, sum := range found[k] {
			if sum.n > 0 {
				n := len(args)
				places = append(places, fmt.Sprintf("($1, $2, $3, $4, $5, $%d, $%d, $%d, $%d, $%d, $%d)", n+1, n+2, n+3, n+4, n+5, n+6))
				args = append(args, quantities[i].name, sum.n, sum.mean, sum.squares, sum.least, sum.largest)
			}
		}
		if len(places) == 0 {
			continue
		}
		_, err := tx.ExecContext(ctx, "INSERT INTO day_sums (part, view, day, line, head, quantity, n, mean, squares, least, largest) VALUES "+strings.Join(places, ", "), args...)
		if err != nil {
			return err
		}
	}
	return nil
}

type dayGroup struct{ line, head string }

func (g dayGroup) compare(o dayGroup) int {
	if c := strings.Compare(g.line, o.line); c != 0 {
		return c
	}
	return strings.Compare(g.head, o.head)
}

// gather sums every quantity of the day's shots, by line and head.
func (d staleDay) gather(ctx context.Context, tx *sql.Tx) (map[dayGroup][]sums, error) {
	all, err := tx.QueryContext(ctx, "SELECT COALESCE(line, ''), COALESCE(head, ''), "+strings.Join(Quantities(), ", ")+
		" FROM shots WHERE part = $1 AND view = $2 AND taken_at >= $3 AND taken_at < $4 ORDER BY taken_at, id", d.part, d.view, d.day, d.day.AddDate(0, 0, 1))
	if err != nil {
		return nil, err
	}
	defer all.Close()
	found := map[dayGroup][]sums{}
	var g dayGroup
	values := make([]sql.NullFloat64, len(quantities))
	into := []any{&g.line, &g.head}
	for i := range values {
		into = append(into, &values[i])
	}
	for all.Next() {
		if err := all.Scan(into...); err != nil {
			return nil, err
		}
		if found[g] == nil {
			found[g] = make([]sums, len(quantities))
		}
		for i, v := range values {
			if v.Valid {
				found[g][i].add(v.Float64)
			}
		}
	}
	return found, all.Err()
}
