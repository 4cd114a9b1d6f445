package store

import (
	"context"
	"time"
)

// A Lot is what came of a lot's shots.
type Lot struct {
	Part  string    `json:"part"`
	Name  string    `json:"lot"`
	Line  string    `json:"line,omitempty"`
	First time.Time `json:"first"` // its first and last shot were taken then
	Last  time.Time `json:"last"`

	Samples int `json:"samples"`
	Shots   int `json:"shots"`
	Accept  int `json:"accept"` // shots by measured verdict
	Reject  int `json:"reject"`
	Review  int `json:"review"`
	Retake  int `json:"retake"`
	// Of those in review, what people decided.
	Accepted int `json:"review_accepted"`
	Rejected int `json:"review_rejected"`
}

// Undecided returns how many shots wait for a person's decision.
func (l Lot) Undecided() int { return l.Review - l.Accepted - l.Rejected }

// A LotQuery chooses lots. Empty fields choose all.
type LotQuery struct {
	Part, Name, Line string
	Since, Until     time.Time // one of its shots was taken in it; Until is excluded
	Limit            int       // the newest so many
}

// Lots returns lots in the order of their last shots.
func (s *Store) Lots(ctx context.Context, q LotQuery) ([]Lot, error) {
	var w where
	w.text("l.part", q.Part)
	w.text("l.name", q.Name)
	w.text("l.line", q.Line)
	w.span("l.last_at", q.Since, time.Time{})
	w.span("l.first_at", time.Time{}, q.Until)
	query := `WITH few AS (SELECT part, name, line, first_at, last_at FROM lots l` + w.clause() + ` ORDER BY last_at DESC, part DESC, name DESC` + w.limit(q.Limit) + `)
		SELECT few.part, few.name, coalesce(min(few.line), ''), min(few.first_at), min(few.last_at), count(DISTINCT shots.sample), count(shots.id),
		coalesce(sum(CASE WHEN verdict = 'accept' THEN 1 ELSE 0 END), 0), coalesce(sum(CASE WHEN verdict = 'reject' THEN 1 ELSE 0 END), 0),
		coalesce(sum(CASE WHEN verdict = 'review' THEN 1 ELSE 0 END), 0), coalesce(sum(CASE WHEN verdict = 'retake' THEN 1 ELSE 0 END), 0),
		coalesce(sum(CASE WHEN verdict = 'review' AND v.decision = 'accept' THEN 1 ELSE 0 END), 0),
		coalesce(sum(CASE WHEN verdict = 'review' AND v.decision = 'reject' THEN 1 ELSE 0 END), 0)
		FROM few LEFT JOIN shots ON shots.part = few.part AND shots.lot = few.name
		LEFT JOIN reviews v ON v.shot_id = shots.id AND v.reading = shots.readings AND NOT EXISTS (SELECT 1 FROM reviews n WHERE n.shot_id = shots.id AND n.id > v.id)
		GROUP BY few.part, few.name ORDER BY min(few.last_at) DESC, few.part DESC, few.name DESC`
	return newest(ctx, s, "list lots", query, w.args, func(scan func(...any) error) (l Lot, err error) {
		err = scan(&l.Part, &l.Name, &l.Line, instantOf{&l.First}, instantOf{&l.Last}, &l.Samples, &l.Shots, &l.Accept, &l.Reject, &l.Review, &l.Retake, &l.Accepted, &l.Rejected)
		return l, err
	})
}
