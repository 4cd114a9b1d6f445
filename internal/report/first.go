package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/sites"
)

// firstPage says in ten seconds' reading what a report comes to.
func (d *day) firstPage(c *content, groups []groupContent, gauges gaugeContent, o Options) {
	failed, drifted, not := d.failed(groups), drifted(groups, o.Signals), d.missed(o)
	c.Panels = []panel{
		short("What failed", failed, "Nothing was rejected and nothing is in review."),
		short("What drifted", drifted, still(groups)),
		short("What wasn't measured", not, "Every picture was measured."),
	}
	c.First = d.todo(groups, gauges, o)
	worst := good
	switch {
	case len(c.First) > 0:
		worst = c.First[0].Kind
	case len(d.shots) == 0:
		worst = signal
	}
	c.Headline = notice{Kind: worst, Text: d.headline(groups, gauges, o)}
	for _, text := range gauges.soon { // worth knowing, but nothing that needs attention today
		c.First = append(c.First, notice{signal, capital(text), "#gauges"})
	}
	if n := len(c.First) - mostFirst; n > 0 {
		c.First, c.FirstMore = c.First[:mostFirst], fmt.Sprintf("and %d more below", n)
	}
}

// still says that nothing drifted, or that nobody can tell.
func still(groups []groupContent) string {
	for _, g := range groups {
		if g.charted {
			return "No chart has a signal and no level has moved."
		}
	}
	return "Too few samples for a control chart."
}

func short(title string, items []notice, none string) panel {
	if n := len(items) - mostItems; n > 1 {
		items = append(items[:mostItems:mostItems], notice{Text: fmt.Sprintf("and %d more", n)})
	}
	return panel{title, items, none}
}

// headline is the report in a sentence.
func (d *day) headline(groups []groupContent, gauges gaugeContent, o Options) string {
	var words []string
	add := func(n int, one, many string) {
		if n > 0 {
			words = append(words, plural(n, one, many))
		}
	}
	add(d.count(reading.Reject), "rejected", "rejected")
	add(d.undecided(), "in review", "in review")
	moved, charts, worn := 0, 0, 0
	for _, g := range groups {
		moved += len(g.moved)
		charts += len(g.signals)
		worn += len(g.worn)
	}
	add(moved, "level moved", "levels moved")
	if len(o.Signals) > 0 {
		add(len(o.Signals), "open signal", "open signals")
	} else {
		add(charts, "chart with a signal", "charts with signals")
	}
	add(worn, "site fails again and again", "sites fail again and again")
	add(d.count(reading.Retake), "to be taken again", "to be taken again")
	add(len(o.NotMeasured), "set aside or waiting", "set aside or waiting")
	add(len(gauges.failed), "scope not to be trusted", "scopes not to be trusted")
	n := 0
	for _, g := range groups {
		n += len(g.corrections)
	}
	add(n, "correction advised", "corrections advised")
	switch {
	case len(d.shots) == 0 && len(o.NotMeasured) == 0:
		return "Nothing was measured: see whether the line stood still, nobody brings pictures, or they wait in needs-info of the inbox."
	case words == nil && d.count(reading.Review) > 0:
		return "Nothing needs attention: every picture was measured, and somebody has decided what was in review."
	case words == nil:
		return "Nothing needs attention: every picture was measured and accepted, and nothing drifted."
	}
	return "Needs attention: " + strings.Join(words, ", ") + "."
}

// failed tells of rejects and reviews, a part and view at a time, and of sites that repeat.
func (d *day) failed(groups []groupContent) (list []notice) {
	for _, decision := range []reading.Decision{reading.Reject, reading.Review} {
		for _, g := range groups {
			if n, causes := d.causes(decision, g.group); n > 0 {
				word := "rejected"
				if decision == reading.Review {
					word = "in review"
				}
				list = append(list, notice{string(decision), fmt.Sprintf("%s: %d of %d %s; %s", capital(g.name()), n, len(of(g.group, d.shots)), word, causes), "#flagged"})
			}
		}
	}
	for _, g := range groups {
		if len(g.worn) > 0 {
			list = append(list, notice{signal, fmt.Sprintf("%s: again and again at %s", capital(g.name()), g.wornSites(4)), "#" + g.ID})
		}
	}
	return list
}

