package report

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/sites"
	"plumbsquare/internal/spc"
)

// where says which lots and heads a fault keeps to.
func where(f *sites.Failed) string {
	list := func(of string, counts map[string]int) string {
		names := slices.Sorted(maps.Keys(counts))
		if len(names) == 0 || len(names) == 1 && names[0] == "" {
			return ""
		}
		slices.SortStableFunc(names, func(a, b string) int { return counts[b] - counts[a] })
		for i, name := range names {
			count := counts[name]
			if name == "" {
				name = "not given"
			}
			names[i] = fmt.Sprintf("%s (%d)", name, count)
		}
		return of + few(names, 4)
	}
	words := []string{list("lots ", f.Lots), list("heads ", f.Heads)}
	return strings.Join(slices.DeleteFunc(words, func(w string) bool { return w == "" }), "; ")
}

// siteBlocks map the array and list what repeats.
func siteBlocks(t *sites.Tally, g group, title string) (blocks []block, worn []sites.Worn, err error) {
	all := t.Sites()
	if len(all) == 0 {
		return nil, nil, nil
	}
	if worn, err = t.Worn(0); err != nil {
		return nil, nil, err
	}
	samples := plural(t.Samples, "sample", "samples")
	m := chart.Sites{
		Title: "What is wrong, site by site",
		Notes: []string{fmt.Sprintf("%s of %d sites, seen as the picture shows them: A1 at the top left", samples, len(all))},
	}
	above := 0 // rows that this view doesn't show
	if g.view == reading.ColumnSide {
		above = all[0].Row - 1
		m.Notes[0] = fmt.Sprintf("%s of %d sites, seen from the side", samples, len(all))
	}
	var found []string
	named := map[string]*sites.Site{}
	for _, s := range all {
		named[s.Name] = s
		m.Sites = append(m.Sites, mapSite(s, above))
		for _, fault := range sites.Faults {
			if s.Failed(fault) > 0 {
				found = append(found, s.Name+" "+sites.InWords(fault))
			}
		}
	}
	label := "Map of the " + g.of + ", " + title + ": "
	if len(found) == 0 {
		label += "nothing is wrong"
	} else {
		label += few(found, 40)
	}
	blocks = append(blocks, block{Figure: &figure{Figure: m, Label: label}})
	if len(found) > 0 && len(worn) == 0 && t.Samples > 1 {
		blocks = append(blocks, block{Text: fmt.Sprintf("No site fails more often than chance allows over %s (exact binomial test at the array's own rate, false discoveries held to 5 %%).", samples), Small: true})
	}
	blocks = append(blocks, heats(t, worn, above, title)...)
	if len(worn) > 0 {
		tab := table{Columns: []column{{Name: "Site"}, {Name: "What"}, {Name: "Samples", Number: true}, {Name: "q", Number: true}, {Name: "Where", Wide: true}}}
		for i, w := range worn {
			if i == mostWorn {
				tab.More = fmt.Sprintf("%d more", len(worn)-mostWorn)
				break
			}
			tab.add("repeated", cell{Text: w.Site}, cell{Text: sites.InWords(w.Fault)}, cell{Text: fmt.Sprintf("%d of %d", w.Failed, w.Looked)}, cell{Text: probability(w.Q)}, cell{Text: where(named[w.Site].Faults[w.Fault])})
		}
		blocks = append(blocks, block{Heading: "Sites that fail more than chance allows"}, block{Table: &tab},
			block{Text: "Look at what handles these places: the hole of the sieve, the pin of the tool, the pad. q is the probability of so many failures by chance at the array's own rate (exact binomial test), adjusted for the number of sites (Benjamini–Hochberg).", Small: true})
	}
	return blocks, worn, nil
}

// mostWorn is how many repeated sites a table lists.
const mostWorn = 30

// mapSite is a site on the map, of which the rows above aren't shown.
func mapSite(s *sites.Site, above int) chart.Site {
	return chart.Site{
		Row: s.Row - above, Column: s.Column, RowName: rowName(s.Name),
		Missing: s.Failed(reading.Missing), Tilted: s.Failed(reading.Tilted),
		Away: s.Failed(reading.Off), Joined: s.Failed(reading.Bridged) + s.Failed(reading.Doubled),
	}
}

func rowName(site string) string { return strings.TrimRight(site, "0123456789") }

// probability writes a p or q value.
func probability(v float64) string {
	if v < 0.0001 {
		return "< 0.0001"
	}
	return fmt.Sprintf("%.2g", v)
}

// heats map the share of samples in which sites fail, of each fault that some site fails with again
// and again.
func heats(t *sites.Tally, worn []sites.Worn, above int, title string) (blocks []block) {
	for _, fault := range sites.Faults {
		again := map[string]bool{}
		for _, w := range worn {
			if w.Fault == fault {
				again[w.Site] = true
			}
		}
		if len(again) == 0 || t.Samples < fewestForChart {
			continue
		}
		h := chart.Heat{
			Title: "How often sites are " + sites.InWords(fault),
			Notes: []string{plural(t.Samples, "sample", "samples") + "; ringed: more often than chance allows"},
		}
		for _, s := range t.Sites() {
			h.Sites = append(h.Sites, chart.HeatSite{Row: s.Row - above, Column: s.Column, RowName: rowName(s.Name), Failed: s.Failed(fault), Looked: s.Looked, Repeated: again[s.Name]})
		}
		label := fmt.Sprintf("Heat map of sites %s, %s: %s again and again", sites.InWords(fault), title, few(slices.Sorted(maps.Keys(again)), 20))
		blocks = append(blocks, block{Figure: &figure{Figure: h, Label: label}})
	}
	return blocks
}

// leanBlocks draw in which directions columns lean, those beyond the limit and whole arrays, and say
// whether these have one in common.
func leanBlocks(t *sites.Tally, title string) (blocks []block) {
	for _, l := range []struct {
		deg         []float64
		title, what string
		advice      string
	}{
		{t.LeansDeg, "Directions of columns beyond the limit", "columns lean beyond the limit", "look at the robot or tool that places or handles them"},
		{t.CommonDeg, "Directions of the lean common to an array", "arrays lean as a whole", "look at the fixture, the scope's axis, or how boards are held while the columns are attached"},
	} {
		if len(l.deg) < fewestForChart {
			continue
		}
		c, err := spc.Directions(l.deg, spc.CircularOptions{})
		if err != nil {
			continue
		}
		text := fmt.Sprintf("%d %s, without a direction in common (Rayleigh test, p = %s).", c.N, l.what, probability(c.RayleighP))
		if !c.MeanIsShaky {
			text = fmt.Sprintf("%d %s, mostly toward %.0f° (counter-clockwise from +X; mean length %.2f, Rayleigh test, p = %s): %s.", c.N, l.what, c.MeanDeg, c.Length, probability(c.RayleighP), l.advice)
		}
		rose := chart.Rose{Title: l.title, Deg: l.deg, MeanDeg: c.MeanDeg, Length: c.Length, P: c.RayleighP, Common: !c.MeanIsShaky}
		blocks = append(blocks, block{Figure: &figure{Figure: rose, Label: "Rose of directions, " + title + ": " + text, Items: []string{text}}})
	}
	return blocks
}
