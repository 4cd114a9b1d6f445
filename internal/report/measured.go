package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/drift"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// A study is what drift says about a quantity.
type study struct {
	drift.Study
	column    string
	samples   drift.Samples
	quantity  series.Quantity
	tolerance *spc.Tolerance
}

// measured charts a quantity with its events and phases, holds it against its limits and looks for
// what moved it.
func (c *groupContent) measured(q quantity, before, now []*shot, limits part.Limits, o Options) ([]study, error) {
	known := func(shots []*shot) (list []*shot) {
		for _, s := range shots {
			if v := q.of(s); !math.IsNaN(v) && !math.IsInf(v, 0) {
				list = append(list, s)
			}
		}
		return list
	}
	before, now = known(before), known(now)
	all := slices.Concat(before, now)
	qty := series.QuantityOf(q.column)
	if len(all) < fewestForChart || len(now) == 0 {
		return nil, nil
	}
	s := numbered(all, q.of)
	if slices.Max(s.Values) == 0 && slices.Min(s.Values) == 0 {
		return nil, nil // not measured in this view, such as the lean of columns without a height
	}
	phases := c.phases(q.column, o)
	kind := s.Suggest()
	opt := spc.Options{Rules: chartRules}
	plotted := s
	points := all // the first shot of each point
	start := len(before)
	byLot := kind.Grouped()
	if len(phases) > 0 {
		last := phases[len(phases)-1]
		if last.Kind != "" {
			kind, byLot = last.Kind, last.ByLot || last.Kind.Grouped()
		}
		if last.Rules != nil {
			opt.Rules = last.Rules
		}
	}
	if byLot && s.Keys != nil {
		points, start = firstOfLots(all), distinctLots(before)
		if !kind.Grouped() {
			plotted = lotMeans(s)
		}
	}
	if opt.Phases = phasesOf(phases, points); opt.Phases == nil {
		opt.Phases = baseline(start)
	}
	charts, names, err := plotted.Charts(kind, opt)
	if err != nil && opt.Phases != nil { // such as a phase that no lot of two is in
		opt.Phases = nil
		charts, names, err = plotted.Charts(kind, opt)
	}
	if err != nil {
		c.say(fmt.Sprintf("No chart of %s: %v.", qty.Name, err))
		return nil, nil
	}
	note := plural(len(all), "sample", "samples")
	if n := len(charts[0].Points); n < len(all) {
		note += " in " + plural(n, "lot", "lots")
	}
	if len(before) > 0 {
		note += fmt.Sprintf(", %d of them from before the report", len(before))
	}
	note += "; " + charts[0].Phases[len(charts[0].Phases)-1].Source
	events := c.events(o.Events, points)
	if start > 0 {
		events = append(events, chart.Event{Index: start, Text: "this report"})
	}
	c.control(qty, kind, charts, names, start, events, note)
	st := study{column: q.column, samples: samplesOf(qty, all, s), quantity: qty}
	if tol, judged := toleranceOf(q.column, c.of, limits); judged {
		st.tolerance = &tol
		c.capability(qty, numbered(now, q.of), tol)
	}
	if st.Study, err = drift.Analyse(st.samples, drift.Options{Level: driftLevel}); err != nil {
		c.say(fmt.Sprintf("No study of what moves %s: %v.", qty.Name, err))
		return nil, nil
	}
	if ch := st.Overall; ch.Form != drift.Steady && endsIn(ch, now, len(before)) {
		c.moved = append(c.moved, finding{qty.Name, brief(ch, qty.Unit), ch.Onset.String()})
		c.moves(st)
	}
	return []study{st}, nil
}

// lotMeans makes every lot one value, their mean.
func lotMeans(s series.Series) series.Series {
	groups, names, err := s.Subgroups()
	if err != nil {
		return s
	}
	m := series.Series{Keys: names}
	for _, g := range groups {
		m.Values = append(m.Values, stat.Mean(g, nil))
	}
	return m
}

// driftLevel is the probability of claiming a move in a quantity that stands still: a report looks
// at many quantities every night.
const driftLevel = 0.01

