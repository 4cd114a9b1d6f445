package report

import (
	"slices"
	"time"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/spc"
)

// firstOfLots returns the first shot of each lot, in the order in which lots first appear.
func firstOfLots(shots []*shot) (first []*shot) {
	seen := map[string]bool{}
	for _, s := range shots {
		if !seen[s.Shot.Lot] {
			seen[s.Shot.Lot] = true
			first = append(first, s)
		}
	}
	return first
}

// indexAt returns the first point that isn't before a time, -1 when some point has no time.
func indexAt(at time.Time, points []*shot) int {
	for i, s := range points {
		switch {
		case s.at.IsZero():
			return -1
		case !s.at.Before(at):
			return i
		}
	}
	return len(points)
}

// events places what was done to the line on a chart.
func (c *groupContent) events(all []Event, points []*shot) (events []chart.Event) {
	for _, e := range all {
		if e.Part != "" && e.Part != c.part || e.Line != "" && e.Line != c.line {
			continue
		}
		if i := indexAt(e.At, points); i > 0 && i < len(points) {
			events = append(events, chart.Event{Index: i, Text: e.Text})
		}
	}
	return events
}

// phases returns the phases of a chart in order of time, as far back as they are of the latest one's
// kind.
func (c *groupContent) phases(column string, o Options) (list []Phase) {
	for _, p := range o.Phases {
		if p.Part == c.part && p.Line == c.line && p.Quantity == column && (p.View == "" || p.View == c.view) {
			list = append(list, p)
		}
	}
	slices.SortStableFunc(list, func(a, b Phase) int { return a.From.Compare(b.From) })
	for i := len(list) - 1; i > 0; i-- {
		if list[i-1].Kind != list[i].Kind || list[i-1].ByLot != list[i].ByLot {
			return list[i:]
		}
	}
	return list
}

// phasesOf places phases on a chart; nil when there is none in it.
func phasesOf(phases []Phase, points []*shot) (list []spc.Phase) {
	for _, p := range phases {
		i := indexAt(p.From, points)
		if i < 0 || i >= len(points) {
			continue
		}
		q := spc.Phase{Name: p.Name, Start: i, Center: p.Center, Sigma: p.Sigma}
		if n := len(list); n > 0 && list[n-1].Start == i {
			list[n-1] = q // the earlier one has no point
			continue
		}
		list = append(list, q)
	}
	if len(list) > 0 && list[0].Start > 0 {
		list = append([]spc.Phase{{Name: "before"}}, list...)
	}
	return list
}
