package report

import (
	"fmt"
	"slices"

	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// counts charts missing sites, and those with other faults, per thousand: by lot where there are
// enough lots, else by sample.
func (c *groupContent) counts(before, now []*shot, o Options) error {
	const perSites = 1000
	for _, what := range []struct {
		name, column string
		n            func(*shot) int
		of           func(*shot) int
	}{
		{"missing " + c.of, "missing", func(s *shot) int { return s.Array.Missing }, func(s *shot) int { return s.Array.Present + s.Array.Missing }},
		{"faulty " + c.of, "faulty", func(s *shot) int { return s.faulty }, func(s *shot) int { return s.seen }},
	} {
		seen := func(shots []*shot) (list []*shot) {
			for _, s := range shots {
				if what.of(s) > 0 {
					list = append(list, s)
				}
			}
			return list
		}
		early, late := seen(before), seen(now)
		all := slices.Concat(early, late)
		s := numbered(all, func(s *shot) float64 { return float64(what.n(s)) })
		sites := 0
		for _, q := range all {
			s.Sizes = append(s.Sizes, float64(what.of(q))/perSites)
			sites += what.of(q)
		}
		start, points, each := distinctLots(early), firstOfLots(all), "lot"
		if s.Keys == nil || len(s.Pooled().Keys) < fewestForChart {
			s.Keys, start, points, each = nil, len(early), all, "sample"
		}
		q := series.Quantity{Name: fmt.Sprintf("%s per %d sites", what.name, perSites)}
		kind, known := series.U, c.phases(what.column, o)
		for i, p := range known { // their limits are per site
			if p.Center != nil {
				rate := *p.Center * perSites
				known[i].Center = &rate
			}
			if p.Kind == series.LaneyU {
				kind = p.Kind
			} else {
				known[i].Sigma = nil
			}
		}
		phases := phasesOf(known, points)
		if phases == nil {
			phases = baseline(start)
		}
		charts, names, err := s.Charts(kind, spc.Options{Rules: chartRules[:1], Phases: phases})
		if err != nil {
			c.say(fmt.Sprintf("No chart of %s: %v.", what.name, err))
			continue
		}
		note := fmt.Sprintf("%s, %d sites in all, a point a %s", plural(len(all), "sample", "samples"), sites, each)
		if what.column == "faulty" {
			note += "; tilted, out of place, bridged or doubled"
		}
		c.control(q, kind, charts, names, start, c.events(o.Events, points), note)
	}
	return nil
}