// endsIn reports whether a change is this report's business: it began, or still goes on, in the
// reported time.
func endsIn(ch drift.Change, now []*shot, before int) bool {
	if ch.Form == drift.Ramp {
		return true
	}
	if !ch.Latest.Time.IsZero() && !now[0].at.IsZero() {
		return !ch.Latest.Time.Before(now[0].at)
	}
	return before == 0
}

func toleranceOf(column, of string, l part.Limits) (spc.Tolerance, bool) {
	if column == "coplanarity_um" {
		return spc.AtMost(l.CoplanarityUm), l.CoplanarityUm > 0
	}
	return series.ToleranceOf(column, of, l)
}

// samplesOf hands values to drift with all that they can be sorted by.
func samplesOf(q series.Quantity, shots []*shot, s series.Series) drift.Samples {
	d := drift.Samples{Quantity: q, Values: s.Values, Lots: s.Keys}
	if !slices.ContainsFunc(shots, func(s *shot) bool { return s.at.IsZero() }) {
		for _, s := range shots {
			d.Times = append(d.Times, s.at)
		}
	}
	for _, f := range []struct {
		name string
		of   func(*reading.Shot) string
	}{
		{"head", func(s *reading.Shot) string { return s.Head }},
		{"nozzle", func(s *reading.Shot) string { return s.Nozzle }},
		{"pick position", func(s *reading.Shot) string { return s.PickPosition }},
		{"operator", func(s *reading.Shot) string { return s.Operator }},
	} {
		levels := make([]string, len(shots))
		seen := map[string]bool{}
		for i, s := range shots {
			levels[i] = f.of(&s.Shot)
			seen[levels[i]] = true
		}
		if !seen[""] && len(seen) > 1 && len(seen) < len(shots) {
			d.Factors = append(d.Factors, spc.Factor{Name: f.name, Levels: levels})
		}
	}
	return d
}

// control draws a control chart with its signals in words; start is its first reported point.
func (c *groupContent) control(q series.Quantity, kind series.Kind, charts []spc.Chart, names []string, start int, events []chart.Event, note string) {
	of := ""
	if names != nil {
		of = "lot"
	}
	title := capital(q.Name)
	f := &figure{}
	latest, latestAt := finding{quantity: q.Name}, -1
	points, far := 0, false
	for i := range charts {
		for _, pt := range charts[i].Points {
			if pt.Index >= start {
				points++
				far = far || farOut(pt)
			}
		}
		for _, s := range series.Signals(&charts[i], names, of) {
			if s.To < start {
				continue
			}
			text := charts[i].Statistic + ": " + s.Text
			f.Items = append(f.Items, text)
			if s.To > latestAt {
				latestAt = s.To
				latest.where = fmt.Sprintf("point %d", s.To+1)
				if s.To < len(names) && names[s.To] != "" {
					latest.where = "lot " + names[s.To]
				}
				latest.text = fmt.Sprintf("%v at %s", s.Rule, latest.where)
			}
		}
	}
	total := len(f.Items)
	if total > 1 {
		latest.text = fmt.Sprintf("%d signals, the latest %s", total, latest.text)
	}
	every := betweenFalseAlarms(kind, &charts[0])
	chance := float64(points) / every
	if total > 0 && (far || chance < 1 || moreThanChance(total, chance)) {
		c.signals = append(c.signals, latest)
	}
	if n := len(f.Items) - mostSignals; n > 1 {
		f.Items = append(f.Items[:mostSignals:mostSignals], fmt.Sprintf("and %d more, marked in the chart", n))
	}
	if total > 0 && chance >= 1 {
		f.Items = append(f.Items, fmt.Sprintf("among %d points about %.0f come by chance: a false alarm every %.0f points", points, chance, every))
	}
	f.Label = fmt.Sprintf("Control chart of %s, %s: %s", q.Name, c.Title, plural(total, "signal", "signals"))
	f.Figure = chart.Control{Title: title, Notes: []string{note}, Quantity: q.Name, Unit: q.Unit, Charts: charts, Labels: names, LabelsOf: of, Events: events}
	c.Blocks = append(c.Blocks, block{Figure: f})
}

