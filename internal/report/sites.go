package report

import (
	"fmt"
	"maps"
	"slices"
	"strings"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/spc"
)

// faults are the states of a site that something is wrong with, most serious first.
var faults = [...]string{reading.Missing, reading.Bridged, reading.Doubled, reading.Tilted, reading.Off}

// faultNames puts them in words.
var faultNames = map[string]string{
	reading.Missing: "missing", reading.Bridged: "bridged", reading.Doubled: "doubled", reading.Tilted: "tilted", reading.Off: "out of place",
}

// A siteTally counts what was seen at the sites of an array over samples.
type siteTally struct {
	samples int
	sites   map[string]*siteCount
	leans   []float64 // directions in which columns beyond the limit lean, degrees; the first mostLeans
	common  []float64 // directions of the leans common to all columns of an array, likewise
}

// mostLeans is how many leaning columns their common direction is looked for in.
const mostLeans = 100_000

type siteCount struct {
	looked int
	faults [len(faults)]faultCount
}

// A faultCount is how often something was wrong at a site, and in which lots and with which heads.
type faultCount struct {
	n           int
	lots, heads map[string]int
}

func newSiteTally() *siteTally { return &siteTally{sites: map[string]*siteCount{}} }

func (t *siteTally) add(r *reading.Reading) {
	t.samples++
	side := r.Shot.View == reading.ColumnSide // shows one axis only
	if r.Array.LeanDeg != 0 && !side && len(t.common) < mostLeans {
		t.common = append(t.common, r.Array.LeanAzimuthDeg)
	}
	for i := range r.Array.Sites {
		s := &r.Array.Sites[i]
		c := t.sites[s.Name]
		if c == nil {
			c = new(siteCount)
			t.sites[s.Name] = c
		}
		if s.State == reading.Unseen {
			continue
		}
		c.looked++
		if s.State == reading.Tilted && !side && len(t.leans) < mostLeans {
			t.leans = append(t.leans, s.AzimuthDeg)
		}
		if k := slices.Index(faults[:], s.State); k >= 0 {
			c.faults[k].add(r.Shot)
		}
	}
}

func (f *faultCount) add(s reading.Shot) {
	if f.lots == nil {
		f.lots, f.heads = map[string]int{}, map[string]int{}
	}
	f.n++
	f.lots[s.Lot]++
	f.heads[s.Head]++
}

// order returns the names of a tally's sites, row by row; names that are no site's are left out.
func (t *siteTally) order() (names []string) {
	type place struct{ row, column int }
	at := map[string]place{}
	for name := range t.sites {
		if row, column, err := part.ParseSite(name); err == nil {
			names = append(names, name)
			at[name] = place{row, column}
		}
	}
	slices.SortFunc(names, func(a, b string) int {
		p, q := at[a], at[b]
		if p.row != q.row {
			return p.row - q.row
		}
		return p.column - q.column
	})
	return names
}

// A wornSite is one that fails more than chance allows.
type wornSite struct {
	name, fault string
	test        spc.SiteTest
	where       string // in which lots and heads
}

// worn returns the sites that fail more than chance allows, a fault at a time, the least likely
// first.
func (t *siteTally) worn() (list []wornSite) {
	names := t.order()
	for k, fault := range faults {
		counts := make([]spc.SiteCount, len(names))
		for i, name := range names {
			counts[i] = spc.SiteCount{Failed: t.sites[name].faults[k].n, Looked: t.sites[name].looked}
		}
		found, err := spc.RepeatedSites(counts, spc.SiteOptions{})
		if err != nil {
			continue // no site was looked at
		}
		for _, s := range found.Sites {
			if s.Repeated && s.Failed > 1 {
				f := t.sites[names[s.Site]].faults[k]
				list = append(list, wornSite{names[s.Site], faultNames[fault], s, f.where()})
			}
		}
	}
	return list
}

// where says which lots and heads a fault keeps to.
func (f faultCount) where() string {
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
	words := []string{list("lots ", f.lots), list("heads ", f.heads)}
	return strings.Join(slices.DeleteFunc(words, func(w string) bool { return w == "" }), "; ")
}

