package chart

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot/vg"

	"plumbsquare/internal/spc"
)

// A Control is a control chart, or several that belong together, one under the other on the same
// axis: x̄ above R. Limits carry their values, points at which a rule fired have a shape of their
// own and the rule's number.
type Control struct {
	Title    string
	Notes    []string // lines under the title: sample sizes, where the limits come from
	Quantity string   // what is plotted, such as "offset X of the die"
	Unit     string   // of the values, such as "µm"; may be empty
	Charts   []spc.Chart
	// Labels name the subgroups (or single values) by [spc.Point.Index], such as their lots.
	// Neighbours alike are labelled once. None means numbers alone.
	Labels   []string
	LabelsOf string // what the labels are: "lot"
	Events   []Event
	// Behind are single values by [spc.Point.Index], drawn faintly behind the first chart: those that an
	// EWMA averages. None draws nothing.
	Behind  []float64
	Strips  []Strip  // under the charts
	Remarks []string // under everything, such as what caused a point of T²
}

// An Event is something done to the line, drawn before the subgroup at Index.
type Event struct {
	Index int
	Text  string
}

const (
	controlWidth = vg.Length(740)
	levelHeight  = vg.Length(200)
	spreadHeight = vg.Length(105)
	panelGap     = vg.Length(16)
	edge         = vg.Length(12) // around everything
	keyLine      = vg.Length(12.5)
)

func (c Control) size() (w, h vg.Length) {
	h = headingHeight(c.Title, c.Notes, controlWidth-2*edge) + 10
	for i := range c.Charts {
		h += panelHeight(i) + panelGap
	}
	return controlWidth, h + c.stripsHeight() + c.xAxisHeight() + vg.Length(len(c.key()))*keyLine + edge
}

func panelHeight(i int) vg.Length {
	if i == 0 {
		return levelHeight
	}
	return spreadHeight
}

func (c Control) xAxisHeight() vg.Length {
	if len(c.Labels) > 0 {
		return 42
	}
	return 30
}

func (c Control) draw(p *pen) error {
	if len(c.Charts) == 0 || len(c.Charts[0].Points) == 0 {
		return errors.New("chart: there are no points to draw")
	}
	last := 0
	for _, ch := range c.Charts {
		for _, pt := range ch.Points {
			last = max(last, pt.Index)
		}
	}
	top := p.heading(c.Title, c.Notes, edge, controlWidth-edge, p.Max.Y) - 10
	panels := make([]*panel, len(c.Charts))
	var leftRoom, rightRoom vg.Length
	for i := range c.Charts {
		ch := &c.Charts[i]
		f := &panel{x0: -0.7, x1: float64(last) + 0.7}
		var behind []float64
		if i == 0 {
			behind = c.Behind
		}
		f.y0, f.y1 = yRange(ch, behind)
		f.Max.Y = top
		f.Min.Y = top - panelHeight(i)
		top = f.Min.Y - panelGap
		at, decimals := ticks(f.y0, f.y1, int((f.Max.Y-f.Min.Y)/tickSpace))
		leftRoom = max(leftRoom, tickWidth(at, decimals))
		for _, l := range limitLabels(ch) {
			rightRoom = max(rightRoom, l.words.width())
		}
		panels[i] = f
	}
	for _, s := range c.Strips {
		leftRoom = max(leftRoom, min(words{text: s.Name, size: smallSize}.width()-textSize, 80))
	}
	for i, f := range panels {
		f.Min.X = edge + leftRoom + textSize + 12
		f.Max.X = controlWidth - edge - rightRoom - 7
		c.panel(p, f, &c.Charts[i], i)
	}
	if len(c.Strips) > 0 {
		panels = append(panels, c.strips(p, panels[len(panels)-1]))
	}
	y := c.xAxis(p, panels, last)
	for _, k := range c.key() {
		y -= keyLine
		k.draw(p, vg.Point{X: panels[0].Min.X, Y: y})
	}
	return nil
}

