package report

import (
	"encoding/base64"
	"fmt"
	"html/template"
	"maps"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/reading"
)

// A content is what both forms of a report show, ready to print: numbers are text already.
type content struct {
	Title, Summary string
	Facts          []fact
	Headline       notice
	Counts         []verdictCount
	First          []notice // what to do, most urgent first
	FirstMore      string
	Panels         []panel
	Sections       []section
	Sources        []fact
	Written        string
	WrittenAt      time.Time
	Program        string
	rows           []byte // the table of readings as CSV
	font           []byte // for letters that the PDF's own face lacks
}

type fact struct{ Name, Value string }

type verdictCount struct {
	Decision reading.Decision
	N        int
	Share    string
}

// A notice is a sentence about what needs attention. Kind is a verdict, "signal" or "good".
type notice struct{ Kind, Text, Link string }

const (
	good   = "good"
	signal = "signal"
)

// A panel is a short list of the first page.
type panel struct {
	Title string
	Items []notice
	None  string // said when there is no item
}

// A section is a heading with what stands under it.
type section struct {
	ID, Title string
	Apart     bool // begins a page on paper
	Blocks    []block
}

// A block is one of the things that a section is made of: whichever is set.
type block struct {
	Heading string
	Text    string
	Small   bool // Text is a remark
	Items   []string
	Table   *table
	Figure  *figure
	Shot    *flagged
	File    *file
}

// A figure is a picture with what is said under it.
type figure struct {
	Figure chart.Figure
	Label  string // for whoever can't see it
	Items  []string
}

// SVG draws a figure for the page.
func (f figure) SVG() (template.HTML, error) {
	svg, err := chart.Inline(f.Figure, f.Label)
	return template.HTML(svg), err
}

type table struct {
	Columns []column
	Rows    []tableRow
	More    string // what was left out
}

type column struct {
	Name   string
	Number bool
	Wide   bool // takes what room is left
}

type tableRow struct {
	Kind  string // what the row is about, for whoever reads the page by program
	Cells []cell
}

type cell struct {
	Text     string
	Decision reading.Decision // shown instead of Text when set
	Faint    bool
}

func (t *table) add(kind string, cells ...cell) { t.Rows = append(t.Rows, tableRow{kind, cells}) }

// A file is one to take out of the report.
type file struct {
	Name, Text string
	Data       []byte
}

// URI returns the file as a link's target.
func (f file) URI() template.URL {
	return template.URL("data:text/csv;charset=utf-8;base64," + base64.StdEncoding.EncodeToString(f.Data))
}

// decisions in the order in which a report counts them.
var decisions = [4]reading.Decision{reading.Accept, reading.Reject, reading.Review, reading.Retake}

// Most of each that a report shows, so that it opens even for the largest day; what is left out is
// said in it.
const (
	mostFlagged  = 100
	mostOverlays = 40
	mostReasons  = 6
	mostRows     = 500
	mostFirst    = 6
	mostItems    = 4
)

func (d *day) content(o Options) (*content, error) {
	c := &content{Title: o.Title, Program: o.Program, font: o.Font, WrittenAt: o.Written, Summary: d.summary(o), Facts: d.facts(), Sources: d.sources()}
	if c.Title == "" {
		c.Title = "Inspection report"
	}
	if !o.Written.IsZero() {
		c.Written = o.Written.Format("2006-01-02 15:04 MST")
	}
	for _, text := range o.leftOut {
		c.Sources = append(c.Sources, fact{"Left out", text})
	}
	for _, decision := range decisions {
		n := d.count(decision)
		c.Counts = append(c.Counts, verdictCount{decision, n, percent(n, len(d.shots))})
	}
	var parts []groupContent
	for _, g := range d.groups() {
		gc, err := d.groupContent(g, o)
		if err != nil {
			return nil, err
		}
		parts = append(parts, gc)
	}
	gauges := d.gauges(o)
	d.firstPage(c, parts, gauges, o)
	add := func(id, title string, blocks []block) {
		if len(blocks) > 0 {
			c.Sections = append(c.Sections, section{ID: id, Title: title, Blocks: blocks})
		}
	}
	add("verdicts", "Verdicts by part and view", d.matrix())
	add("flagged", "Rejected and in review", d.flagged(o))
	add("retakes", "Not measured", d.notMeasured(o))
	add("signals", "Open signals", signalBlocks(o.Signals))
	for _, p := range parts {
		drawn := slices.ContainsFunc(p.Blocks, func(b block) bool { return b.Figure != nil })
		c.Sections = append(c.Sections, section{ID: p.ID, Title: p.Title, Apart: drawn, Blocks: p.Blocks})
	}
	add("gauges", "Scopes", gauges.blocks)
	add("readings", "Readings", d.readings(o))
	if !d.rows.over {
		c.rows = d.rows.Bytes()
	}
	return c, nil
}

func percent(n, of int) string {
	if of == 0 {
		return ""
	}
	p := 100 * float64(n) / float64(of)
	if p > 0 && p < 1 || p > 99 && p < 100 {
		return fmt.Sprintf("%.1f %%", p)
	}
	return fmt.Sprintf("%.0f %%", p)
}