func (g groupContent) wornSites(most int) string {
	var words []string
	for _, w := range g.worn {
		words = append(words, fmt.Sprintf("%s (%s in %d of %d)", w.Site, sites.InWords(w.Fault), w.Failed, w.Looked))
	}
	return few(words, most)
}

// causes counts the readings of a group with a decision and what they were judged by, most
// frequent first.
func (d *day) causes(decision reading.Decision, g group) (n int, text string) {
	times := map[string]int{}
	var words []string
	for _, s := range d.shots {
		if s.Verdict.Decision != decision || s.group != g {
			continue
		}
		n++
		for _, word := range s.causes {
			if times[word] == 0 {
				words = append(words, word)
			}
			times[word]++
		}
	}
	slices.SortStableFunc(words, func(a, b string) int { return times[b] - times[a] })
	for i, w := range words {
		words[i] = fmt.Sprintf("%s in %d", w, times[w])
	}
	if words == nil {
		return n, "the readings don't say why"
	}
	return n, few(words, 4)
}

// drifted tells of levels that moved, then of signals: those on record where there are any, else
// those that the charts show.
func drifted(groups []groupContent, open []Signal) (list []notice) {
	for _, g := range groups {
		for _, m := range g.moved {
			list = append(list, notice{signal, fmt.Sprintf("%s: %s %s since %s", capital(g.name()), m.quantity, m.text, m.where), "#" + g.ID})
		}
	}
	for _, c := range byChart(open) {
		text := fmt.Sprintf("%s: %s", capital(c.name), plural(c.n, "open signal", "open signals"))
		if !c.since.IsZero() {
			text += " since " + c.since.Format("2006-01-02 15:04")
		}
		if c.known > 0 {
			text += fmt.Sprintf(", %d with a cause", c.known)
		}
		list = append(list, notice{signal, text, "#signals"})
	}
	if len(open) > 0 {
		return list
	}
	for _, g := range groups {
		for _, s := range g.signals {
			list = append(list, notice{signal, fmt.Sprintf("%s: %s, %s", capital(g.name()), s.quantity, s.text), "#" + g.ID})
		}
	}
	return list
}

// chartSignals are the open signals of a chart.
type chartSignals struct {
	name     string
	n, known int // known: with a cause
	since    time.Time
}

// byChart gathers open signals, the chart with most of them first.
func byChart(open []Signal) (list []*chartSignals) {
	at := map[string]*chartSignals{}
	for _, s := range open {
		c := at[s.Chart]
		if c == nil {
			c = &chartSignals{name: s.Chart, since: s.Since}
			at[s.Chart] = c
			list = append(list, c)
		}
		c.n++
		if s.Cause != "" {
			c.known++
		}
		if s.Since.Before(c.since) {
			c.since = s.Since
		}
	}
	slices.SortStableFunc(list, func(a, b *chartSignals) int { return b.n - a.n })
	return list
}

// missed tells what has to be taken again or was never measured, and why.
func (d *day) missed(o Options) (list []notice) {
	for _, r := range d.retakes() {
		list = append(list, notice{"retake", fmt.Sprintf("%s: %s", plural(len(r.pictures), "picture", "pictures"), r.gate), "#retakes"})
	}
	var reasons []string
	times := map[string]int{}
	for _, n := range o.NotMeasured {
		if times[n.Reason]++; times[n.Reason] == 1 {
			reasons = append(reasons, n.Reason)
		}
	}
	slices.SortStableFunc(reasons, func(a, b string) int { return times[b] - times[a] })
	for _, reason := range reasons {
		list = append(list, notice{"retake", fmt.Sprintf("%s not read: %s", plural(times[reason], "picture", "pictures"), reason), "#retakes"})
	}
	if o.Waiting > 0 {
		list = append(list, notice{"", plural(o.Waiting, "picture waits for its turn", "pictures wait for their turn"), ""})
	}
	return list
}

