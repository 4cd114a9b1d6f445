package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"time"

	"plumbsquare/internal/reading"
)

// ErrJudgedMeanwhile says that somebody else has recorded a judgement since the work was looked up.
var ErrJudgedMeanwhile = errors.New("somebody else has judged these shots meanwhile")

// A Worklist says which shots no chart has judged yet, and which charts have to judge some again
// because a phase was started or withdrawn, or a lot wasn't complete.
type Worklist struct {
	Lines []LineWork
	Again []ChartWork
	turn  int64
	upto  int64 // the newest shot in it
}

// LineWork is new shots of one part and view on one line of the plant, from a time on.
type LineWork struct {
	Part string
	View reading.View
	Line string
	From time.Time // their first, or the first of their lots, was taken then
}

// ChartWork is one chart's points from a time on.
type ChartWork struct {
	Chart
	From time.Time
}

// PostgreSQL gives IDs in the order in which transactions begin to write, not that in which they
// end, so a shot may appear after one with a larger ID. So many of the newest are looked at again.
const appearLate = 256

// Unjudged returns the shots and charts to be judged.
func (s *Store) Unjudged(ctx context.Context) (Worklist, error) {
	const what = "look for shots to judge"
	var w Worklist
	err := s.read.QueryRowContext(ctx, "SELECT shot_id, turn FROM judged").Scan(&w.upto, &w.turn)
	if err != nil {
		return w, s.wrong(what, err)
	}
	newest := w.upto
	w.Lines, err = gather(rows(ctx, s, what, `SELECT sh.part, sh.view, coalesce(sh.line, ''), min(coalesce(l.first_at, sh.taken_at)), max(sh.id)
		FROM shots sh LEFT JOIN lots l ON l.part = sh.part AND l.name = sh.lot
		WHERE sh.id > $1 GROUP BY sh.part, sh.view, coalesce(sh.line, '') ORDER BY 1, 2, 3`, []any{max(0, w.upto-appearLate)},
		func(r *sql.Rows) (l LineWork, err error) {
			var last int64
			err = r.Scan(&l.Part, &l.View, &l.Line, instantOf{&l.From}, &last)
			newest = max(newest, last)
			return l, err
		}))
	if err != nil {
		return w, err
	}
	if newest == w.upto {
		w.Lines = nil // nothing new but what may have appeared late
	}
	w.upto = newest
	w.Again, err = gather(rows(ctx, s, what, "SELECT part, view, line, head, quantity, judge_from FROM charts WHERE judge_from IS NOT NULL ORDER BY id", nil,
		func(r *sql.Rows) (c ChartWork, err error) {
			return c, r.Scan(&c.Part, &c.View, &c.Line, &c.Head, &c.Value, instantOf{&c.From})
		}))
	return w, err
}

// judgeAgain notes that charts have to judge a shot again, or its lot, for another reading speaks for
// it now.
func (f *facts) judgeAgain(ctx context.Context, tx *sql.Tx) error {
	const from = "coalesce((SELECT first_at FROM lots WHERE part = $1 AND name = $4), $3)"
	_, err := tx.ExecContext(ctx, "UPDATE charts SET judge_from = "+from+" WHERE part = $1 AND view = $2 AND (judge_from IS NULL OR judge_from > "+from+")",
		f.Source.Part, string(f.Shot.View), f.takenAt, f.Shot.Lot)
	return err
}

// Judged is what came of a worklist.
type Judged struct {
	At       time.Time
	By       string      // the program, for the record of changes
	New      []Signal    // their IDs are ignored
	Extended []Signal    // Last and Times have grown
	Again    []ChartWork // to be judged again next time, because they can't be yet
}

// RecordJudged keeps what came of a worklist and takes it off the list, all at once. It returns the
// new signals with their IDs, or [ErrJudgedMeanwhile] when nothing was kept.
func (s *Store) RecordJudged(ctx context.Context, w Worklist, j Judged) (found []Signal, err error) {
	act := Act{By: j.By, At: instant(j.At), Why: "a rule fired"}
	if err := act.check(); err != nil {
		return nil, err
	}
	err = s.decide(ctx, "keep signals", func(tx *sql.Tx) error {
		found = nil
		done, err := tx.ExecContext(ctx, "UPDATE judged SET shot_id = $1, turn = turn + 1 WHERE turn = $2", w.upto, w.turn)
		if err != nil {
			return err
		}
		if n, err := done.RowsAffected(); err != nil {
			return err
		} else if n == 0 {
			return ErrJudgedMeanwhile
		}
		for _, c := range w.Again { // unless it was asked for anew
			_, err := tx.ExecContext(ctx, "UPDATE charts SET judge_from = NULL WHERE part = $1 AND view = $2 AND line = $3 AND head = $4 AND quantity = $5 AND judge_from = $6",
				c.Part, string(c.View), c.Line, c.Head, c.Value, instant(c.From))
			if err != nil {
				return err
			}
		}
		for _, c := range j.Again {
			id, err := chartID(ctx, tx, c.Chart)
			if err == nil {
				err = judgeFrom(ctx, tx, id, instant(c.From))
			}
			if err != nil {
				return err
			}
		}
		for _, sig := range j.Extended {
			_, err := tx.ExecContext(ctx, "UPDATE signals SET last_shot = $1, last_at = $2, last_name = $3, last_value = $4, times = $5 WHERE id = $6",
				sig.Last.Shot, instant(sig.Last.At), sig.Last.Name, sig.Last.Value, sig.Times, sig.ID)
			if err != nil {
				return err
			}
		}
		for _, sig := range j.New {
			if sig, err = addSignal(ctx, tx, sig, act); err != nil {
				return err
			}
			found = append(found, sig)
		}
		return nil
	})
	return found, err
}

func addSignal(ctx context.Context, tx *sql.Tx, sig Signal, act Act) (Signal, error) {
	chart, err := chartID(ctx, tx, sig.Chart)
	if err != nil {
		return sig, err
	}
	pattern, err := json.Marshal(sig.Pattern)
	if err != nil {
		return sig, err
	}
	sig.FoundAt, sig.State = act.At, SignalOpen
	err = tx.QueryRowContext(ctx, `INSERT INTO signals (chart_id, phase_id, statistic, rule, side, first_shot, first_at, first_name, first_value,
		last_shot, last_at, last_name, last_value, times, pattern, words, found_at, state)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18) RETURNING id`,
		chart, sig.Phase, sig.Statistic, sig.Rule, sig.Side, sig.First.Shot, instant(sig.First.At), sig.First.Name, sig.First.Value,
		sig.Last.Shot, instant(sig.Last.At), sig.Last.Name, sig.Last.Value, sig.Times, string(pattern), sig.Text, sig.FoundAt, string(sig.State)).Scan(&sig.ID)
	if err != nil {
		return sig, err
	}
	return sig, remember(ctx, tx, act, SignalThing, sig.ID, "found", nil, sig)
}