// betweenFalseAlarms is how many points a chart runs on average until it signals although nothing has
// changed: counts by their own law, what gathers by its design, others with the report's rules.
func betweenFalseAlarms(kind series.Kind, c *spc.Chart) float64 {
	r, known, err := kind.CountRunLength(c, spc.Options{}, 1)
	if kind.Remembers() {
		r, known, err = kind.RunLength(series.Scheme{}, spc.Options{}, 1, 0)
	}
	if err != nil || !known || math.IsInf(r.Mean, 0) {
		return usualFalseAlarms()
	}
	return r.Mean
}

var usualFalseAlarms = sync.OnceValue(func() float64 {
	r, err := spc.Shewhart{Rules: chartRules}.RunLength(0, nil, 0)
	if err != nil {
		panic(err) // the rules are fixed and have an exact answer
	}
	return r.Mean
})

// moreThanChance reports whether so many signals are more than false alarms explain, which come at
// their rate independently of each other (Poisson, at 5 %).
func moreThanChance(signals int, chance float64) bool {
	return distuv.Poisson{Lambda: chance}.Survival(float64(signals)-1) < 0.05
}

// farOut reports whether a point lies so far beyond its limits, half as far again from the centre,
// that no number of points explains it by chance.
func farOut(pt spc.Point) bool {
	return pt.Value > pt.Center+1.5*(pt.UCL-pt.Center) && pt.UCL > pt.Center || pt.Value < pt.Center-1.5*(pt.Center-pt.LCL) && pt.LCL < pt.Center
}

// mostSignals of a chart are told in words.
const mostSignals = 6

// capability holds the reported values against the part's limits.
func (c *groupContent) capability(q series.Quantity, s series.Series, tol spc.Tolerance) {
	groups := spc.Singles(s.Values)
	if s.Suggest().Grouped() {
		groups, _, _ = s.Subgroups() // the series has keys
	}
	p, err := spc.AssessCapability(groups, tol, spc.CapabilityOptions{})
	if err != nil {
		c.say(fmt.Sprintf("No capability of %s: %v.", q.Name, err))
		return
	}
	note := plural(len(s.Values), "sample", "samples") + " of this report"
	if len(s.Values) < enoughForCapability {
		note += fmt.Sprintf("; fewer than %d prove little: look at the intervals", enoughForCapability)
	}
	h := chart.Histogram{Title: "Capability, " + q.Name, Notes: []string{note}, Quantity: q.Name, Unit: q.Unit, Values: s.Values, Capability: &p}
	c.Blocks = append(c.Blocks, block{Figure: &figure{Figure: h, Label: fmt.Sprintf("Histogram of %s between its limits, %s: %s", q.Name, c.Title, capabilityWords(p, q.Unit))}})
}

// enoughForCapability values are asked for before an index is quoted (common practice, no source).
const enoughForCapability = 50

// capabilityWords says what the histogram shows.
func capabilityWords(p spc.Capability, unit string) string {
	limits := fmt.Sprintf("%g to %g %s", p.Tolerance.Lower, p.Tolerance.Upper, unit)
	if math.IsInf(p.Tolerance.Lower, -1) {
		limits = fmt.Sprintf("at most %g %s", p.Tolerance.Upper, unit)
	}
	return fmt.Sprintf("limits %s, Cpk %.2f, Ppk %.2f", strings.Replace(limits, "-", "−", 1), p.Within.K.Value, p.Overall.K.Value)
}

// brief says in a few words how a level moved.
func brief(c drift.Change, unit string) string {
	if c.Form == drift.Ramp {
		per := "point"
		if c.Timed {
			per = "day"
		}
		return fmt.Sprintf("drifts by %s a %s", drift.Signed(c.Slope, (c.SlopeInterval.High-c.SlopeInterval.Low)/2, unit), per)
	}
	return "moved by " + drift.Signed(c.Size(), c.Now.U, unit)
}