// todo says what to do, most urgent first: what puts all numbers in doubt, what failed and where it
// comes from, what to correct, what to look into, what to decide, what to take again.
func (d *day) todo(groups []groupContent, gauges gaugeContent, o Options) (list []notice) {
	add := func(kind, link, format string, args ...any) {
		list = append(list, notice{kind, fmt.Sprintf(format, args...), link})
	}
	for _, text := range gauges.failed {
		add(string(reading.Reject), "#gauges", "%s", capital(text))
	}
	if n := d.count(reading.Reject); n > 0 {
		lots := map[string]bool{}
		var names []string
		for _, s := range d.shots {
			if l := s.Shot.Lot; s.Verdict.Decision == reading.Reject && l != "" && !lots[l] {
				lots[l] = true
				names = append(names, l)
			}
		}
		of := ""
		if names != nil {
			of = " of " + strings.TrimPrefix(plural(len(names), "lot ", "lots "), fmt.Sprint(len(names), " ")) + few(names, 5)
		}
		what := "reject"
		if n > 1 {
			what = fmt.Sprintf("%d rejects", n)
		}
		add(string(reading.Reject), "#flagged", "Look at the %s%s", what, of)
	}
	for _, g := range groups {
		if len(g.worn) > 0 {
			add(signal, "#"+g.ID, "Look at what handles %s of the %s: more failures than chance allows", g.wornSites(3), g.name())
		}
	}
	for _, g := range groups {
		if len(g.corrections) > 0 {
			var words []string
			for _, k := range g.corrections {
				words = append(words, fmt.Sprintf("%s: add %s to %s", k.of, k.text, k.what))
			}
			add(signal, "#"+g.ID, "Correct the placer for the %s; %s", g.name(), few(words, 4))
		}
	}
	for _, g := range groups {
		if len(g.moved) > 0 {
			var words []string
			for _, m := range g.moved {
				words = append(words, fmt.Sprintf("%s %s since %s", m.quantity, m.text, m.where))
			}
			add(signal, "#"+g.ID, "Find what changed for the %s: %s", g.name(), strings.Join(words, "; "))
		}
	}
	if n := len(o.Signals); n > 0 {
		var names []string
		for _, c := range byChart(o.Signals) {
			names = append(names, c.name)
		}
		add(signal, "#signals", "See to %s and note the cause: %s", plural(n, "open signal", "open signals"), few(names, 3))
	} else if charts := chartsWithSignals(groups); charts != "" {
		add(signal, "", "Look at the charts with signals: %s", charts)
	}
	if n := d.undecided(); n > 0 {
		add(string(reading.Review), "#flagged", "Decide on %s in review: the uncertainty straddles a limit", plural(n, "sample", "samples"))
	}
	for _, r := range d.retakes() {
		add(string(reading.Retake), "#retakes", "Take %s again (%s): %s", plural(len(r.pictures), "picture", "pictures"), r.gate, r.instruction)
	}
	if n := len(o.NotMeasured); n > 0 {
		add(string(reading.Retake), "#retakes", "See to %s", plural(n, "picture that was set aside or waits", "pictures that were set aside or wait"))
	}
	return list
}

// chartsWithSignals names the charts that show a signal of a quantity that isn't known to have moved.
func chartsWithSignals(groups []groupContent) string {
	var words []string
	for _, g := range groups {
		var here []string
		for _, s := range g.signals {
			if !slices.ContainsFunc(g.moved, func(m finding) bool { return m.quantity == s.quantity }) {
				here = append(here, s.quantity+" at "+s.where)
			}
		}
		if here != nil {
			words = append(words, fmt.Sprintf("%s of the %s", strings.Join(here, ", "), g.name()))
		}
	}
	return few(words, 4)
}
