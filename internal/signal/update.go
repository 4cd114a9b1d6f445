package signal

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/series"
	"plumbsquare/internal/store"
)

// Options refine Update.
type Options struct {
	Now     time.Time // needed
	Program string    // what stands in the record of changes as who found it, such as "inspect v1.2.0"; needed
	// Settle is how long nothing of the newest lot must have been recorded for it to count as complete;
	// 0 means an hour. Times of recording are this machine's, those of shots may be another clock's.
	Settle time.Duration
}

// A Result is what Update found.
type Result struct {
	New      []store.Signal
	Extended int           // signals whose pattern goes on
	Started  []store.Phase // charts that have gathered enough points got their first limits
	Waiting  []Waiting     // charts with new shots that have no limits yet
	Problems []string      // charts that could not be judged, and why
}

// Waiting is a chart that has no limits yet.
type Waiting struct {
	store.Chart
	Why string // "12 of 20 lots"
}

// Update holds all that is new in the store against the limits in force and keeps the signals. A
// chart that has none gets its first once it has enough points: limits fixed from its first
// twenty-five lots (shots, where a lot gives one), without those that lie beyond these limits.
//
// It looks at new shots and a few before them, so it may be called after every reading; called by
// several programs at once, each signal is kept once.
func Update(ctx context.Context, s *store.Store, o Options) (Result, error) {
	const tries = 5
	var started []store.Phase
	for range tries {
		r, err := update(ctx, s, o)
		r.Started = append(started, r.Started...)
		if !errors.Is(err, store.ErrJudgedMeanwhile) {
			return r, err
		}
		started = r.Started
	}
	return Result{Started: started}, nil // somebody else is at it, and will find the same
}

func update(ctx context.Context, s *store.Store, o Options) (r Result, err error) {
	w, err := s.Unjudged(ctx)
	if err != nil || w.Lines == nil && w.Again == nil {
		return r, err
	}
	all, err := s.Phases(ctx, store.PhaseQuery{})
	if err != nil {
		return r, err
	}
	u := updater{s: s, o: o, settled: o.Now.Add(-cmp.Or(o.Settle, time.Hour)), phases: map[store.Chart][]store.Phase{}, done: store.Judged{At: o.Now, By: o.Program}}
	for _, p := range all {
		u.phases[p.Chart] = append(u.phases[p.Chart], p)
	}
	for _, work := range u.charts(w) {
		if err := u.chart(ctx, work); err != nil {
			if ctx.Err() != nil {
				return r, ctx.Err()
			}
			u.Problems = append(u.Problems, fmt.Sprintf("%v: %v", work.Chart, err))
			u.done.Again = append(u.done.Again, work)
		}
	}
	if w.Lines == nil && u.done.New == nil && u.done.Extended == nil && slices.Equal(u.done.Again, w.Again) {
		return u.Result, nil // as it was
	}
	u.New, err = s.RecordJudged(ctx, w, u.done)
	u.Extended = len(u.done.Extended)
	return u.Result, err
}

// updater is one run of Update.
type updater struct {
	s       *store.Store
	o       Options
	settled time.Time // lots whose last shot was recorded before are complete
	phases  map[store.Chart][]store.Phase
	done    store.Judged
	Result
}

// charts returns the charts of a worklist, each once, in order: those that have phases and those of
// the watched quantities.
func (u *updater) charts(w store.Worklist) (list []store.ChartWork) {
	add := func(c store.Chart, from time.Time) {
		i := slices.IndexFunc(list, func(k store.ChartWork) bool { return k.Chart == c })
		switch {
		case i < 0:
			list = append(list, store.ChartWork{Chart: c, From: from})
		case from.Before(list[i].From):
			list[i].From = from
		}
	}
	for _, l := range w.Lines {
		for _, quantity := range watched[l.View] {
			add(store.Chart{Part: l.Part, View: l.View, Line: l.Line, Value: quantity}, l.From)
		}
		for c := range u.phases {
			if c.Part == l.Part && c.View == l.View && c.Line == l.Line {
				add(c, l.From)
			}
		}
	}
	for _, k := range w.Again {
		add(k.Chart, k.From)
	}
	slices.SortStableFunc(list, func(a, b store.ChartWork) int {
		return cmp.Or(cmp.Compare(a.Part, b.Part), cmp.Compare(a.View, b.View), cmp.Compare(a.Line, b.Line), cmp.Compare(a.Head, b.Head), cmp.Compare(a.Value, b.Value))
	})
	return list
}

