package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// An Act says who did something, when and why.
type Act struct {
	By  string    `json:"by"`
	At  time.Time `json:"at"`
	Why string    `json:"why"`
}

// A Change is one entry of the record of everything people decided, and of what the program did in
// their place. Entries are only ever added. Before and After are the thing as it was and as it is,
// in the JSON form of its type; Before is empty where there was nothing.
type Change struct {
	ID int64 `json:"id"`
	Act
	What    Thing           `json:"what"`
	Subject int64           `json:"subject"` // its ID; of a review the shot's
	Did     string          `json:"did"`     // such as "acknowledged"
	Before  json.RawMessage `json:"before,omitempty"`
	After   json.RawMessage `json:"after"`
}

// A Thing is what decisions are about.
type Thing string

// The things.
const (
	SignalThing      Thing = "signal"
	PhaseThing       Thing = "phase"
	EventThing       Thing = "event"
	ReviewThing      Thing = "review"
	CheckSampleThing Thing = "check sample"
)

// A ChangeQuery chooses changes. Its zero value means all.
type ChangeQuery struct {
	What         Thing
	Subject      int64
	By           string
	Since, Until time.Time // Until is excluded
	Limit        int       // the newest so many
}

// Changes returns changes, oldest first.
func (s *Store) Changes(ctx context.Context, q ChangeQuery) ([]Change, error) {
	var w where
	w.text("what", string(q.What))
	w.text("made_by", q.By)
	w.span("made_at", q.Since, q.Until)
	if q.Subject != 0 {
		w.add("subject = ?", q.Subject)
	}
	return newest(ctx, s, "list changes", "SELECT id, made_by, made_at, why, what, subject, did, before, after FROM changes"+w.clause()+" ORDER BY id DESC"+w.limit(q.Limit), w.args,
		func(scan func(...any) error) (c Change, err error) {
			err = scan(&c.ID, &c.By, instantOf{&c.At}, &c.Why, &c.What, &c.Subject, &c.Did, (*rawJSON)(&c.Before), (*rawJSON)(&c.After))
			return c, err
		})
}

// newest collects rows that come newest first, so that a limit leaves out the oldest, and returns
// them oldest first.
func newest[T any](ctx context.Context, s *Store, what, query string, args []any, one func(scan func(...any) error) (T, error)) ([]T, error) {
	all, err := gather(rows(ctx, s, what, query, args, func(r *sql.Rows) (T, error) { return one(r.Scan) }))
	slices.Reverse(all)
	return all, err
}

// A refusal is a decision that can't be taken as things stand, in words for whoever wanted it.
type refusal struct{ error }

func refusef(format string, args ...any) error { return refusal{fmt.Errorf(format, args...)} }

// decide runs do in a transaction. What refuses to be done is said as it is, what goes wrong with
// the store's name.
func (s *Store) decide(ctx context.Context, what string, do func(tx *sql.Tx) error) error {
	err := s.tx(ctx, do)
	if _, refused := errors.AsType[refusal](err); refused || err == nil || errors.Is(err, ErrJudgedMeanwhile) {
		return err
	}
	return s.wrong(what, err)
}

// rawJSON scans JSON kept as text.
type rawJSON json.RawMessage

func (r *rawJSON) Scan(v any) error {
	switch v := v.(type) {
	case nil:
		*r = nil
	case string:
		*r = rawJSON(v)
	case []byte:
		*r = append(rawJSON(nil), v...)
	default:
		return fmt.Errorf("want JSON, got %T", v)
	}
	return nil
}

// check refuses an act without who or why.
func (a Act) check() error {
	switch {
	case strings.TrimSpace(a.By) == "":
		return errors.New("say who decides")
	case strings.TrimSpace(a.Why) == "":
		return errors.New("say why: a reason that somebody understands a year from now")
	case a.At.IsZero():
		return errors.New("say when it was decided")
	}
	return nil
}

// instants keeps the times of an act as the store does.
func (a Act) instants() Act {
	a.At = instant(a.At)
	return a
}

// remember records a change. before is nil where there was nothing.
func remember(ctx context.Context, tx *sql.Tx, act Act, what Thing, subject int64, did string, before, after any) error {
	var was sql.NullString
	if before != nil {
		b, err := json.Marshal(before)
		if err != nil {
			return err
		}
		was = sql.NullString{String: string(b), Valid: true}
	}
	is, err := json.Marshal(after)
	if err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO changes (made_by, made_at, why, what, subject, did, before, after) VALUES ($1, $2, $3, $4, $5, $6, $7, $8)",
		act.By, act.At, act.Why, string(what), subject, did, was, string(is))
	return err
}

// A maybe scans an act that may not have happened.
type maybe struct {
	by, why sql.NullString
	at      time.Time
}

func (m *maybe) targets() []any { return []any{&m.by, instantOf{&m.at}, &m.why} }

func (m *maybe) act() *Act {
	if !m.by.Valid {
		return nil
	}
	return &Act{m.by.String, m.at, m.why.String}
}

// A where collects the conditions of a query; ? in them stands for the next argument.
type where struct {
	conditions []string
	args       []any
}

func (w *where) add(condition string, args ...any) {
	for _, a := range args {
		w.args = append(w.args, a)
		condition = strings.Replace(condition, "?", fmt.Sprintf("$%d", len(w.args)), 1)
	}
	w.conditions = append(w.conditions, condition)
}

// text adds column = value unless value is empty.
func (w *where) text(column, value string) {
	if value != "" {
		w.add(column+" = ?", value)
	}
}

// span adds since ≤ column < until, as far as they are given.
func (w *where) span(column string, since, until time.Time) {
	if !since.IsZero() {
		w.add(column+" >= ?", instant(since))
	}
	if !until.IsZero() {
		w.add(column+" < ?", instant(until))
	}
}

// oneOf adds column IN (values…) unless there are none.
func oneOf[T any](w *where, column string, values []T) {
	if len(values) == 0 {
		return
	}
	marks := strings.TrimSuffix(strings.Repeat("?, ", len(values)), ", ")
	args := make([]any, len(values))
	for i, v := range values {
		args[i] = v
	}
	w.add(column+" IN ("+marks+")", args...)
}

func (w *where) clause() string {
	if w.conditions == nil {
		return ""
	}
	return " WHERE " + strings.Join(w.conditions, " AND ")
}

func (w *where) limit(n int) string {
	if n <= 0 {
		return ""
	}
	return fmt.Sprintf(" LIMIT %d", n)
}
