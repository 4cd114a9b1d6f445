package report

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// A groupContent is what the page shows of readings that belong together.
type groupContent struct {
	ID, Title string
	Notes     []string // why there is no chart
	Figures   []figure
	signals   []string
	worn      []string // sites that lack something in several samples
}

type figure struct {
	SVG     template.HTML
	Signals []string
	Table   []fact
}

// Fewer samples make no control chart.
const (
	fewestForChart = 5
	enoughForChart = 20
)

// chartRules are those of the report's charts.
var chartRules = []spc.Rule{spc.Nelson1, spc.Nelson2, spc.Nelson3}

func (d *day) groupContent(g group, o Options) (groupContent, error) {
	c := groupContent{ID: "group-" + anchor(g.part+"-"+string(g.view)+"-"+g.of), Title: g.title()}
	rs := d.of(g)
	limits := part.Limits{}
	if p := o.Parts[g.part]; p != nil {
		limits = p.Limits
	}
	switch {
	case !whole(g.view):
		c.Notes = append(c.Notes, plural(len(rs), "sample", "samples")+" seen from the side, which shows one row: for charts and a map of the array, measure plan views.")
		return c, nil
	case len(rs) < fewestForChart:
		c.Notes = append(c.Notes, fmt.Sprintf("%s: a control chart needs at least %d, and about %d before its limits can be trusted.",
			plural(len(rs), "measured sample", "measured samples"), fewestForChart, enoughForChart))
	}
	var err error
	if rs[0].Offset != nil {
		err = c.offsets(g, rs, limits)
	} else {
		err = c.counts(g, rs)
	}
	if err == nil && d.sites[g] != nil {
		err = c.sites(g, d.sites[g])
	}
	return c, err
}

// whole reports whether a view shows all sites of an array; from the side it is one row.
func whole(v reading.View) bool { return v != reading.ColumnSide }

