package main

import (
	"context"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"plumbsquare/internal/report"
	"plumbsquare/internal/series"
	"plumbsquare/internal/store"
)

// reportStoreFlags choose what a report takes from a store.
type reportStoreFlags struct {
	storeFlags
	day, since, until, line string
}

func (s *reportStoreFlags) addFlags(f *pflag.FlagSet) {
	s.storeFlags.addFlags(f)
	f.StringVar(&s.day, "day", "", "store: the day to report, such as 2031-03-04, today or yesterday")
	f.StringVar(&s.since, "since", "", "store: readings taken then or later, such as 2031-03-04T06:00:00Z")
	f.StringVar(&s.until, "until", "", "store: readings taken before then")
	f.StringVar(&s.line, "line", "", "store: only this line of the plant")
}

func (s reportStoreFlags) chooses() bool {
	return s.at != "" || s.station != "" || s.day != "" || s.since != "" || s.until != "" || s.line != ""
}

// times returns the time that is asked for.
func (s reportStoreFlags) times(now time.Time) (since, until time.Time, err error) {
	if s.day != "" {
		if s.since != "" || s.until != "" {
			return since, until, usagef("give --day or --since and --until, not both")
		}
		switch s.day {
		case "today":
			since = midnight(now)
		case "yesterday":
			since = midnight(now).AddDate(0, 0, -1)
		default:
			if since, err = time.ParseInLocation("2006-01-02", s.day, now.Location()); err != nil {
				return since, until, usagef("--day: want a day such as 2031-03-04, today or yesterday, got %q", s.day)
			}
		}
		return since, since.AddDate(0, 0, 1), nil
	}
	for _, f := range []struct {
		name, text string
		at         *time.Time
	}{{"--since", s.since, &since}, {"--until", s.until, &until}} {
		if f.text == "" {
			continue
		}
		at, ok := series.ParseTime(f.text)
		if !ok {
			return since, until, usagef("%s: want a time such as 2031-03-04 or 2031-03-04T06:00:00Z, got %q", f.name, f.text)
		}
		*f.at = at
	}
	if !since.IsZero() && !until.IsZero() && !since.Before(until) {
		return since, until, usagef("--since %s isn't before --until %s", s.since, s.until)
	}
	return since, until, nil
}

func midnight(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, t.Location())
}

// ofStore writes the report of what is asked for from the store.
func (o reportOptions) ofStore(ctx context.Context) (r *report.Report, err error) {
	now, err := o.clock()
	if err != nil {
		return nil, err
	}
	q := store.Query{Line: o.fromStore.line}
	if q.Since, q.Until, err = o.fromStore.times(now); err != nil {
		return nil, err
	}
	files := o
	files.parts = nil
	for _, p := range o.parts {
		switch {
		case strings.HasSuffix(p, ".yaml") || strings.HasSuffix(p, ".yml"):
			files.parts = append(files.parts, p)
		case q.Part != "":
			return nil, usagef("--part: a report is of one part or of all; got %s and %s", q.Part, p)
		default:
			q.Part = p
		}
	}
	options, err := files.options()
	if err != nil {
		return nil, err
	}
	at, err := o.fromStore.address()
	if err != nil {
		return nil, err
	}
	err = withStore(ctx, at, func(st *store.Store) error {
		if _, err := updateSignals(ctx, st); err != nil { // so that open signals are today's
			return err
		}
		r, err = writeStoreReport(ctx, st, q, options, o.out)
		return err
	})
	return r, err
}
