package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"strings"
	"time"
)

// A SignalState is where a signal is in its life.
type SignalState string

// The states, in order.
const (
	SignalOpen         SignalState = "open"
	SignalAcknowledged SignalState = "acknowledged" // has a cause and an action
	SignalClosed       SignalState = "closed"
)

// SignalStates lists the states.
var SignalStates = [...]SignalState{SignalOpen, SignalAcknowledged, SignalClosed}

// A Signal is a rule that fired on a chart, at one point or again and again.
type Signal struct {
	ID        int64 `json:"id"`
	Phase     int64 `json:"phase"` // whose limits and rules
	Chart     `json:"chart"`
	Statistic string `json:"statistic"` // as [plumbsquare/internal/spc.Chart.Statistic]
	Rule      string `json:"rule"`      // as [plumbsquare/internal/spc.Rule.String]
	Side      int    `json:"side"`      // +1 above or rising, −1 below or falling, 0 where the rule has none
	// First and Last are the points at which the pattern was completed, first and so far last.
	First   Point       `json:"first"`
	Last    Point       `json:"last"`
	Times   int         `json:"times"`   // points at which the pattern was complete
	Pattern []Point     `json:"pattern"` // the points of the first pattern, First is its last
	Text    string      `json:"text"`    // what happened and what it usually means
	FoundAt time.Time   `json:"found_at"`
	State   SignalState `json:"state"`
	// Cause and Action are what an engineer found and did.
	Cause        string `json:"cause,omitempty"`
	Action       string `json:"action,omitempty"`
	Acknowledged *Act   `json:"acknowledged,omitempty"`
	Closed       *Act   `json:"closed,omitempty"`
	// Superseded says that other limits hold at First since: a phase was started from before it on,
	// or its own was withdrawn. Nothing else takes a signal off the list.
	Superseded bool `json:"superseded,omitempty"`
}

// A Point is what a chart plots: a shot, or a lot.
type Point struct {
	Shot  int64     `json:"shot"` // of a lot its first
	At    time.Time `json:"at"`   // when that was taken
	Name  string    `json:"name"` // the lot, or the sample
	Value float64   `json:"value"`
}

// A SignalQuery chooses signals. Empty fields choose all.
type SignalQuery struct {
	Chart
	IDs          []int64
	States       []SignalState
	Since, Until time.Time // a signal's points lie in it, in part at least; Until is excluded
	Superseded   bool      // those superseded by other limits too
	Limit        int       // the newest so many
}

// supersededSQL is true for signals whose first point has other limits than those it was judged by.
const supersededSQL = `p.withdrawn_at IS NOT NULL OR EXISTS (SELECT 1 FROM phases q
	WHERE q.chart_id = s.chart_id AND q.withdrawn_at IS NULL AND q.starts_at > p.starts_at AND q.starts_at <= s.first_at)`

const signalColumns = `s.id, s.phase_id, c.part, c.view, c.line, c.head, c.quantity, s.statistic, s.rule, s.side,
	s.first_shot, s.first_at, s.first_name, s.first_value, s.last_shot, s.last_at, s.last_name, s.last_value, s.times, s.pattern, s.words,
	s.found_at, s.state, s.cause, s.action, s.acknowledged_by, s.acknowledged_at, s.acknowledged_why, s.closed_by, s.closed_at, s.closed_why,
	CASE WHEN ` + supersededSQL + ` THEN 1 ELSE 0 END`

const signalTables = ` FROM signals s JOIN charts c ON c.id = s.chart_id JOIN phases p ON p.id = s.phase_id`

func scanSignal(scan func(...any) error) (s Signal, err error) {
	var acknowledged, closed maybe
	var cause, action sql.NullString
	var pattern rawJSON
	var superseded int
	targets := []any{
		&s.ID, &s.Phase, &s.Part, &s.View, &s.Line, &s.Head, &s.Value, &s.Statistic, &s.Rule, &s.Side,
		&s.First.Shot, instantOf{&s.First.At}, &s.First.Name, &s.First.Value, &s.Last.Shot, instantOf{&s.Last.At}, &s.Last.Name, &s.Last.Value,
		&s.Times, &pattern, &s.Text, instantOf{&s.FoundAt}, &s.State, &cause, &action,
	}
	targets = append(append(append(targets, acknowledged.targets()...), closed.targets()...), &superseded)
	if err := scan(targets...); err != nil {
		return s, err
	}
	s.Cause, s.Action, s.Acknowledged, s.Closed, s.Superseded = cause.String, action.String, acknowledged.act(), closed.act(), superseded != 0
	return s, json.Unmarshal(pattern, &s.Pattern)
}

// Signals returns signals in order of their last points.
func (s *Store) Signals(ctx context.Context, q SignalQuery) ([]Signal, error) {
	w := q.where()
	return newest(ctx, s, "list signals", "SELECT "+signalColumns+signalTables+w.clause()+" ORDER BY s.last_at DESC, s.id DESC"+w.limit(q.Limit), w.args, scanSignal)
}