// How many shots before the first new one are looked at too: enough for every pattern to begin in,
// and for fifteen lots where lots are the points.
const (
	shotsBefore = 4 * longestPattern
	lotsBefore  = 1000
)

func (u *updater) chart(ctx context.Context, work store.ChartWork) error {
	phases, from := u.phases[work.Chart], work.From
	if phases == nil {
		first, why, err := u.firstPhase(ctx, work.Chart)
		if err != nil {
			return err
		}
		if why != "" {
			u.Waiting = append(u.Waiting, Waiting{work.Chart, why})
			return nil
		}
		if first.ID, err = u.s.StartPhase(ctx, first); err != nil {
			return err
		}
		u.Started = append(u.Started, first)
		phases, from = []store.Phase{first}, first.Start
	}
	before := shotsBefore
	byLot := slices.ContainsFunc(phases, func(p store.Phase) bool { return p.ByLot })
	if byLot {
		before = lotsBefore
	}
	earlier, err := Samples(ctx, u.s, work.Chart, store.Query{Until: from, Limit: before})
	if err != nil {
		return err
	}
	if byLot && len(earlier) == before { // its first lot may have been cut
		cut := earlier[0].Lot
		earlier = slices.DeleteFunc(earlier, func(s Sample) bool { return s.Lot == cut })
	}
	fresh, err := Samples(ctx, u.s, work.Chart, store.Query{Since: from})
	if err != nil || len(fresh) == 0 {
		return err
	}
	samples := append(earlier, fresh...)
	known, err := u.s.Signals(ctx, store.SignalQuery{Chart: work.Chart, Since: samples[0].At, Superseded: true})
	if err != nil {
		return err
	}
	known = slices.DeleteFunc(known, func(k store.Signal) bool { return k.Chart != work.Chart }) // of every line, every head
	j, err := Judge(samples, phases, known, from, u.settled)
	if err != nil {
		return err
	}
	u.done.New = append(u.done.New, j.New...)
	u.done.Extended = append(u.done.Extended, j.Extended...)
	if !j.Again.IsZero() {
		u.done.Again = append(u.done.Again, store.ChartWork{Chart: work.Chart, From: j.Again})
	}
	return nil
}

// mostGathered is how many of the newest shots first limits are looked for in.
const mostGathered = 5000

// firstPhase returns the phase that gives a chart its first limits, or why it has to wait.
func (u *updater) firstPhase(ctx context.Context, c store.Chart) (ph store.Phase, why string, err error) {
	samples, err := Samples(ctx, u.s, c, store.Query{Limit: mostGathered})
	if err != nil || len(samples) == 0 {
		return ph, "no shot", err
	}
	kind, byLot := Suggest(samples, c.Value)
	p := gather(samples, kind, byLot)
	complete := len(p.at)
	if byLot && complete > 0 && !p.last[complete-1].Before(u.settled) {
		complete--
	}
	if complete < EnoughPoints {
		return ph, fmt.Sprintf("%d of %d %s", complete, EnoughPoints, p.what()), nil
	}
	n := EnoughPoints
	if kind.OfCounts() {
		// Below one count a point, limits at three sigma mislead (see spc.UChart).
		for n < complete && p.slice(0, n).eventsAPoint() < 1 {
			n = min(2*n, complete)
		}
		if kind = series.U; p.slice(0, n).overdispersed() {
			kind = series.LaneyU
		}
		if got := p.slice(0, n).eventsAPoint(); got < 1 {
			return ph, fmt.Sprintf("%.2g counts in a %s on average; limits need about one", got, strings.TrimSuffix(p.what(), "s")), nil
		}
	}
	l, warnings, err := p.slice(0, n).screened(kind)
	if err != nil {
		return ph, err.Error(), nil
	}
	l.Source = strings.Join(append([]string{l.Source}, warnings...), "; ")
	return store.Phase{
		Chart: c, Name: "first", Start: p.at[0].At, Kind: kind, ByLot: byLot, Rules: DefaultRules(kind), Limits: l,
		Act: store.Act{By: u.o.Program, At: u.o.Now, Why: fmt.Sprintf("the first %d %s are there, and nobody has stated limits", n, p.what())},
	}, "", nil
}
