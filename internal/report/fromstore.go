package report

import (
	"context"
	"fmt"
	"iter"
	"math"
	"slices"
	"time"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
	"plumbsquare/internal/store"
)

// Charts of a day begin with what came before it.
const (
	historyDays  = 60
	historyShots = 200 // of a part and view, the newest
	checksKept   = 30  // shots of a check sample that are told of
)

// FromStore makes the report of what a query chooses from the store, with what the store knows
// besides: readings from before for the charts, phases, events, open signals, decisions about shots
// in review, part and scope files, check samples, pictures set aside. What options give already
// stands. A time in which nothing was measured gives a report that says so.
func FromStore(ctx context.Context, st *store.Store, q store.Query, o Options) (*Report, error) {
	o.Since, o.Until, o.nothing = q.Since, q.Until, true
	s := &stored{Store: st, query: q, options: &o}
	for _, gather := range []func(context.Context) error{s.files, s.decisions, s.lineEvents, s.checks, s.aside} {
		if err := gather(ctx); err != nil {
			return nil, err
		}
	}
	before, err := s.before(ctx)
	if err != nil {
		return nil, err
	}
	return build(s.items(ctx, q), before, o)
}

// stored gathers a report's material.
type stored struct {
	*store.Store
	query   store.Query
	options *Options
	decided map[int64]string       // by shot
	known   map[checkOf][]checking // check samples, which aren't the line's
}

// checkOf is what tells the shots of a check sample.
type checkOf struct {
	part, sample string
	view         reading.View
}

type checking = store.CheckSample

// items yields the line's readings; those of check samples are left out.
func (s *stored) items(ctx context.Context, q store.Query) iter.Seq2[item, error] {
	return func(yield func(item, error) bool) {
		for k, err := range s.Kept(ctx, q) {
			if err != nil {
				yield(item{}, err)
				return
			}
			if s.known[checkOf{k.Shot.Part, k.Shot.Sample, k.Shot.View}] != nil {
				continue
			}
			r := *k.Reading
			if _, ok := series.ParseTime(r.Shot.TakenAt); !ok {
				r.Shot.TakenAt = k.Shot.TakenAt.Format(time.RFC3339)
			}
			if !yield(item{&r, k.Shot.Line, s.decided[k.Shot.ID]}, nil) {
				return
			}
		}
	}
}

// before returns the readings that charts begin with: of every part, line and view that has readings
// in the reported time the newest from before.
func (s *stored) before(ctx context.Context) (iter.Seq2[item, error], error) {
	if s.query.Since.IsZero() {
		return nil, nil
	}
	shots, err := s.Shots(ctx, s.query)
	if err != nil {
		return nil, err
	}
	var asked []store.Query
	for _, shot := range shots {
		q := store.Query{Part: shot.Part, View: string(shot.View), Line: shot.Line, Head: s.query.Head,
			Since: s.query.Since.AddDate(0, 0, -historyDays), Until: s.query.Since, Limit: historyShots,
			Verdicts: []reading.Decision{reading.Accept, reading.Reject, reading.Review}}
		if !slices.ContainsFunc(asked, func(a store.Query) bool { return a.Part == q.Part && a.View == q.View && a.Line == q.Line }) {
			asked = append(asked, q)
		}
	}
	return func(yield func(item, error) bool) {
		for _, q := range asked {
			for it, err := range s.items(ctx, q) {
				if err == nil && q.Line == "" && it.line != "" {
					continue // an empty line in a query chooses all
				}
				if !yield(it, err) {
					return
				}
			}
		}
	}, nil
}

// files takes the newest version of part and scope files.
func (s *stored) files(ctx context.Context) error {
	parts, err := s.Parts(ctx)
	if err != nil {
		return err
	}
	scopes, err := s.Scopes(ctx)
	if err != nil {
		return err
	}
	p, c := map[string]*part.Part{}, map[string]*scope.Scope{}
	for _, f := range parts { // by name, then in the order in which they came
		if f.Text == nil {
			continue
		}
		q, err := part.Load(f.Text, f.Name)
		if err != nil { // of an older program: no reason to have no report
			s.options.leftOut = append(s.options.leftOut, fmt.Sprintf("limits of part %s, version %s: %v", f.Name, f.SHA256[:12], err))
			continue
		}
		p[f.Name] = q
	}
	for _, f := range scopes {
		if f.Text == nil {
			continue
		}
		q, err := scope.Load(f.Text, f.Name)
		if err != nil {
			s.options.leftOut = append(s.options.leftOut, fmt.Sprintf("calibration of scope %s, version %s: %v", f.Name, f.SHA256[:12], err))
			continue
		}
		c[f.Name] = q
	}
	for name, given := range s.options.Parts {
		p[name] = given
	}
	for name, given := range s.options.Scopes {
		c[name] = given
	}
	s.options.Parts, s.options.Scopes = p, c
	return nil
}

// decisions takes what people decided about shots in review.
func (s *stored) decisions(ctx context.Context) error {
	cases, err := s.Cases(ctx, store.CaseQuery{Query: s.query})
	s.decided = map[int64]string{}
	for _, c := range cases {
		if v := c.Decided(); v != nil {
			s.decided[c.Shot.ID] = fmt.Sprintf("Decided: %s, by %s on %s: %s", v.Decision, v.By, v.At.Format("2006-01-02 15:04"), v.Why)
		}
	}
	return err
}