// sitesBlocks map the array and list what repeats.
func (t *siteTally) blocks(g group, title string) (blocks []block, worn []wornSite) {
	names := t.order()
	if len(names) == 0 {
		return nil, nil
	}
	samples := plural(t.samples, "sample", "samples")
	m := chart.Sites{
		Title: "What is wrong, site by site",
		Notes: []string{fmt.Sprintf("%s of %d sites, seen as the picture shows them: A1 at the top left", samples, len(t.sites))},
	}
	above := 0 // rows that this view doesn't show
	if g.view == reading.ColumnSide {
		first, _, _ := part.ParseSite(names[0])
		above = first - 1
		m.Notes[0] = fmt.Sprintf("%s of %d sites, seen from the side", samples, len(t.sites))
	}
	var found []string
	for _, name := range names {
		n := t.sites[name]
		row, column, _ := part.ParseSite(name) // order has parsed it
		m.Sites = append(m.Sites, mapSite(row-above, column, strings.TrimRight(name, "0123456789"), n))
		for k, fault := range faults {
			if n.faults[k].n > 0 {
				found = append(found, name+" "+faultNames[fault])
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
	worn = t.worn()
	if len(found) > 0 && len(worn) == 0 && t.samples > 1 {
		blocks = append(blocks, block{Text: fmt.Sprintf("No site fails more often than chance allows over %s (exact binomial test at the array's own rate, false discoveries held to 5 %%).", samples), Small: true})
	}
	blocks = append(blocks, t.heats(names, worn, above, title)...)
	if len(worn) > 0 {
		tab := table{Columns: []column{{Name: "Site"}, {Name: "What"}, {Name: "Samples", Number: true}, {Name: "q", Number: true}, {Name: "Where", Wide: true}}}
		for i, w := range worn {
			if i == mostWorn {
				tab.More = fmt.Sprintf("%d more", len(worn)-mostWorn)
				break
			}
			tab.add("repeated", cell{Text: w.name}, cell{Text: w.fault}, cell{Text: fmt.Sprintf("%d of %d", w.test.Failed, w.test.Looked)}, cell{Text: probability(w.test.Q)}, cell{Text: w.where})
		}
		blocks = append(blocks, block{Heading: "Sites that fail more than chance allows"}, block{Table: &tab},
			block{Text: "Look at what handles these places: the hole of the sieve, the pin of the tool, the pad. q is the probability of so many failures by chance at the array's own rate (exact binomial test), adjusted for the number of sites (Benjamini–Hochberg).", Small: true})
	}
	return blocks, worn
}

// mostWorn is how many repeated sites a table lists.
const mostWorn = 30

func mapSite(row, column int, rowName string, n *siteCount) chart.Site {
	count := func(fault string) int { return n.faults[slices.Index(faults[:], fault)].n }
	return chart.Site{
		Row: row, Column: column, RowName: rowName,
		Missing: count(reading.Missing), Tilted: count(reading.Tilted),
		Away: count(reading.Off), Joined: count(reading.Bridged) + count(reading.Doubled),
	}
}

// probability writes a p or q value.
func probability(v float64) string {
	if v < 0.0001 {
		return "< 0.0001"
	}
	return fmt.Sprintf("%.2g", v)
}

// heats map the share of samples in which sites fail, of each fault that some site fails with again
// and again.
func (t *siteTally) heats(names []string, worn []wornSite, above int, title string) (blocks []block) {
	for k, fault := range faults {
		again := map[string]bool{}
		for _, w := range worn {
			if w.fault == faultNames[fault] {
				again[w.name] = true
			}
		}
		if len(again) == 0 || t.samples < fewestForChart {
			continue
		}
		h := chart.Heat{
			Title: "How often sites are " + faultNames[fault],
			Notes: []string{plural(t.samples, "sample", "samples") + "; ringed: more often than chance allows"},
		}
		for _, name := range names {
			row, column, _ := part.ParseSite(name) // order has parsed it
			q := t.sites[name]
			h.Sites = append(h.Sites, chart.HeatSite{Row: row - above, Column: column, RowName: strings.TrimRight(name, "0123456789"), Failed: q.faults[k].n, Looked: q.looked, Repeated: again[name]})
		}
		label := fmt.Sprintf("Heat map of sites %s, %s: %s again and again", faultNames[fault], title, few(slices.Sorted(maps.Keys(again)), 20))
		blocks = append(blocks, block{Figure: &figure{Figure: h, Label: label}})
	}
	return blocks
}

// leanBlocks draw in which directions columns lean, those beyond the limit and whole arrays, and say
// whether these have one in common.
func (t *siteTally) leanBlocks(title string) (blocks []block) {
	for _, l := range []struct {
		deg         []float64
		title, what string
		advice      string
	}{
		{t.leans, "Directions of columns beyond the limit", "columns lean beyond the limit", "look at the robot or tool that places or handles them"},
		{t.common, "Directions of the lean common to an array", "arrays lean as a whole", "look at the fixture, the scope's axis, or how boards are held while the columns are attached"},
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
