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
	// AtOnce bounds the memory that a chart of years takes: about so many shots are looked at together.
	// 0 means 50 000.
	AtOnce int
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
	// What a statistic gathers over more shots than these doesn't matter: an EWMA has forgotten them, and
	// a cumulative sum has been at 0 since, unless it signals anyway.
	gatheredBefore = 10_000
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
		if first.ID, err = u.s.StartPhase(ctx, first); err == nil {
			u.Started = append(u.Started, first)
			phases = []store.Phase{first}
		} else if phases = u.startedMeanwhile(ctx, work.Chart); len(phases) == 0 {
			return err
		}
		from = phases[0].Start
	}
	before := shotsBefore
	byLot := slices.ContainsFunc(phases, func(p store.Phase) bool { return p.ByLot })
	if byLot {
		before = lotsBefore
	}
	if slices.ContainsFunc(phases, func(p store.Phase) bool { return p.Kind.Remembers() }) {
		before = gatheredBefore
	}
	ends, err := u.pieces(ctx, work.Chart, from)
	if err != nil {
		return err
	}
	var known []store.Signal
	extended := map[int64]store.Signal{}
	for i, end := range ends {
		earlier, err := Samples(ctx, u.s, work.Chart, store.Query{Until: from, Limit: before})
		if err != nil {
			return err
		}
		if byLot && len(earlier) == before { // its first lot may have been cut
			cut := earlier[0].Lot
			earlier = slices.DeleteFunc(earlier, func(s Sample) bool { return s.Lot == cut })
		}
		if i == 0 {
			if known, err = u.known(ctx, work.Chart, from, earlier); err != nil {
				return err
			}
		}
		fresh, err := Samples(ctx, u.s, work.Chart, store.Query{Since: from, Until: end})
		if err != nil {
			return err
		}
		w := Window{From: from, Settled: u.settled}
		if last := i == len(ends)-1; !last {
			if len(fresh) <= before {
				continue // with the next piece
			}
			w.Until = fresh[len(fresh)-before].At // lots after that may go on in the next piece
		}
		j, err := Judge(append(earlier, fresh...), phases, known, w)
		if err != nil {
			return err
		}
		for _, k := range j.Extended {
			extended[k.ID] = k
			known[slices.IndexFunc(known, func(s store.Signal) bool { return s.ID == k.ID })] = k
		}
		known = append(slices.DeleteFunc(known, func(s store.Signal) bool { return s.ID == 0 }), j.New...)
		if from = w.Until; from.IsZero() && !j.Again.IsZero() {
			u.done.Again = append(u.done.Again, store.ChartWork{Chart: work.Chart, From: j.Again})
		}
	}
	for _, k := range known {
		if k.ID == 0 {
			u.done.New = append(u.done.New, k)
		} else if e, grown := extended[k.ID]; grown {
			u.done.Extended = append(u.done.Extended, e)
		}
	}
	return nil
}

// startedMeanwhile returns the phases of a chart that had none when the work began.
func (u *updater) startedMeanwhile(ctx context.Context, c store.Chart) []store.Phase {
	all, err := u.s.Phases(ctx, store.PhaseQuery{Part: c.Part, View: c.View, Value: c.Value})
	if err != nil {
		return nil
	}
	return slices.DeleteFunc(all, func(p store.Phase) bool { return p.Chart != c })
}

// known returns the signals of a chart that points from a time on, or those before, may belong to.
func (u *updater) known(ctx context.Context, c store.Chart, from time.Time, earlier []Sample) ([]store.Signal, error) {
	if len(earlier) > 0 {
		from = earlier[0].At
	}
	list, err := u.s.Signals(ctx, store.SignalQuery{Chart: c, Since: from, Superseded: true})
	return slices.DeleteFunc(list, func(k store.Signal) bool { return k.Chart != c }), err // the query takes every line and head
}

const shotsAtOnce = 50_000

// pieces parts the time from from on so that none holds many more shots than are looked at together,
// and returns the ends of the parts; that of the last is open.
func (u *updater) pieces(ctx context.Context, c store.Chart, from time.Time) ([]time.Time, error) {
	q := store.Query{Part: c.Part, View: string(c.View), Line: c.Line, Head: c.Head, Since: from}
	n, err := u.s.Count(ctx, q)
	most := cmp.Or(u.o.AtOnce, shotsAtOnce)
	if err != nil || n <= most {
		return []time.Time{{}}, err
	}
	q.Limit = 1
	newest, err := u.s.Shots(ctx, q)
	if err != nil {
		return nil, err
	}
	parts := n/most + 1
	step := newest[0].TakenAt.Sub(from) / time.Duration(parts)
	var ends []time.Time
	for i := range parts - 1 {
		ends = append(ends, from.Add(time.Duration(i+1)*step))
	}
	return append(ends, time.Time{}), nil
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
		if len(p.at) >= EnoughPoints { // it waits for time only, and not for another shot
			u.done.Again = append(u.done.Again, store.ChartWork{Chart: c, From: p.at[complete].At})
		}
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
	for _, w := range warnings { // what they mean is said where the chart is drawn
		found, _, _ := strings.Cut(w, ": ")
		l.Source += "; " + found
	}
	return store.Phase{
		Chart: c, Name: "first", Start: p.at[0].At, Kind: kind, ByLot: byLot, Rules: DefaultRules(kind), Limits: l,
		Act: store.Act{By: u.o.Program, At: u.o.Now, Why: fmt.Sprintf("the first %d %s are there, and nobody has stated limits", n, p.what())},
	}, "", nil
}
