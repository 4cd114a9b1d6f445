package signal

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
	"plumbsquare/internal/store"
)

// longestPattern is how many points the longest pattern of a rule takes: fifteen in a row.
const longestPattern = 15

// quietPoints end a signal: a pattern that is complete again later than that is another one. A level
// that has moved by two or three sigma lies beyond the limit at every second point or so, and would
// otherwise be a dozen signals of one cause.
const quietPoints = 9

// A Judgement is what came of holding samples against the phases in force.
type Judgement struct {
	New      []store.Signal // without an ID; open
	Extended []store.Signal // known ones whose pattern went on: Last and Times have grown
	// Again is when the first point was taken that couldn't be judged yet; zero when all were.
	Again time.Time
}

// A Window says which points are to be judged. What patterns began in may lie before it.
type Window struct {
	From  time.Time // zero means from the first
	Until time.Time // excluded; zero means to the last
	// Settled is when the newest lot must have been recorded to count, for until then its mean may
	// still change.
	Settled time.Time
}

func (w Window) holds(t time.Time) bool {
	return !t.Before(w.From) && (w.Until.IsZero() || t.Before(w.Until))
}

// Judge holds samples, in order of time, against the phases of their chart, in order of start, and
// matches the hits with the signals known of it. The same rule completed at the same points is the
// same signal; one completed again within nine points goes on, unless a person closed it before that
// point was taken: then it has come back, and is a new one. Samples before the first phase are
// judged by nothing, and a phase of one point has to wait for its second. Known signals without an
// ID are returned among the new ones.
func Judge(samples []Sample, phases []store.Phase, known []store.Signal, w Window) (Judgement, error) {
	m := matcher{known: slices.Clone(known), extended: map[int]bool{}}
	for i, ph := range phases {
		start := slices.IndexFunc(samples, func(s Sample) bool { return !s.At.Before(ph.Start) })
		if start < 0 {
			break
		}
		end := len(samples)
		if i+1 < len(phases) {
			end, _ = slices.BinarySearchFunc(samples, phases[i+1].Start, func(s Sample, t time.Time) int { return s.At.Compare(t) })
		}
		if start >= end {
			continue
		}
		if err := m.phase(ph, gather(samples[start:end], ph.Kind, ph.ByLot), end == len(samples), w); err != nil {
			return Judgement{}, fmt.Errorf("phase %d %q of %s: %w", ph.ID, ph.Name, ph.Value, err)
		}
	}
	return m.judgement(), nil
}

// matcher matches hits with signals.
type matcher struct {
	known    []store.Signal // those found are appended, without an ID
	extended map[int]bool   // positions in known
	again    time.Time
}

func (m *matcher) phase(ph store.Phase, p points, latest bool, w Window) error {
	if n := len(p.at); latest && ph.ByLot && n > 0 && !p.last[n-1].Before(w.Settled) {
		m.again = p.at[n-1].At
		p = p.slice(0, n-1)
	}
	if len(p.at) < 2 {
		if latest && len(p.at) > 0 {
			m.again = p.at[0].At
		}
		return nil
	}
	rules, err := spc.ParseRules(ph.Rules)
	if err != nil {
		return err
	}
	charts, err := p.charts(ph.Kind, spc.Options{Phases: []spc.Phase{fixed(ph.Kind, ph.Limits)}, Rules: rules})
	if err != nil {
		return err
	}
	for i := range charts {
		c := &charts[i]
		for _, h := range c.Hits {
			index := func(at int) int { return c.Points[at].Index }
			at := p.at[index(h.At)]
			at.Value = c.Points[h.At].Value
			if !w.holds(at.At) {
				continue
			}
			f := found{phase: ph, chart: c, hit: h, at: at, lately: p.at[max(0, index(h.At)-quietPoints)]}
			for _, k := range h.Points() {
				q := p.at[index(k)]
				q.Value = c.Points[k].Value
				f.pattern = append(f.pattern, q)
			}
			m.match(f)
		}
	}
	return nil
}

// found is a hit with the points it speaks of.
type found struct {
	phase   store.Phase
	chart   *spc.Chart
	hit     spc.Hit
	at      store.Point // that completed the pattern
	lately  store.Point // quietPoints before
	pattern []store.Point
}

// compare puts points in the order of a chart.
func compare(a, b store.Point) int {
	return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Shot, b.Shot))
}

func (m *matcher) match(f found) {
	for i := len(m.known) - 1; i >= 0; i-- {
		s := &m.known[i]
		if s.Phase != f.phase.ID || s.Statistic != f.chart.Statistic || s.Rule != f.hit.Rule.String() || s.Side != f.hit.Side {
			continue
		}
		if compare(s.First, f.at) <= 0 && compare(f.at, s.Last) <= 0 {
			return
		}
		goesOn := compare(s.Last, f.lately) >= 0 && compare(s.Last, f.at) < 0 && (s.State != store.SignalClosed || !f.at.At.After(s.Closed.At))
		if goesOn {
			s.Last, s.Times = f.at, s.Times+1
			m.extended[i] = true
			return
		}
	}
	m.known = append(m.known, store.Signal{
		Phase: f.phase.ID, Chart: f.phase.Chart, Statistic: f.chart.Statistic, Rule: f.hit.Rule.String(), Side: f.hit.Side,
		First: f.at, Last: f.at, Times: 1, Pattern: f.pattern, Text: f.text(), State: store.SignalOpen,
	})
}

func (m *matcher) judgement() (j Judgement) {
	j.Again = m.again
	for i, s := range m.known {
		switch {
		case s.ID == 0:
			j.New = append(j.New, s)
		case m.extended[i]:
			j.Extended = append(j.Extended, s)
		}
	}
	return j
}

// text says what happened and what it usually means.
func (f found) text() string {
	side := ""
	if f.hit.Side != 0 {
		words := [2]string{"below", "above"}
		if f.hit.Rule == spc.Nelson3 {
			words = [2]string{"falling", "rising"}
		}
		side = " (" + words[(f.hit.Side+1)/2] + ")"
	}
	return fmt.Sprintf("%s of %s: %s%s, %s; %s", f.chart.Statistic, series.QuantityOf(f.phase.Value).Name,
		f.hit.Rule.Text(), side, f.where(), f.chart.Meaning(f.hit))
}

// where names the points of the pattern.
func (f found) where() string {
	of := "sample"
	if f.phase.ByLot {
		of = "lot"
	}
	name := func(p store.Point) string {
		if p.Name == "" {
			return "the shot of " + day(p)
		}
		return of + " " + p.Name + " of " + day(p)
	}
	first, last := f.pattern[0], f.pattern[len(f.pattern)-1]
	if len(f.pattern) == 1 {
		return name(first)
	}
	return "from " + name(first) + " to " + strings.TrimPrefix(name(last), of+" ")
}