// yRange leaves room above and below for the numbers of rules.
func yRange(ch *spc.Chart, behind []float64) (lo, hi float64) {
	e := newExtent()
	e.see(behind...)
	for _, pt := range ch.Points {
		e.see(pt.Value, pt.Center, pt.LCL, pt.UCL)
	}
	lo, hi = e.widened(0.07, 0.13)
	if e.min >= 0 && lo < 0 { // a statistic that can't be negative
		if e.min < 0.05*(e.max-e.min) {
			lo = -0.04 * (hi - e.min)
		}
	}
	return lo, hi
}

func (c Control) panel(p *pen, f *panel, ch *spc.Chart, i int) {
	c.zones(p, f, ch)
	c.marksOfTime(p, f, ch, i == 0)
	p.frame(f)
	title := statisticTitle(ch.Statistic, c.Quantity, i == 0)
	if c.Unit != "" {
		title += " (" + c.Unit + ")"
	}
	p.yScale(f, title, false)
	if i == 0 {
		c.behind(p, f)
	}
	c.course(p, f, ch)
	c.limits(p, f, ch)
	c.points(p, f, ch)
	p.limitValues(f, ch)
}

func statisticTitle(statistic, quantity string, level bool) string {
	switch {
	case quantity == "" || !level:
		return statistic
	case statistic == "x":
		return quantity
	}
	return statistic + " of " + quantity
}

// A stretch is a run of points between which the lines don't change.
type stretch struct {
	from, to float64 // on the x axis
	spc.Limits
}

// stretches cuts a chart where a limit changes.
func stretches(ch *spc.Chart) (s []stretch) {
	for k, ph := range phasesOf(ch) {
		for i := ph.From; i < ph.To; i++ {
			pt := ch.Points[i]
			x := float64(pt.Index)
			if n := len(s) - 1; i > ph.From && s[n].Limits == pt.Limits {
				s[n].to = x + 0.5
			} else {
				from := x - 0.5
				if n >= 0 && (i > ph.From || k > 0) {
					from = max(from, s[n].to)
				}
				s = append(s, stretch{from, x + 0.5, pt.Limits})
			}
		}
	}
	return s
}

func phasesOf(ch *spc.Chart) []spc.PhaseLimits {
	if len(ch.Phases) > 0 {
		return ch.Phases
	}
	return []spc.PhaseLimits{{From: 0, To: len(ch.Points)}}
}

// zones shades what lies between 1 and 2 sigma and beyond, and dots the lines between.
func (c Control) zones(p *pen, f *panel, ch *spc.Chart) {
	for _, s := range stretches(ch) {
		if !(s.Sigma > 0) {
			continue
		}
		for _, side := range []float64{1, -1} {
			limit := s.UCL
			if side < 0 {
				limit = s.LCL
			}
			for _, z := range []struct {
				from, to float64
				outer    bool
			}{{1, 2, false}, {2, math.Inf(1), true}} {
				lo := s.Center + side*z.from*s.Sigma
				hi := limit
				if !z.outer {
					hi = s.Center + side*math.Min(z.to*s.Sigma, math.Abs(limit-s.Center))
				}
				if side*(limit-lo) <= 0 {
					continue
				}
				shade := zoneB
				if z.outer {
					shade = zoneA
				}
				r := vg.Rectangle{Min: f.at(s.from, math.Min(lo, hi)), Max: f.at(s.to, math.Max(lo, hi))}
				p.area(shade, r)
				p.line(rule, 0.5, dotted, f.at(s.from, lo), f.at(s.to, lo))
			}
		}
	}
}