// lineEvents takes events, phases and signals that somebody has to see to.
func (s *stored) lineEvents(ctx context.Context) error {
	q := s.query
	events, err := s.Events(ctx, store.EventQuery{Part: q.Part, Line: q.Line, Until: q.Until})
	if err != nil {
		return err
	}
	for _, e := range events {
		text := e.Text
		for _, of := range []struct{ name, value string }{{"nozzle", e.Nozzle}, {"head", e.Head}} {
			if of.value != "" {
				text = of.name + " " + of.value + ": " + text
			}
		}
		s.options.Events = append(s.options.Events, Event{At: e.Happened, Part: e.Part, Line: e.Line, Text: text})
	}
	phases, err := s.Phases(ctx, store.PhaseQuery{Part: q.Part, View: reading.View(q.View), Line: q.Line})
	if err != nil {
		return err
	}
	for _, p := range phases {
		if p.Head != "" {
			continue // these charts are of all heads
		}
		phase := Phase{Part: p.Part, Line: p.Line, View: p.View, Quantity: p.Value, Name: p.Name, From: p.Start, Kind: p.Kind, ByLot: p.ByLot, Center: &p.Centre}
		if rules, err := spc.ParseRules(p.Rules); err == nil {
			phase.Rules = rules
		}
		if p.Sigma > 0 {
			phase.Sigma = &p.Sigma
		}
		s.options.Phases = append(s.options.Phases, phase)
	}
	signals, err := s.Signals(ctx, store.SignalQuery{
		Chart:  store.Chart{Part: q.Part, View: reading.View(q.View), Line: q.Line},
		States: []store.SignalState{store.SignalOpen, store.SignalAcknowledged},
	})
	for _, g := range signals {
		s.options.Signals = append(s.options.Signals, Signal{ID: g.ID, Chart: chartName(g.Chart), Since: g.First.At, Text: g.Text, State: string(g.State), Cause: g.Cause})
	}
	return err
}

// chartName puts a chart in words.
func chartName(c store.Chart) string {
	name := series.QuantityOf(c.Value).Name + " of " + c.Part + " " + string(c.View)
	if c.Line != "" {
		name += ", line " + c.Line
	}
	if c.Head != "" {
		name += ", head " + c.Head
	}
	return name
}

// checks holds the shots of check samples against what these are known to be.
func (s *stored) checks(ctx context.Context) error {
	samples, err := s.CheckSamples(ctx, store.CheckSampleQuery{Withdrawn: true})
	if err != nil {
		return err
	}
	s.known = map[checkOf][]checking{}
	for _, c := range samples {
		key := checkOf{c.Part, c.Sample, c.View}
		s.known[key] = append(s.known[key], c)
		if c.Withdrawn != nil {
			continue // its shots still aren't the line's
		}
		q := store.Query{Part: c.Part, Sample: c.Sample, View: string(c.View), Until: s.query.Until, Limit: checksKept}
		scopes := map[int64]string{}
		for k, err := range s.Kept(ctx, q) {
			if err != nil {
				return err
			}
			scopes[k.Shot.ID] = k.Reading.Source.Scope
		}
		values, err := s.Series(ctx, q, c.Value)
		if err != nil {
			return err
		}
		for _, v := range values {
			s.options.Checks = append(s.options.Checks, checkOne(c, v, scopes[v.Shot.ID]))
		}
	}
	return nil
}

// checkOne compares a value with its reference: within the expanded uncertainty (k = 2) of the
// difference, |Eₙ| ≤ 1 in the words of ISO/IEC 17043, annex B, the scope measures right.
func checkOne(c store.CheckSample, v store.Value, scope string) Check {
	q := series.QuantityOf(c.Value)
	u := c.UReference
	if !math.IsNaN(v.U) {
		u = math.Hypot(u, v.U)
	}
	off := v.Value - c.Reference
	out := Check{Scope: scope, At: v.Shot.TakenAt, OK: u == 0 || math.Abs(off) <= 2*u}
	out.Text = fmt.Sprintf("%s of sample %s is off its reference by %s %s", q.Name, c.Sample, reading.PlusMinus(off, 2*u), q.Unit)
	switch {
	case u == 0:
		out.Text += ", with no uncertainty to judge it by"
	case !out.OK:
		out.Text += ", more than its uncertainty explains"
	}
	return out
}

// aside takes the pictures that no reading came from.
func (s *stored) aside(ctx context.Context) error {
	jobs, err := s.SetAside(ctx)
	if err != nil {
		return err
	}
	q := s.query
	for _, j := range jobs {
		if q.Part != "" && j.Part != q.Part || q.Line != "" && j.Line != q.Line || !q.Until.IsZero() && !j.At.Before(q.Until) {
			continue
		}
		reason := j.Why
		if j.At.Before(q.Since) {
			reason += fmt.Sprintf(" (since %s)", j.At.Format("2006-01-02"))
		}
		s.options.NotMeasured = append(s.options.NotMeasured, NotMeasured{Picture: j.Path, Reason: reason})
	}
	state, err := s.QueueState(ctx)
	s.options.Waiting = state.Waiting
	return err
}
