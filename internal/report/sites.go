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
		if s.State == reading.Tilted && len(t.leans) < mostLeans {
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
		Away: count(reading.Off) + count(reading.Bridged) + count(reading.Doubled),
	}
}

// probability writes a p or q value.
func probability(v float64) string {
	if v < 0.0001 {
		return "< 0.0001"
	}
	return fmt.Sprintf("%.2g", v)
}

// leanBlocks say whether the columns beyond the limit lean in one direction.
func (t *siteTally) leanBlocks() []block {
	if len(t.leans) < fewestForChart {
		return nil
	}
	c, err := spc.Directions(t.leans, spc.CircularOptions{})
	if err != nil {
		return nil
	}
	text := fmt.Sprintf("%d columns lean beyond the limit, without a common direction (Rayleigh test, p = %s).", c.N, probability(c.RayleighP))
	if !c.MeanIsShaky {
		text = fmt.Sprintf("%d columns lean beyond the limit, mostly toward %.0f° (counter-clockwise from +X; mean length %.2f, Rayleigh test, p = %s): look at the robot or tool that places or handles them.", c.N, c.MeanDeg, c.Length, probability(c.RayleighP))
	}
	return []block{{Text: text}}
}