// few joins the first of words and counts the others.
func few(words []string, most int) string {
	if len(words) > most+1 {
		return strings.Join(words[:most], ", ") + fmt.Sprintf(" and %d more", len(words)-most)
	}
	return strings.Join(words, ", ")
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// capital begins a sentence.
func capital(s string) string {
	if s == "" {
		return ""
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

// summary says in a line what was measured and when.
func (d *day) summary(o Options) string {
	lots := d.distinct(func(r *reading.Reading) string { return r.Shot.Lot })
	s := plural(len(d.shots), "picture", "pictures")
	if len(lots) > 0 {
		s += " of " + plural(len(lots), "lot", "lots")
	}
	if d.timed && !d.first.IsZero() {
		s += ", taken " + period(d.first, d.last)
	}
	if a := asked(o.Since, o.Until); a != "" {
		s += "; asked for: " + a
	}
	return s
}

// asked says which time a report was asked for.
func asked(since, until time.Time) string {
	const minute = "2006-01-02 15:04"
	switch {
	case since.IsZero() && until.IsZero():
		return ""
	case until.IsZero():
		return "from " + since.Format(minute+" MST")
	case since.IsZero():
		return "before " + until.Format(minute+" MST")
	case until.Equal(since.AddDate(0, 0, 1)) && since.Hour() == 0 && since.Minute() == 0:
		return "the day " + since.Format("2006-01-02")
	}
	return since.Format(minute) + " to " + until.Format(minute+" MST")
}

func period(from, to time.Time) string {
	const day, minute = "2006-01-02", "15:04"
	switch {
	case from.Equal(to):
		return from.Format(day + " " + minute)
	case from.Format(day) == to.Format(day):
		return from.Format(day+" "+minute) + " to " + to.Format(minute)
	}
	return from.Format(day+" "+minute) + " to " + to.Format(day+" "+minute)
}

func (d *day) facts() (facts []fact) {
	add := func(one, many string, words []string) {
		switch len(words) {
		case 0:
		case 1:
			facts = append(facts, fact{one, words[0]})
		default:
			facts = append(facts, fact{many, few(words, 8)})
		}
	}
	add("Part", "Parts", d.distinct(func(r *reading.Reading) string { return r.Source.Part }))
	add("View", "Views", d.distinct(func(r *reading.Reading) string { return string(r.Shot.View) }))
	lines := map[string]bool{}
	for _, s := range d.shots {
		if s.line != "" {
			lines[s.line] = true
		}
	}
	add("Line", "Lines", slices.Sorted(maps.Keys(lines)))
	add("Lot", "Lots", d.distinct(func(r *reading.Reading) string { return r.Shot.Lot }))
	add("Head", "Heads", d.distinct(func(r *reading.Reading) string { return r.Shot.Head }))
	add("Scope", "Scopes", d.distinct(func(r *reading.Reading) string { return r.Source.Scope }))
	add("Operator", "Operators", d.distinct(func(r *reading.Reading) string { return r.Shot.Operator }))
	return facts
}

// sources names the versions of everything that made the readings.
func (d *day) sources() (facts []fact) {
	version := func(name, hash string) string {
		if name == "" {
			return ""
		}
		return name + " (" + hash[:min(len(hash), 12)] + ")"
	}
	add := func(name string, words []string) {
		if len(words) > 0 {
			facts = append(facts, fact{name, few(words, 12)})
		}
	}
	add("Part files", d.distinct(func(r *reading.Reading) string { return version(r.Source.Part, r.Source.PartHash) }))
	add("Scope files", d.distinct(func(r *reading.Reading) string { return version(r.Source.Scope, r.Source.ScopeHash) }))
	add("Measured with", d.distinct(func(r *reading.Reading) string {
		if r.Source.Program == "" {
			return ""
		}
		return "inspect " + r.Source.Program + ", OpenCV " + r.Source.OpenCV
	}))
	return facts
}

func (d *day) matrix() []block {
	type line struct {
		part, view string
		counts     [4]int
		all        int
	}
	var lines []*line
	at := map[[2]string]*line{}
	for _, s := range d.shots {
		key := [2]string{s.Source.Part, string(s.Shot.View)}
		l := at[key]
		if l == nil {
			l = &line{part: key[0], view: key[1]}
			at[key] = l
			lines = append(lines, l)
		}
		if i := slices.Index(decisions[:], s.Verdict.Decision); i >= 0 {
			l.counts[i]++
		}
		l.all++
	}
	if len(lines) == 0 {
		return nil
	}
	slices.SortFunc(lines, func(a, b *line) int { return strings.Compare(a.part+"\x00"+a.view, b.part+"\x00"+b.view) })
	t := &table{Columns: []column{{Name: "Part"}, {Name: "View", Wide: true}}}
	for _, decision := range decisions {
		t.Columns = append(t.Columns, column{Name: string(decision), Number: true})
	}
	t.Columns = append(t.Columns, column{Name: "all", Number: true})
	for _, l := range lines {
		cells := []cell{{Text: l.part}, {Text: l.view}}
		for _, n := range l.counts {
			cells = append(cells, cell{Text: fmt.Sprint(n), Faint: n == 0})
		}
		t.add("part", append(cells, cell{Text: fmt.Sprint(l.all)})...)
	}
	return []block{{Table: t}}
}
