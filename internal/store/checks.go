package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math"
	"slices"

	"plumbsquare/internal/reading"
)

// A CheckSample is a sample of known dimensions that is shot again and again to watch the scopes.
// Its shots are left out of the line's charts.
type CheckSample struct {
	ID         int64        `json:"id"`
	Part       string       `json:"part"`
	Sample     string       `json:"sample"`
	View       reading.View `json:"view"`
	Value      string       `json:"value"`     // a quantity of [Store.Series], such as "x_um"
	Reference  float64      `json:"reference"` // what it is, and its standard uncertainty, in the unit of the quantity
	UReference float64      `json:"u_reference"`
	Act
	Withdrawn *Act `json:"withdrawn,omitempty"` // no longer used
}

// A CheckSampleQuery chooses check samples. Empty fields choose all.
type CheckSampleQuery struct {
	Part      string
	Withdrawn bool // those no longer used too
}

const checkSampleColumns = "id, part, sample, view, quantity, reference, u_reference, made_by, made_at, why, withdrawn_by, withdrawn_at, withdrawn_why"

func scanCheckSample(scan func(...any) error) (c CheckSample, err error) {
	var gone maybe
	err = scan(append([]any{&c.ID, &c.Part, &c.Sample, &c.View, &c.Value, &c.Reference, &c.UReference, &c.By, instantOf{&c.At}, &c.Why}, gone.targets()...)...)
	c.Withdrawn = gone.act()
	return c, err
}

// CheckSamples returns check samples in the order in which they were added.
func (s *Store) CheckSamples(ctx context.Context, q CheckSampleQuery) ([]CheckSample, error) {
	var w where
	w.text("part", q.Part)
	if !q.Withdrawn {
		w.add("withdrawn_at IS NULL")
	}
	return newest(ctx, s, "list check samples", "SELECT "+checkSampleColumns+" FROM check_samples"+w.clause()+" ORDER BY id DESC", w.args, scanCheckSample)
}

// AddCheckSample keeps what is known of a check sample in one quantity and returns its ID.
func (s *Store) AddCheckSample(ctx context.Context, c CheckSample) (id int64, err error) {
	c.Act, c.Withdrawn = c.Act.instants(), nil
	if err := errors.Join(c.Act.check(), c.check()); err != nil {
		return 0, err
	}
	err = s.decide(ctx, "add a check sample", func(tx *sql.Tx) error {
		err := tx.QueryRowContext(ctx, "INSERT INTO check_samples (part, sample, view, quantity, reference, u_reference, made_by, made_at, why) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9) RETURNING id",
			c.Part, c.Sample, string(c.View), c.Value, c.Reference, c.UReference, c.By, c.At, c.Why).Scan(&c.ID)
		if err != nil {
			return err
		}
		return remember(ctx, tx, c.Act, CheckSampleThing, c.ID, "added", nil, c)
	})
	return c.ID, err
}

func (c CheckSample) check() error {
	switch {
	case c.Part == "" || c.Sample == "":
		return errors.New("a check sample needs its part and the name that its shots bear as sample")
	case !slices.Contains(reading.Views[:], c.View):
		return fmt.Errorf("a check sample needs a view, one of %v; got %q", reading.Views, c.View)
	case math.IsNaN(c.Reference) || math.IsInf(c.Reference, 0):
		return fmt.Errorf("reference %v: want a finite number", c.Reference)
	case !(c.UReference >= 0) || math.IsInf(c.UReference, 0):
		return fmt.Errorf("standard uncertainty %v of the reference: want a finite number of at least 0", c.UReference)
	}
	_, err := quantityOf(c.Value)
	return err
}

// WithdrawCheckSample ends the use of a check sample. Its shots stay out of the line's charts.
func (s *Store) WithdrawCheckSample(ctx context.Context, id int64, act Act) error {
	act = act.instants()
	if err := act.check(); err != nil {
		return err
	}
	return s.decide(ctx, "withdraw a check sample", func(tx *sql.Tx) error {
		c, err := scanCheckSample(tx.QueryRowContext(ctx, "SELECT "+checkSampleColumns+" FROM check_samples WHERE id = $1", id).Scan)
		if errors.Is(err, sql.ErrNoRows) {
			return refusef("there is no check sample %d", id)
		}
		if err != nil {
			return err
		}
		after := c
		after.Withdrawn = &act
		if err := withdraw(ctx, tx, "check_samples", id, c.Withdrawn, act); err != nil {
			return refusef("check sample %d %w", id, err)
		}
		return remember(ctx, tx, act, CheckSampleThing, id, "withdrawn", c, after)
	})
}
