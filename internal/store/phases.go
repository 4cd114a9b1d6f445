package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// A Chart names one control chart of the line: one quantity of one view of a part, on one line of
// the plant where there are several, and of one head where somebody asked for that.
type Chart struct {
	Part  string       `json:"part"`
	View  reading.View `json:"view"`
	Line  string       `json:"line,omitempty"` // empty: shots of which nobody told the line
	Head  string       `json:"head,omitempty"` // empty: all heads together
	Value string       `json:"value"`          // a quantity of [Store.Series], such as "x_um"
}

// String names the chart: "x_um of tern die-plan, line 2, head H1".
func (c Chart) String() string {
	s := fmt.Sprintf("%s of %s %s", c.Value, c.Part, c.View)
	if c.Line != "" {
		s += ", line " + c.Line
	}
	if c.Head != "" {
		s += ", head " + c.Head
	}
	return s
}

// A Phase is a stretch of a chart with fixed limits. It ends where the next one starts.
type Phase struct {
	ID    int64 `json:"id"`
	Chart `json:"chart"`
	Name  string      `json:"name"`
	Start time.Time   `json:"start"`  // shots taken then or later
	Kind  series.Kind `json:"kind"`   // individuals, xbar-r, xbar-s, ewma, cusum, u or laney-u
	ByLot bool        `json:"by_lot"` // points are lots: their mean, or their counts together
	Rules string      `json:"rules"`  // of the chart of level, as [spc.ParseRules] reads them
	Limits
	Act
	Withdrawn *Act `json:"withdrawn,omitempty"` // as a mistake; the phase before goes on
}

// Limits are what a phase fixes.
type Limits struct {
	Centre float64 `json:"centre"` // of counts the rate per site
	// Sigma is the standard deviation of a single charted value: of one shot, or of the mean of a lot
	// where lots are charted as individuals. Of laney-u it is σz; of u it is 0, for the law gives it.
	Sigma  float64 `json:"sigma"`
	Points int     `json:"points"` // shots or lots that they were estimated from; 0 when stated
	Source string  `json:"source"` // where they come from, in words
}

// A PhaseQuery chooses phases. Empty fields choose all.
type PhaseQuery struct {
	ID        int64
	Part      string
	View      reading.View
	Line      string
	Head      string
	Value     string
	Withdrawn bool // those withdrawn too
}

const phaseColumns = `p.id, c.part, c.view, c.line, c.head, c.quantity, p.name, p.starts_at, p.kind, p.by_lot, p.rules,
	p.centre, p.sigma, p.points, p.source, p.made_by, p.made_at, p.why, p.withdrawn_by, p.withdrawn_at, p.withdrawn_why`

func scanPhase(scan func(...any) error) (p Phase, err error) {
	var byLot int64
	var gone maybe
	err = scan(append([]any{
		&p.ID, &p.Part, &p.View, &p.Line, &p.Head, &p.Value, &p.Name, instantOf{&p.Start}, &p.Kind, &byLot, &p.Rules,
		&p.Centre, &p.Sigma, &p.Points, &p.Source, &p.By, instantOf{&p.At}, &p.Why,
	}, gone.targets()...)...)
	p.ByLot, p.Withdrawn = byLot != 0, gone.act()
	return p, err
}

// Phases returns phases in order of chart and start.
func (s *Store) Phases(ctx context.Context, q PhaseQuery) ([]Phase, error) {
	var w where
	w.text("c.part", q.Part)
	w.text("c.view", string(q.View))
	w.text("c.line", q.Line)
	w.text("c.head", q.Head)
	w.text("c.quantity", q.Value)
	if q.ID != 0 {
		w.add("p.id = ?", q.ID)
	}
	if !q.Withdrawn {
		w.add("p.withdrawn_at IS NULL")
	}
	return newest(ctx, s, "list phases", "SELECT "+phaseColumns+" FROM phases p JOIN charts c ON c.id = p.chart_id"+w.clause()+
		" ORDER BY c.part DESC, c.view DESC, c.line DESC, c.head DESC, c.quantity DESC, p.starts_at DESC, p.id DESC", w.args, scanPhase)
}

// StartPhase starts a phase: from its start on, shots are judged by its limits, and signals that
// the limits before had given there are superseded. It returns the phase's ID. A phase of the same
// chart and start must be withdrawn first.
func (s *Store) StartPhase(ctx context.Context, p Phase) (id int64, err error) {
	p.Act, p.Start = p.Act.instants(), instant(p.Start)
	if err := errors.Join(p.Act.check(), p.check()); err != nil {
		return 0, err
	}
	err = s.decide(ctx, "start a phase", func(tx *sql.Tx) error {
		id, err = startPhase(ctx, tx, p)
		return err
	})
	return id, err
}

