// Package report writes what a file of readings says as one HTML page: verdicts, what needs
// attention, pictures of what was rejected, control charts, where the dies sit, which sites lack
// columns. The page loads nothing from elsewhere and prints well.
package report

import (
	"iter"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
)

// A day is all readings of a report, in the order of time where every one has a time, else in the
// order of the file. Of arrays only the counts are kept, and a tally of sites a part.
type day struct {
	readings []*reading.Reading
	sites    map[group]*siteTally
	timed    bool
	first    time.Time
	last     time.Time
}

// A group is readings that one chart may hold: of one part, one view, of die or cap.
type group struct {
	part, of string // of: "die", "cap", "columns" or "balls"
	view     reading.View
}

func groupOf(r *reading.Reading) group {
	g := group{part: r.Source.Part, view: r.Shot.View}
	switch {
	case r.Offset != nil:
		g.of = r.Offset.Of
	case r.Array != nil:
		g.of = r.Array.Kind
	}
	return g
}

// A siteTally counts what was seen at the sites of an array over samples.
type siteTally struct {
	samples int
	sites   map[string]*siteCount
}

type siteCount struct{ missing, tilted, away, unseen int }

func (t *siteTally) add(a *reading.Array) {
	t.samples++
	for _, s := range a.Sites {
		c := t.sites[s.Name]
		if c == nil {
			c = new(siteCount)
			t.sites[s.Name] = c
		}
		switch s.State {
		case reading.Missing:
			c.missing++
		case reading.Tilted:
			c.tilted++
		case reading.Off:
			c.away++
		case reading.Unseen:
			c.unseen++
		}
	}
}

// read takes in readings and lets go of what a report doesn't need of them.
func read(readings iter.Seq2[*reading.Reading, error]) (*day, error) {
	d := &day{sites: map[group]*siteTally{}, timed: true}
	for r, err := range readings {
		if err != nil {
			return nil, err
		}
		if a := r.Array; a != nil {
			g := groupOf(r)
			if d.sites[g] == nil {
				d.sites[g] = &siteTally{sites: map[string]*siteCount{}}
			}
			d.sites[g].add(a)
			a.Sites = nil
		}
		if r.Offset != nil {
			r.Offset.Edges, r.Offset.Marks, r.Offset.Budget = nil, nil, nil
		}
		r.Substrate = nil
		d.readings = append(d.readings, r)
		at, ok := series.ParseTime(r.Shot.TakenAt)
		if !ok {
			d.timed = false
			continue
		}
		if d.first.IsZero() || at.Before(d.first) {
			d.first = at
		}
		if at.After(d.last) {
			d.last = at
		}
	}
	if d.timed {
		slices.SortStableFunc(d.readings, func(a, b *reading.Reading) int {
			at, _ := series.ParseTime(a.Shot.TakenAt)
			bt, _ := series.ParseTime(b.Shot.TakenAt)
			return at.Compare(bt)
		})
	}
	return d, nil
}

// count returns how many readings have a verdict.
func (d *day) count(decision reading.Decision) (n int) {
	for _, r := range d.readings {
		if r.Verdict.Decision == decision {
			n++
		}
	}
	return n
}

// groups returns the groups of what could be measured, by part, view and what.
func (d *day) groups() (groups []group) {
	for _, r := range d.readings {
		if g := groupOf(r); r.Refusal == nil && g.of != "" && !slices.Contains(groups, g) {
			groups = append(groups, g)
		}
	}
	slices.SortStableFunc(groups, func(a, b group) int {
		return strings.Compare(a.part+"\x00"+string(a.view)+a.of, b.part+"\x00"+string(b.view)+b.of)
	})
	return groups
}

// of returns the readings of a group that could be measured.
func (d *day) of(g group) (rs []*reading.Reading) {
	for _, r := range d.readings {
		if r.Refusal == nil && groupOf(r) == g {
			rs = append(rs, r)
		}
	}
	return rs
}

// distinct returns the different answers of readings, sorted, without blank ones.
func (d *day) distinct(of func(*reading.Reading) string) []string {
	seen := map[string]bool{}
	var all []string
	for _, r := range d.readings {
		if v := of(r); v != "" && !seen[v] {
			seen[v] = true
			all = append(all, v)
		}
	}
	slices.Sort(all)
	return all
}

// siteOrder returns the names of a tally's sites, row by row; names that are no site's are left out.
func (t *siteTally) siteOrder() (names []string) {
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