func (c Control) limits(p *pen, f *panel, ch *spc.Chart) {
	draw := func(value func(spc.Limits) float64, style func([]vg.Point)) {
		var line []vg.Point
		flush := func() {
			if len(line) > 1 {
				style(line)
			}
			line = nil
		}
		phase := 0
		phases := phasesOf(ch)
		for _, s := range stretches(ch) {
			for phase+1 < len(phases) && s.from >= float64(ch.Points[phases[phase+1].From].Index)-0.5 {
				phase++
				flush()
			}
			v := value(s.Limits)
			if math.IsNaN(v) || math.IsInf(v, 0) {
				flush()
				continue
			}
			line = append(line, f.at(s.from, v), f.at(s.to, v))
		}
		flush()
	}
	draw(func(l spc.Limits) float64 { return l.Center }, func(l []vg.Point) { p.line(centreInk, 1, nil, l...) })
	limit := func(l []vg.Point) { p.line(limitInk, 1.1, dashed, l...) }
	draw(func(l spc.Limits) float64 { return l.UCL }, limit)
	draw(func(l spc.Limits) float64 { return l.LCL }, limit)
}

// marksOfTime draws where phases start and what was done to the line.
func (c Control) marksOfTime(p *pen, f *panel, ch *spc.Chart, named bool) {
	inside := vg.Rectangle{Min: f.Min, Max: vg.Point{X: f.Max.X + 60, Y: f.Max.Y + 12}}
	label := func(x vg.Length, w words) {
		if !named {
			return
		}
		y := f.Max.Y + 2
		p.try(w, left, inside, vg.Point{X: x + 3, Y: y}, vg.Point{X: x + 3, Y: y - 10}, vg.Point{X: x + 3, Y: y - 20})
	}
	phases := phasesOf(ch)
	for k, ph := range phases {
		if ph.From >= len(ch.Points) {
			continue
		}
		x := f.x(float64(ch.Points[ph.From].Index) - 0.5)
		if k > 0 {
			p.line(faintInk, 0.9, nil, vg.Point{X: x, Y: f.Min.Y}, vg.Point{X: x, Y: f.Max.Y})
		}
		if ph.Name != "" {
			label(x, words{ph.Name, smallSize, true, faintInk})
		}
	}
	for _, e := range c.Events {
		x := f.x(float64(e.Index) - 0.5)
		p.line(eventInk, 0.9, dashDotted, vg.Point{X: x, Y: f.Min.Y}, vg.Point{X: x, Y: f.Max.Y})
		label(x, words{e.Text, smallSize, false, eventInk})
	}
}

// A keyEntry is a line under a chart.
type keyEntry struct {
	mark  func(p *pen, at vg.Point)
	words words
}

func (k keyEntry) draw(p *pen, at vg.Point) {
	x := at.X
	if k.mark != nil {
		k.mark(p, vg.Point{X: x + 4, Y: at.Y + 0.36*smallSize})
		x += 13
	}
	p.write(k.words, vg.Point{X: x, Y: at.Y}, left)
}

// key explains the rules that fired and repeats what makes the limits doubtful.
func (c Control) key() (key []keyEntry) {
	times := map[spc.Rule]int{}
	for _, ch := range c.Charts {
		for _, h := range ch.Hits {
			times[h.Rule]++
		}
	}
	for _, r := range slices.Sorted(maps.Keys(times)) {
		n := times[r]
		count := ""
		if n > 1 {
			count = fmt.Sprintf(", at %d points", n)
		}
		key = append(key, keyEntry{
			func(p *pen, at vg.Point) { hitMark(p, r, at) },
			words{fmt.Sprintf("%v: %s%s", r, r.Text(), count), smallSize, false, ink},
		})
	}
	for _, r := range c.Remarks {
		for _, line := range wrap(r, words{size: smallSize}, controlWidth-120) {
			key = append(key, keyEntry{words: words{line, smallSize, false, ink}})
		}
	}
	seen := map[string]bool{}
	for _, ch := range c.Charts {
		for _, warning := range ch.Warnings {
			if seen[warning] {
				continue
			}
			seen[warning] = true
			w := words{warning, smallSize, false, faintInk}
			for _, line := range wrap("Note: "+warning, w, controlWidth-120) {
				w.text = line
				key = append(key, keyEntry{words: w})
			}
		}
	}
	return key
}

// ruleNumber returns the number of a rule within its set.
func ruleNumber(r spc.Rule) string {
	name := r.String()
	return name[strings.LastIndexByte(name, ' ')+1:]
}
