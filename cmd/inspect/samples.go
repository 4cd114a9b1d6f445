package main

import (
	"context"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"plumbsquare/internal/drift"
	"plumbsquare/internal/part"
	"plumbsquare/internal/series"
	"plumbsquare/internal/signal"
	"plumbsquare/internal/store"
)

// sampleOptions choose samples from a file or a store.
type sampleOptions struct {
	values         []string
	time, subgroup string
	by             []string
	where          []string
	part           string // name or file
	fromStore      chartStore
}

func (o *sampleOptions) add(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringSliceVar(&o.values, "value", nil, "column of values; several may be given (readings: x_um, y_um, theta_deg)")
	f.StringVar(&o.time, "time", "", "column of times (readings: taken_at)")
	f.StringVar(&o.subgroup, "subgroup", "", `column that says which values are alike (readings: lot); "none" for none`)
	f.StringArrayVar(&o.where, "where", nil, "take only the rows whose COLUMN=VALUE; may be given several times")
	o.fromStore.addFlags(cmd)
}

// usual are the values looked at where none is asked for.
var usual = []string{"x_um", "y_um", "theta_deg"}

// load returns the table of a file or of a store, the values to look at, and the part, nil where
// none was named.
func (o sampleOptions) load(cmd *cobra.Command, args []string) (t *series.Table, values []string, drawn *part.Part, err error) {
	switch fromStore := o.fromStore.on(cmd); {
	case fromStore && len(args) > 0:
		return nil, nil, nil, usagef("a file or a store? Leave out %s, or --store", args[0])
	case fromStore:
		t, drawn, err = o.loadStore(cmd)
	case len(args) == 0:
		return nil, nil, nil, usagef("which file? Give a FILE, or --store AT and --part NAME")
	default:
		t, drawn, err = o.loadFile(args[0])
	}
	if err != nil {
		return nil, nil, nil, err
	}
	for _, w := range o.where {
		column, value, ok := strings.Cut(w, "=")
		if !ok {
			return nil, nil, nil, usagef("--where: want COLUMN=VALUE, got %q", w)
		}
		if err := t.Where(column, value); err != nil {
			return nil, nil, nil, err
		}
	}
	if values = o.values; len(values) == 0 {
		for _, v := range usual {
			if t.Has(v) {
				values = append(values, v)
			}
		}
	}
	if len(values) == 0 {
		return nil, nil, nil, usagef("which column? Give --value NAME; %s has %s", t.File, strings.Join(t.Columns, ", "))
	}
	return t, values, drawn, nil
}

func (o sampleOptions) loadFile(file string) (*series.Table, *part.Part, error) {
	since, until, err := o.fromStore.times()
	if err != nil {
		return nil, nil, err
	}
	t, err := loadTable(file)
	if err != nil {
		return nil, nil, err
	}
	if !since.IsZero() || !until.IsZero() {
		column := o.time
		if column == "" {
			column = "taken_at"
		}
		if err := t.Within(column, since, until); err != nil {
			return nil, nil, err
		}
	}
	if o.part == "" {
		return t, nil, nil
	}
	drawn, err := loadPart(o.part)
	return t, drawn, err
}

func (o sampleOptions) loadStore(cmd *cobra.Command) (t *series.Table, drawn *part.Part, err error) {
	err = o.fromStore.with(cmd, func(ctx context.Context, s *store.Store) error {
		var name string
		if name, drawn, err = partIn(ctx, s, o.part); err != nil {
			return err
		}
		c, err := chartIn(ctx, s, chartFlags{part: name, view: o.fromStore.view, line: o.fromStore.line, head: o.fromStore.head}, o.values)
		if err != nil {
			return err
		}
		wanted := chartOptions{values: o.values, fromStore: o.fromStore}
		if len(wanted.values) == 0 {
			for _, v := range usual {
				if slices.Contains(signal.Watched(c.View), v) {
					wanted.values = append(wanted.values, v)
				}
			}
		}
		if len(wanted.values) == 0 {
			return usagef("which value? Give --value; %v shots have %s", c.View, strings.Join(signal.Watched(c.View), ", "))
		}
		t, err = wanted.storeTable(ctx, s, c)
		return err
	})
	return t, drawn, err
}

func (o sampleOptions) samples(t *series.Table, value string) (drift.Samples, error) {
	if !t.Has(value) {
		_, err := t.Numbers(value)
		return drift.Samples{}, err
	}
	if err := oneKindOfThing(t, value); err != nil {
		return drift.Samples{}, err
	}
	return drift.FromTable(t, value, drift.Choice{Time: o.time, Lot: o.subgroup, Factors: o.by, Required: o.by != nil})
}