func startPhase(ctx context.Context, tx *sql.Tx, p Phase) (id int64, err error) {
	chart, err := chartID(ctx, tx, p.Chart)
	if err != nil {
		return 0, err
	}
	var twin int64
	switch err := tx.QueryRowContext(ctx, "SELECT id FROM phases WHERE chart_id = $1 AND starts_at = $2 AND withdrawn_at IS NULL", chart, p.Start).Scan(&twin); {
	case err == nil:
		return 0, refusef("phase %d of %v starts at the same instant; withdraw it first, or start this one a second later", twin, p.Chart)
	case !errors.Is(err, sql.ErrNoRows):
		return 0, err
	}
	byLot := 0
	if p.ByLot {
		byLot = 1
	}
	err = tx.QueryRowContext(ctx, `INSERT INTO phases (chart_id, name, starts_at, kind, by_lot, rules, centre, sigma, points, source, made_by, made_at, why)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13) RETURNING id`,
		chart, p.Name, p.Start, string(p.Kind), byLot, p.Rules, p.Centre, p.Sigma, p.Points, p.Source, p.By, p.At, p.Why).Scan(&p.ID)
	if err == nil {
		err = judgeFrom(ctx, tx, chart, p.Start)
	}
	if err == nil {
		err = remember(ctx, tx, p.Act, PhaseThing, p.ID, "started", nil, p)
	}
	return p.ID, err
}

// WithdrawPhase takes back a phase that was a mistake: the phase before goes on through it, and
// signals that it had superseded count again.
func (s *Store) WithdrawPhase(ctx context.Context, id int64, act Act) error {
	act = act.instants()
	if err := act.check(); err != nil {
		return err
	}
	return s.decide(ctx, "withdraw a phase", func(tx *sql.Tx) error {
		p, err := scanPhase(tx.QueryRowContext(ctx, "SELECT "+phaseColumns+" FROM phases p JOIN charts c ON c.id = p.chart_id WHERE p.id = $1", id).Scan)
		switch {
		case errors.Is(err, sql.ErrNoRows):
			return refusef("there is no phase %d", id)
		case err != nil:
			return err
		}
		after := p
		after.Withdrawn = &act
		if err := withdraw(ctx, tx, "phases", id, p.Withdrawn, act); err != nil {
			return refusef("phase %d %w", id, err)
		}
		chart, err := chartID(ctx, tx, p.Chart)
		if err == nil {
			err = judgeFrom(ctx, tx, chart, p.Start)
		}
		if err != nil {
			return err
		}
		return remember(ctx, tx, act, PhaseThing, id, "withdrawn", p, after)
	})
}

// check refuses a phase that no chart can be drawn with.
func (p Phase) check() error {
	switch {
	case p.Part == "":
		return errors.New("a phase needs the part whose chart it is of")
	case !slices.Contains(reading.Views[:], p.View):
		return fmt.Errorf("a phase needs the view whose chart it is of, one of %v; got %q", reading.Views, p.View)
	case p.Start.IsZero():
		return errors.New("a phase needs a start")
	case math.IsNaN(p.Centre) || math.IsInf(p.Centre, 0):
		return fmt.Errorf("centre %v: want a finite number", p.Centre)
	case p.Kind == series.U && p.Sigma != 0:
		return errors.New("a u chart has the sigma that its law gives; leave it out, or take laney-u")
	case p.Kind != series.U && !(p.Sigma > 0 && !math.IsInf(p.Sigma, 0)):
		return fmt.Errorf("sigma %v: want a finite number above 0", p.Sigma)
	case p.Kind.OfCounts() && !(p.Centre > 0):
		return fmt.Errorf("rate %v: want it above 0", p.Centre)
	case p.Kind.Grouped() && !p.ByLot:
		return fmt.Errorf("a chart %s is one of lots", p.Kind)
	}
	_, err := quantityOf(p.Value)
	if err == nil {
		_, err = spc.ParseRules(p.Rules)
	}
	return err
}

// chartID returns the row of a chart, made when absent.
func chartID(ctx context.Context, tx *sql.Tx, c Chart) (id int64, err error) {
	_, err = tx.ExecContext(ctx, "INSERT INTO charts (part, view, line, head, quantity) VALUES ($1, $2, $3, $4, $5) ON CONFLICT DO NOTHING",
		c.Part, string(c.View), c.Line, c.Head, c.Value)
	if err == nil {
		err = tx.QueryRowContext(ctx, "SELECT id FROM charts WHERE part = $1 AND view = $2 AND line = $3 AND head = $4 AND quantity = $5",
			c.Part, string(c.View), c.Line, c.Head, c.Value).Scan(&id)
	}
	return id, err
}

// judgeFrom notes that the points of a chart have to be judged again from a time on.
func judgeFrom(ctx context.Context, tx *sql.Tx, chart int64, from time.Time) error {
	_, err := tx.ExecContext(ctx, "UPDATE charts SET judge_from = $1 WHERE id = $2 AND (judge_from IS NULL OR judge_from > $1)", from, chart)
	return err
}
