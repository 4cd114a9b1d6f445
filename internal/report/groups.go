package report

import (
	"fmt"
	"slices"
	"strings"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
	"plumbsquare/internal/sites"
	"plumbsquare/internal/spc"
)

// A groupContent is what a report shows of readings that belong together.
type groupContent struct {
	group
	ID, Title string
	Blocks    []block

	signals     []finding // rules that fired in the reported time
	moved       []finding // levels that moved
	charted     bool      // whether there are samples enough for a control chart
	corrections []correction
	worn        []sites.Worn
}

// A finding is what a chart showed of a quantity.
type finding struct {
	quantity string // "offset X"
	text     string // what happened, in a few words that follow the quantity
	where    string // "lot L4119, 2031-03-04 08:30"
}

// Fewer samples make no control chart.
const (
	fewestForChart = 5
	enoughForChart = 20
)

// chartRules are those of the report's charts. What moves slowly is drift's to find; more rules would
// only raise more false alarms.
var chartRules = []spc.Rule{spc.Nelson1, spc.Nelson2}

// A quantity is what a chart of measured values shows of a shot; NaN where a shot has none.
type quantity struct {
	column string
	of     func(*shot) float64
}

var (
	placement = []quantity{
		{"x_um", func(s *shot) float64 { return s.Offset.XUm }},
		{"y_um", func(s *shot) float64 { return s.Offset.YUm }},
		{"theta_deg", func(s *shot) float64 { return s.Offset.ThetaDeg }},
	}
	arrayPlace = []quantity{
		{"array_x_um", func(s *shot) float64 { return s.Array.XUm }},
		{"array_y_um", func(s *shot) float64 { return s.Array.YUm }},
		{"array_theta_deg", func(s *shot) float64 { return s.Array.ThetaDeg }},
	}
	lean      = quantity{"lean_deg", func(s *shot) float64 { return s.Array.LeanDeg }}
	sideViews = []quantity{
		{"coplanarity_um", func(s *shot) float64 { return s.Array.CoplanarityUm }},
		{"mean_height_um", func(s *shot) float64 { return s.heightUm }},
		{"worst_bend_um", func(s *shot) float64 { return s.bendUm }},
	}
)

// quantities are what is charted of a group as measured values.
func (g group) quantities() []quantity {
	switch {
	case g.of == "die" || g.of == "cap":
		return placement
	case g.view == reading.ColumnSide:
		return sideViews
	case g.of == "columns":
		return append(slices.Clone(arrayPlace), lean)
	}
	return arrayPlace
}

func (d *day) groupContent(g group, o Options) (groupContent, error) {
	c := groupContent{group: g, ID: "group-" + anchor(g.part+"-"+g.line+"-"+string(g.view)+"-"+g.of), Title: g.title()}
	now, before := of(g, d.shots), of(g, d.early)
	limits := part.Limits{}
	if p := o.Parts[g.part]; p != nil {
		limits = p.Limits
	}
	c.verdicts(d, now, before)
	if n := len(now) + len(before); n < fewestForChart {
		c.say(fmt.Sprintf("%s: a control chart needs at least %d, and about %d before its limits can be trusted.", plural(n, "measured sample", "measured samples"), fewestForChart, enoughForChart))
	} else {
		c.charted = true
		var studies []study
		for _, q := range g.quantities() {
			s, err := c.measured(q, before, now, limits, o)
			if err != nil {
				return c, err
			}
			studies = append(studies, s...)
		}
		if now[0].Array != nil {
			if err := c.counts(before, now, o); err != nil {
				return c, err
			}
		}
		c.factors(studies)
		if now[0].Offset != nil {
			c.corrected(studies)
		}
	}
	if now[0].Offset != nil && len(now) > 1 {
		c.scatter(now, limits)
	}
	if t := d.sites[g]; t != nil {
		blocks, worn, err := siteBlocks(t, g, c.Title)
		if err != nil {
			return c, err
		}
		c.Blocks = append(c.Blocks, blocks...)
		c.Blocks = append(c.Blocks, leanBlocks(t, c.Title)...)
		c.worn = worn
	}
	return c, nil
}

func (c *groupContent) say(text string) { c.Blocks = append(c.Blocks, block{Text: text}) }

func (g group) title() string {
	title := capital(g.of)
	if g.part != "" {
		title += " of part " + g.part
	}
	if g.line != "" {
		title += ", line " + g.line
	}
	return title + ", " + string(g.view)
}

// name is the title in the middle of a sentence: "die of tern".
func (g group) name() string {
	name := g.of
	if g.part != "" {
		name += " of " + g.part
	}
	if g.line != "" {
		name += " on line " + g.line
	}
	if g.view == reading.DieIR || g.view == reading.ColumnSide {
		name += " (" + string(g.view) + ")"
	}
	return name
}

// anchor makes a word fit for an id.
func anchor(s string) string {
	return strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			return r
		}
		return '_'
	}, s)
}

// verdicts says how a group was judged, and charts the fraction that wasn't accepted by lot.
func (c *groupContent) verdicts(d *day, now, before []*shot) {
	var words []string
	for _, decision := range decisions {
		n := 0
		for _, s := range d.shots {
			if s.Verdict.Decision == decision && s.Source.Part == c.part && s.line == c.line && s.Shot.View == c.view && (s.Refusal != nil || s.group == c.group) {
				n++
			}
		}
		words = append(words, fmt.Sprintf("%d %s", n, decision))
	}
	c.say("Verdicts: " + strings.Join(words, ", ") + ".")
	all := slices.Concat(before, now)
	s := numbered(all, func(s *shot) float64 {
		if s.Verdict.Decision == reading.Accept {
			return 0
		}
		return 1
	})
	for range all {
		s.Sizes = append(s.Sizes, 1)
	}
	if !slices.Contains(s.Values, 1) || s.Keys == nil || len(s.Pooled().Keys) < fewestForChart {
		return
	}
	lotsBefore := distinctLots(before)
	charts, names, err := s.Charts(series.P, spc.Options{Rules: chartRules[:1], Phases: baseline(lotsBefore)})
	if err != nil {
		return
	}
	c.control(series.Quantity{Name: "fraction not accepted"}, series.P, charts, names, lotsBefore, nil,
		fmt.Sprintf("%s measured, a point a lot; rejected or in review, without pictures to be taken again", plural(len(all), "sample", "samples")))
}

// baseline takes limits from what was there before the reported time, when that is enough.
func baseline(before int) []spc.Phase {
	if before < enoughForChart {
		return nil
	}
	return []spc.Phase{{Baseline: spc.Span{From: 0, To: before}}}
}

func distinctLots(shots []*shot) int {
	seen := map[string]bool{}
	for _, s := range shots {
		seen[s.Shot.Lot] = true
	}
	return len(seen)
}
