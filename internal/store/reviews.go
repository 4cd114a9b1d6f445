package store

import (
	"context"
	"database/sql"
	"errors"

	"plumbsquare/internal/reading"
)

// A Review is what a person decided about a shot whose uncertainty straddles a limit. The measured
// verdict stays what it is. Of several reviews of a shot the newest holds.
type Review struct {
	ID       int64            `json:"id"`
	Shot     int64            `json:"shot"`
	Reading  int              `json:"reading"`  // number of the shot's reading that was decided about
	Decision reading.Decision `json:"decision"` // Accept or Reject
	Act
}

// A Case is a shot in review, with what people have decided about it, oldest first.
type Case struct {
	Shot    Shot
	Reviews []Review
}

// Decided returns the review that holds, nil when nobody has decided yet about what the shot's
// newest reading says.
func (c Case) Decided() *Review {
	if n := len(c.Reviews); n > 0 && c.Reviews[n-1].Reading == c.Shot.Readings {
		return &c.Reviews[n-1]
	}
	return nil
}

// A CaseQuery chooses shots in review; its Verdicts are taken to be Review.
type CaseQuery struct {
	Query
	Undecided bool // only those that wait for a decision
}

const reviewColumns = "v.id, v.shot_id, v.reading, v.decision, v.made_by, v.made_at, v.why"

func (v *Review) into() []any {
	return []any{&v.ID, &v.Shot, &v.Reading, &v.Decision, &v.By, instantOf{&v.At}, &v.Why}
}

// Cases returns shots in review in the order in which they were taken. Limit counts shots.
func (s *Store) Cases(ctx context.Context, q CaseQuery) ([]Case, error) {
	q.Verdicts = []reading.Decision{reading.Review}
	limit := q.Limit
	if q.Undecided {
		q.Limit = 0 // those that are decided don't count
	}
	shots, err := s.Shots(ctx, q.Query)
	if err != nil {
		return nil, err
	}
	from, args := q.from()
	reviews, err := gather(rows(ctx, s, "list reviews", "SELECT "+reviewColumns+" FROM reviews v WHERE v.shot_id IN (SELECT shots.id"+from+") ORDER BY v.id", args,
		func(r *sql.Rows) (v Review, err error) { return v, r.Scan(v.into()...) }))
	if err != nil {
		return nil, err
	}
	of := map[int64][]Review{}
	for _, v := range reviews {
		of[v.Shot] = append(of[v.Shot], v)
	}
	var cases []Case
	for _, shot := range shots {
		if c := (Case{shot, of[shot.ID]}); !q.Undecided || c.Decided() == nil {
			cases = append(cases, c)
		}
	}
	if limit > 0 && len(cases) > limit {
		cases = cases[len(cases)-limit:]
	}
	return cases, nil
}

// Decide keeps what a person decided about a shot in review and returns the review's ID. Shots that
// the measurement could judge are not for a person to decide.
func (s *Store) Decide(ctx context.Context, shot int64, decision reading.Decision, act Act) (id int64, err error) {
	act = act.instants()
	if err := act.check(); err != nil {
		return 0, err
	}
	if decision != reading.Accept && decision != reading.Reject {
		return 0, refusef("decide for accept or for reject, not for %q", decision)
	}
	err = s.decide(ctx, "decide a review", func(tx *sql.Tx) error {
		v := Review{Shot: shot, Decision: decision, Act: act}
		var verdict reading.Decision
		err := tx.QueryRowContext(ctx, "UPDATE shots SET readings = readings WHERE id = $1 RETURNING verdict, readings", shot).Scan(&verdict, &v.Reading)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return refusef("there is no shot %d", shot)
		case err != nil:
			return err
		case verdict != reading.Review:
			return refusef("shot %d isn't in review: the measurement says %s, and that stands; measure it again if that is in doubt", shot, verdict)
		}
		before, err := lastReview(ctx, tx, shot)
		if err != nil {
			return err
		}
		err = tx.QueryRowContext(ctx, "INSERT INTO reviews (shot_id, reading, decision, made_by, made_at, why) VALUES ($1, $2, $3, $4, $5, $6) RETURNING id",
			shot, v.Reading, string(decision), act.By, act.At, act.Why).Scan(&v.ID)
		if err != nil {
			return err
		}
		id = v.ID
		return remember(ctx, tx, act, ReviewThing, shot, "decided", before, v)
	})
	return id, err
}

// lastReview returns the newest review of a shot, nil when there is none.
func lastReview(ctx context.Context, tx *sql.Tx, shot int64) (any, error) {
	var v Review
	err := tx.QueryRowContext(ctx, "SELECT "+reviewColumns+" FROM reviews v WHERE v.shot_id = $1 ORDER BY v.id DESC LIMIT 1", shot).Scan(v.into()...)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, nil
	}
	return v, err
}
