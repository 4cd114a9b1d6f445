package watch

import (
	"context"
	"fmt"
	"time"
)

// A Nightly writes a report at a set time of day. It goes by the calendar of loc, so that a change
// to summer time moves nothing, and by which report was written, so that a clock that is set back
// writes none twice and one that jumps forward, or a night that the machine was off, leaves none out.
type Nightly struct {
	Hour, Minute int
	// Write writes the report of the time from since to until, named after day. It is asked again
	// later when it fails.
	Write func(ctx context.Context, day string, since, until time.Time) error

	done string // day of the last report
}

// ParseNightly reads a time of day such as 05:30.
func ParseNightly(s string) (*Nightly, error) {
	t, err := time.Parse("15:04", s)
	if err != nil {
		return nil, fmt.Errorf("want a time of day such as 05:30, got %q", s)
	}
	return &Nightly{Hour: t.Hour(), Minute: t.Minute()}, nil
}

// due returns the newest report that is to be there by now: its day and the 24 hours it is about.
func (n *Nightly) due(now time.Time) (day string, since, until time.Time) {
	y, m, d := now.Date()
	until = time.Date(y, m, d, n.Hour, n.Minute, 0, 0, now.Location())
	if now.Before(until) {
		until = time.Date(y, m, d-1, n.Hour, n.Minute, 0, 0, now.Location())
	}
	y, m, d = until.Date()
	return until.Format(time.DateOnly), time.Date(y, m, d-1, n.Hour, n.Minute, 0, 0, now.Location()), until
}

// tick writes the report that is due and wasn't written.
func (n *Nightly) tick(ctx context.Context, now time.Time) error {
	day, since, until := n.due(now)
	if day <= n.done {
		return nil
	}
	if err := n.Write(ctx, day, since, until); err != nil {
		return err
	}
	n.done = day
	return nil
}

// nightlyLook is how often the calendar is looked at.
const nightlyLook = 20 * time.Second

// nights writes the reports of the nights until ctx ends.
func (k *keeper) nights(ctx context.Context) {
	n := k.o.Nightly
	if n == nil {
		return
	}
	for ctx.Err() == nil {
		before := n.done
		if err := n.tick(ctx, time.Now()); err != nil && ctx.Err() == nil {
			k.trouble("report", fmt.Sprintf("the nightly report can't be written (%v); it is tried again", err))
		} else if n.done != before {
			k.well("report", "the nightly report could be written")
		}
		sleep(ctx, nightlyLook)
	}
}
