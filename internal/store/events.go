package store

import (
	"context"
	"database/sql"
	"errors"
	"strings"
	"time"
)

// An Event is something done to the line: a nozzle changed, an offset entered. What is empty was not
// said, and the event is drawn on all charts that the rest fits.
type Event struct {
	ID       int64     `json:"id"`
	Happened time.Time `json:"happened"`
	Part     string    `json:"part,omitempty"`
	Line     string    `json:"line,omitempty"`
	Head     string    `json:"head,omitempty"`
	Nozzle   string    `json:"nozzle,omitempty"`
	Text     string    `json:"text"`
	Act
	Withdrawn *Act `json:"withdrawn,omitempty"` // as a mistake
}

// On reports whether the event is drawn on a chart.
func (e Event) On(c Chart) bool {
	fits := func(event, chart string) bool { return event == "" || chart == "" || event == chart }
	return fits(e.Part, c.Part) && fits(e.Line, c.Line) && fits(e.Head, c.Head)
}

// An EventQuery chooses events. Empty fields choose all; events that don't say a part, line or head
// are chosen with every one.
type EventQuery struct {
	ID               int64
	Part, Line, Head string
	Since, Until     time.Time // Until is excluded
	Withdrawn        bool      // those withdrawn too
	Limit            int       // the newest so many
}

const eventColumns = "id, happened_at, part, line, head, nozzle, words, made_by, made_at, why, withdrawn_by, withdrawn_at, withdrawn_why"

func scanEvent(scan func(...any) error) (e Event, err error) {
	var gone maybe
	err = scan(append([]any{&e.ID, instantOf{&e.Happened}, &e.Part, &e.Line, &e.Head, &e.Nozzle, &e.Text, &e.By, instantOf{&e.At}, &e.Why}, gone.targets()...)...)
	e.Withdrawn = gone.act()
	return e, err
}

// Events returns events in the order in which they happened.
func (s *Store) Events(ctx context.Context, q EventQuery) ([]Event, error) {
	var w where
	if q.ID != 0 {
		w.add("id = ?", q.ID)
	}
	for _, f := range []struct{ column, value string }{{"part", q.Part}, {"line", q.Line}, {"head", q.Head}} {
		if f.value != "" {
			w.add("("+f.column+" = '' OR "+f.column+" = ?)", f.value)
		}
	}
	w.span("happened_at", q.Since, q.Until)
	if !q.Withdrawn {
		w.add("withdrawn_at IS NULL")
	}
	return newest(ctx, s, "list events", "SELECT "+eventColumns+" FROM events"+w.clause()+" ORDER BY happened_at DESC, id DESC"+w.limit(q.Limit), w.args, scanEvent)
}

// AddEvent keeps an event and returns its ID.
func (s *Store) AddEvent(ctx context.Context, e Event) (id int64, err error) {
	e.Act, e.Happened, e.Text, e.Withdrawn = e.Act.instants(), instant(e.Happened), strings.TrimSpace(e.Text), nil
	switch {
	case e.Text == "":
		return 0, errors.New("an event needs a few words: what was done")
	case e.Happened.IsZero():
		return 0, errors.New("an event needs the time at which it happened")
	}
	if err := e.Act.check(); err != nil {
		return 0, err
	}
	err = s.decide(ctx, "add an event", func(tx *sql.Tx) error {
		err := tx.QueryRowContext(ctx, "INSERT INTO events (happened_at, part, line, head, nozzle, words, made_by, made_at, why) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) RETURNING id",
			e.Happened, e.Part, e.Line, e.Head, e.Nozzle, e.Text, e.By, e.At, e.Why).Scan(&e.ID)
		if err != nil {
			return err
		}
		return remember(ctx, tx, e.Act, EventThing, e.ID, "added", nil, e)
	})
	return e.ID, err
}

// WithdrawEvent takes back an event that was a mistake.
func (s *Store) WithdrawEvent(ctx context.Context, id int64, act Act) error {
	act = act.instants()
	if err := act.check(); err != nil {
		return err
	}
	return s.decide(ctx, "withdraw an event", func(tx *sql.Tx) error {
		e, err := scanEvent(tx.QueryRowContext(ctx, "SELECT "+eventColumns+" FROM events WHERE id = $1", id).Scan)
		if errors.Is(err, sql.ErrNoRows) {
			return refusef("there is no event %d", id)
		}
		if err != nil {
			return err
		}
		after := e
		after.Withdrawn = &act
		if err := withdraw(ctx, tx, "events", id, e.Withdrawn, act); err != nil {
			return refusef("event %d %w", id, err)
		}
		return remember(ctx, tx, act, EventThing, id, "withdrawn", e, after)
	})
}

// withdraw marks a row as a mistake, unless somebody has already.
func withdraw(ctx context.Context, tx *sql.Tx, table string, id int64, already *Act, act Act) error {
	if already != nil {
		return refusef("was withdrawn already, by %s: %s", already.By, already.Why)
	}
	done, err := tx.ExecContext(ctx, "UPDATE "+table+" SET withdrawn_by = $1, withdrawn_at = $2, withdrawn_why = $3 WHERE id = $4 AND withdrawn_at IS NULL", act.By, act.At, act.Why, id)
	if err != nil {
		return err
	}
	if n, err := done.RowsAffected(); err != nil || n == 0 {
		return errors.Join(err, errors.New("was withdrawn by somebody else just now"))
	}
	return nil
}