func (q SignalQuery) where() (w where) {
	w.text("c.part", q.Part)
	w.text("c.view", string(q.View))
	w.text("c.line", q.Line)
	w.text("c.head", q.Head)
	w.text("c.quantity", q.Value)
	oneOf(&w, "s.id", q.IDs)
	var states []string
	for _, s := range q.States {
		states = append(states, string(s))
	}
	oneOf(&w, "s.state", states)
	w.span("s.last_at", q.Since, time.Time{})
	w.span("s.first_at", time.Time{}, q.Until)
	if !q.Superseded {
		w.add("NOT (" + supersededSQL + ")")
	}
	return w
}

// Signal returns one signal.
func (s *Store) Signal(ctx context.Context, id int64) (Signal, error) {
	sig, err := signal(ctx, s.read, id)
	if _, refused := errors.AsType[refusal](err); err != nil && !refused {
		err = s.wrong("read a signal", err)
	}
	return sig, err
}

// A queryer is a database or a transaction.
type queryer interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

func signal(ctx context.Context, db queryer, id int64) (Signal, error) {
	s, err := scanSignal(db.QueryRowContext(ctx, "SELECT "+signalColumns+signalTables+" WHERE s.id = $1", id).Scan)
	if errors.Is(err, sql.ErrNoRows) {
		return s, refusef("there is no signal %d", id)
	}
	return s, err
}

// AcknowledgeSignal gives a signal its cause and what was done about it. One acknowledged already
// can be given another cause or action; what it was stays in the changes.
func (s *Store) AcknowledgeSignal(ctx context.Context, id int64, cause, action string, act Act) error {
	cause, action = strings.TrimSpace(cause), strings.TrimSpace(action)
	if cause == "" || action == "" {
		return errors.New("a signal is acknowledged with its cause and with what was done about it")
	}
	return s.changeSignal(ctx, id, act, "acknowledged", func(sig *Signal, act Act) error {
		if sig.State == SignalClosed {
			return refusef("signal %d is closed; reopen it first", id)
		}
		sig.State, sig.Cause, sig.Action, sig.Acknowledged = SignalAcknowledged, cause, action, &act
		return nil
	})
}

// CloseSignal ends a signal whose cause is gone. Points taken later that complete its pattern are
// another signal.
func (s *Store) CloseSignal(ctx context.Context, id int64, act Act) error {
	return s.changeSignal(ctx, id, act, "closed", func(sig *Signal, act Act) error {
		switch sig.State {
		case SignalOpen:
			return refusef("signal %d is open: acknowledge it first, with its cause and what was done", id)
		case SignalClosed:
			return refusef("signal %d was closed already, by %s: %s", id, sig.Closed.By, sig.Closed.Why)
		}
		sig.State, sig.Closed = SignalClosed, &act
		return nil
	})
}

// ReopenSignal takes back that a signal was closed.
func (s *Store) ReopenSignal(ctx context.Context, id int64, act Act) error {
	return s.changeSignal(ctx, id, act, "reopened", func(sig *Signal, _ Act) error {
		if sig.State != SignalClosed {
			return refusef("signal %d isn't closed, it is %s", id, sig.State)
		}
		sig.State, sig.Closed = SignalAcknowledged, nil
		return nil
	})
}

func (s *Store) changeSignal(ctx context.Context, id int64, act Act, did string, change func(*Signal, Act) error) error {
	act = act.instants()
	if err := act.check(); err != nil {
		return err
	}
	return s.decide(ctx, "change a signal", func(tx *sql.Tx) error {
		before, err := signal(ctx, lockRow{tx, s.dialect}, id)
		if err != nil {
			return err
		}
		before.Superseded = false // follows from the phases; nobody decides it about a signal
		after := before
		if err := change(&after, act); err != nil {
			return err
		}
		a, c := actColumns(after.Acknowledged), actColumns(after.Closed)
		_, err = tx.ExecContext(ctx, `UPDATE signals SET state = $1, cause = $2, action = $3, acknowledged_by = $4, acknowledged_at = $5, acknowledged_why = $6,
			closed_by = $7, closed_at = $8, closed_why = $9 WHERE id = $10`,
			string(after.State), orNull(after.Cause), orNull(after.Action), a[0], a[1], a[2], c[0], c[1], c[2], id)
		if err != nil {
			return err
		}
		return remember(ctx, tx, act, SignalThing, id, did, before, after)
	})
}

// lockRow reads a row of the first table named so that nobody changes it before the transaction
// ends. SQLite has locked everything already.
type lockRow struct {
	tx      *sql.Tx
	dialect dialect
}

func (l lockRow) QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row {
	if l.dialect == postgres {
		query += " FOR UPDATE OF s"
	}
	return l.tx.QueryRowContext(ctx, query, args...)
}

func actColumns(a *Act) [3]any {
	if a == nil {
		return [3]any{}
	}
	return [3]any{a.By, a.At, a.Why}
}
