package store

import (
	"context"
	"database/sql"
	"time"

	"plumbsquare/internal/reading"
)

// A Group is how many shots of a part and a view there are, and of which verdicts.
type Group struct {
	Part     string
	View     reading.View
	Shots    int
	Verdicts map[reading.Decision]int
	First    time.Time // when they were taken
	Last     time.Time
}

// Groups counts the shots that a query chooses, by part and view. It looks at each of them: a few
// seconds where there are millions.
func (s *Store) Groups(ctx context.Context, q Query) ([]Group, error) {
	from, args := q.from()
	query := "SELECT part, view, verdict, COUNT(*), MIN(taken_at), MAX(taken_at)" + from + " GROUP BY part, view, verdict ORDER BY part, view, verdict"
	type row struct {
		Group
		verdict reading.Decision
	}
	var groups []Group
	for v, err := range rows(ctx, s, "count shots", query, args, func(r *sql.Rows) (v row, err error) {
		return v, r.Scan(&v.Part, &v.View, &v.verdict, &v.Shots, instantOf{&v.First}, instantOf{&v.Last})
	}) {
		if err != nil {
			return nil, err
		}
		if n := len(groups); n == 0 || groups[n-1].Part != v.Part || groups[n-1].View != v.View {
			groups = append(groups, Group{Part: v.Part, View: v.View, Verdicts: map[reading.Decision]int{}, First: v.First, Last: v.Last})
		}
		g := &groups[len(groups)-1]
		g.Shots += v.Shots
		g.Verdicts[v.verdict] = v.Shots
		if v.First.Before(g.First) {
			g.First = v.First
		}
		if v.Last.After(g.Last) {
			g.Last = v.Last
		}
	}
	return groups, nil
}

// Count returns how many shots a query chooses.
func (s *Store) Count(ctx context.Context, q Query) (n int, err error) {
	from, args := q.from()
	if err := s.read.QueryRowContext(ctx, "SELECT COUNT(*)"+from, args...).Scan(&n); err != nil {
		return 0, s.wrong("count shots", err)
	}
	return n, nil
}