func (g group) title() string {
	title := strings.ToUpper(g.of[:1]) + g.of[1:]
	if g.part != "" {
		title += " of part " + g.part
	}
	return title + ", " + string(g.view)
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

// offsets charts X, Y and θ, and shows where the dies sit by head.
func (c *groupContent) offsets(g group, rs []*reading.Reading, limits part.Limits) error {
	if len(rs) >= fewestForChart {
		for _, v := range []struct {
			column string
			of     func(*reading.Offset) float64
		}{
			{"x_um", func(o *reading.Offset) float64 { return o.XUm }},
			{"y_um", func(o *reading.Offset) float64 { return o.YUm }},
			{"theta_deg", func(o *reading.Offset) float64 { return o.ThetaDeg }},
		} {
			s := series.Series{Keys: lots(rs)}
			for _, r := range rs {
				s.Values = append(s.Values, v.of(r.Offset))
			}
			if err := c.measured(g, v.column, s, limits); err != nil {
				return err
			}
		}
	}
	if len(rs) < 2 {
		return nil
	}
	return c.scatter(g, rs, limits)
}

// lots returns the lot of every reading, nil when one has none.
func lots(rs []*reading.Reading) []string {
	var keys []string
	for _, r := range rs {
		if r.Shot.Lot == "" {
			return nil
		}
		keys = append(keys, r.Shot.Lot)
	}
	return keys
}

func (c *groupContent) measured(g group, column string, s series.Series, limits part.Limits) error {
	q := series.QuantityOf(column)
	charts, names, err := s.Charts(s.Suggest(), spc.Options{Rules: chartRules})
	if err != nil {
		c.Notes = append(c.Notes, fmt.Sprintf("No chart of %s: %v.", q.Name, err))
		return nil
	}
	note := plural(len(s.Values), "sample", "samples")
	if n := len(charts[0].Points); n < len(s.Values) {
		note += " in " + plural(n, "lot", "lots")
	}
	fig, err := c.control(q, charts, names, note+"; "+charts[0].Phases[0].Source)
	if err != nil {
		return err
	}
	if tol, judged := series.ToleranceOf(column, g.of, limits); judged {
		groups := spc.Singles(s.Values)
		if len(charts[0].Points) < len(s.Values) {
			groups, _, _ = s.Subgroups()
		}
		p, err := spc.AssessCapability(groups, tol, spc.CapabilityOptions{})
		if err != nil {
			c.Notes = append(c.Notes, fmt.Sprintf("No capability of %s: %v.", q.Name, err))
		} else {
			fig.Table = capability(p, q.Unit)
		}
	}
	c.Figures = append(c.Figures, fig)
	return nil
}

func capability(p spc.Capability, unit string) []fact {
	index := func(e spc.IndexEstimate) string { return fmt.Sprintf("%.2f (%.2f to %.2f)", e.Value, e.Low, e.High) }
	facts := []fact{{"Limits", strings.Replace(fmt.Sprintf("%g to %g %s", p.Tolerance.Lower, p.Tolerance.Upper, unit), "-", "−", 1)}}
	if p.Within.P != nil {
		facts = append(facts, fact{"Cp", index(*p.Within.P)})
	}
	facts = append(facts, fact{"Cpk", index(p.Within.K)})
	if p.Overall.P != nil {
		facts = append(facts, fact{"Pp", index(*p.Overall.P)})
	}
	return append(facts, fact{"Ppk", index(p.Overall.K)})
}

// control draws a control chart with its signals in words.
func (c *groupContent) control(q series.Quantity, charts []spc.Chart, names []string, note string) (figure, error) {
	of := ""
	if names != nil {
		of = "lot"
	}
	title := strings.ToUpper(q.Name[:1]) + q.Name[1:]
	var f figure
	latest, latestAt := "", -1
	for i := range charts {
		for _, s := range series.Signals(&charts[i], names, of) {
			text := charts[i].Statistic + ": " + s.Text
			f.Signals = append(f.Signals, text)
			if s.To > latestAt {
				latest, latestAt = text, s.To
			}
		}
	}
	switch n := len(f.Signals); {
	case n == 1:
		c.signals = append(c.signals, title+", "+latest)
	case n > 1:
		c.signals = append(c.signals, fmt.Sprintf("%s, %d signals, the latest %s", title, n, latest))
	}
	label := fmt.Sprintf("Control chart of %s, %s: %s", q.Name, c.Title, plural(len(f.Signals), "signal", "signals"))
	svg, err := chart.Inline(chart.Control{Title: title, Notes: []string{note}, Quantity: q.Name, Unit: q.Unit, Charts: charts, Labels: names, LabelsOf: of}, label)
	f.SVG = template.HTML(svg)
	return f, err
}

func (c *groupContent) scatter(g group, rs []*reading.Reading, limits part.Limits) error {
	clouds := map[string]*chart.Cloud{}
	var heads []string
	for _, r := range rs {
		head := "head " + r.Shot.Head
		if r.Shot.Head == "" {
			head = "head not given"
		}
		if clouds[head] == nil {
			clouds[head] = &chart.Cloud{Name: head}
			heads = append(heads, head)
		}
		clouds[head].X = append(clouds[head].X, r.Offset.XUm)
		clouds[head].Y = append(clouds[head].Y, r.Offset.YUm)
	}
	slices.Sort(heads)
	s := chart.Scatter{Title: "Where the " + g.of + " sits, by head", Notes: []string{plural(len(rs), "sample", "samples")}, Unit: "µm"}
	if x, ok := series.ToleranceOf("x_um", g.of, limits); ok {
		s.LimitX = x.Upper
	}
	if y, ok := series.ToleranceOf("y_um", g.of, limits); ok {
		s.LimitY = y.Upper
	}
	for _, h := range heads {
		s.Clouds = append(s.Clouds, *clouds[h])
	}
	label := fmt.Sprintf("Scatter of the offsets X and Y, %s, by head: %s", c.Title, strings.Join(heads, ", "))
	svg, err := chart.Inline(s, label)
	c.Figures = append(c.Figures, figure{SVG: template.HTML(svg)})
	return err
}

// counts charts missing columns or balls per thousand sites: by lot where there are enough lots,
// else by sample.
func (c *groupContent) counts(g group, rs []*reading.Reading) error {
	if len(rs) < fewestForChart {
		return nil
	}
	const perSites = 1000
	s := series.Series{Keys: lots(rs)}
	for _, r := range rs {
		seen := r.Array.Present + r.Array.Missing
		if seen == 0 {
			continue
		}
		s.Values = append(s.Values, float64(r.Array.Missing))
		s.Sizes = append(s.Sizes, float64(seen)/perSites)
	}
	points := "lot"
	if s.Keys != nil && (len(s.Keys) != len(s.Values) || len(s.Pooled().Keys) < fewestForChart) {
		s.Keys = nil
	}
	if s.Keys == nil {
		points = "sample"
	}
	q := series.Quantity{Name: fmt.Sprintf("missing %s per %d sites", g.of, perSites)}
	charts, names, err := s.Charts(series.U, spc.Options{Rules: chartRules[:1]})
	if err != nil {
		c.Notes = append(c.Notes, fmt.Sprintf("No chart of missing %s: %v.", g.of, err))
		return nil
	}
	sites := 0.0
	for _, n := range s.Sizes {
		sites += n * perSites
	}
	fig, err := c.control(q, charts, names, fmt.Sprintf("%s, %.0f sites in all, a point a %s", plural(len(s.Values), "sample", "samples"), math.Round(sites), points))
	c.Figures = append(c.Figures, fig)
	return err
}

// sites maps the array.
func (c *groupContent) sites(g group, t *siteTally) error {
	m := chart.Sites{
		Title: "What is missing, tilted or out of place",
		Notes: []string{fmt.Sprintf("%s of %d sites, seen as the picture shows them: A1 at the top left", plural(t.samples, "sample", "samples"), len(t.sites))},
	}
	var faults []string
	for _, name := range t.siteOrder() {
		n := t.sites[name]
		row, column, err := part.ParseSite(name)
		if err != nil {
			return err
		}
		m.Sites = append(m.Sites, chart.Site{Row: row, Column: column, RowName: strings.TrimRight(name, "0123456789"), Missing: n.missing, Tilted: n.tilted, Away: n.away})
		for _, f := range []struct {
			n    int
			what string
		}{{n.missing, "missing"}, {n.tilted, "tilted"}, {n.away, "out of place"}} {
			if f.n > 0 {
				faults = append(faults, fmt.Sprintf("%s %s", name, f.what))
			}
			if f.n > 1 {
				c.worn = append(c.worn, fmt.Sprintf("%s (%s in %d of %d)", name, f.what, f.n, t.samples))
			}
		}
	}
	if len(m.Sites) == 0 {
		return nil
	}
	label := "Map of the " + g.of + ", " + c.Title + ": "
	if len(faults) == 0 {
		label += "nothing missing, tilted or out of place"
	} else {
		label += few(faults, 40)
	}
	svg, err := chart.Inline(m, label)
	c.Figures = append(c.Figures, figure{SVG: template.HTML(svg)})
	return err
}
