package report

import (
	"fmt"
	"html/template"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
)

// A content is what the page shows, ready to print: numbers are text already.
type content struct {
	Title, Summary string
	Facts          []fact
	Counts         []verdictCount
	Attention      []notice
	Matrix         []matrixRow
	Flagged        []flagged
	FlaggedMore    string
	Retakes        []retakes
	Groups         []groupContent
	Rows           []row
	RowsMore       string
	Sources        []fact
	Written        string
	Program        string
}

type fact struct{ Name, Value string }

type verdictCount struct {
	Decision reading.Decision
	N        int
	Share    string
}

// A notice is a sentence about what needs attention; Kind is "reject", "review", "retake",
// "signal" or "good".
type notice struct{ Kind, Text, Link string }

type matrixRow struct {
	Part   string
	View   string
	Counts [4]int
	All    int
}

// A flagged reading is one that was rejected or is in review.
type flagged struct {
	Decision     reading.Decision
	ID           string // anchor
	Picture      string
	Particulars  string
	Reasons      []string
	ReasonsMore  string
	Warnings     []string
	Image        template.URL // data URI, "" when there is none
	Alt          string
	ImageMissing string // why there is none, "" when none was asked for
}

type retakes struct {
	Gate, Instruction string
	N                 int
	Pictures          string
}

type row struct {
	Decision                                     reading.Decision
	Picture, Part, View, Lot, Sample, Head, Time string
	X, Y, Theta, Array                           string
}

// decisions in the order in which a report counts them.
var decisions = [4]reading.Decision{reading.Accept, reading.Reject, reading.Review, reading.Retake}

// Most of each that a page shows, so that it opens even for the largest day; what is left out is
// said on the page.
const (
	mostFlagged  = 200
	mostOverlays = 60
	mostReasons  = 6
	mostRows     = 2000
)

func (d *day) content(o Options) (*content, error) {
	c := &content{Title: o.Title, Program: o.Program}
	if c.Title == "" {
		c.Title = "Inspection report"
	}
	if !o.Written.IsZero() {
		c.Written = o.Written.Format("2006-01-02 15:04 MST")
	}
	c.Summary = d.summary()
	c.Facts = d.facts()
	for _, decision := range decisions {
		n := d.count(decision)
		c.Counts = append(c.Counts, verdictCount{decision, n, percent(n, len(d.readings))})
	}
	c.Matrix = d.matrix()
	c.Flagged, c.FlaggedMore = d.flagged(o)
	c.Retakes = d.retakes()
	for _, g := range d.groups() {
		gc, err := d.groupContent(g, o)
		if err != nil {
			return nil, err
		}
		c.Groups = append(c.Groups, gc)
	}
	c.Attention = d.attention(c)
	c.Rows, c.RowsMore = d.rows()
	c.Sources = d.sources()
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
	if len(words) > most {
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

// summary says in a line what was measured and when.
func (d *day) summary() string {
	lots := d.distinct(func(r *reading.Reading) string { return r.Shot.Lot })
	s := plural(len(d.readings), "picture", "pictures")
	if len(lots) > 0 {
		s += " of " + plural(len(lots), "lot", "lots")
	}
	if d.timed {
		s += ", taken " + period(d.first, d.last)
	}
	return s
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
			facts = append(facts, fact{many, few(words, 12)})
		}
	}
	add("Part", "Parts", d.distinct(func(r *reading.Reading) string { return r.Source.Part }))
	add("View", "Views", d.distinct(func(r *reading.Reading) string { return string(r.Shot.View) }))
	add("Lot", "Lots", d.distinct(func(r *reading.Reading) string { return r.Shot.Lot }))
	add("Head", "Heads", d.distinct(func(r *reading.Reading) string { return r.Shot.Head }))
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
	add("Scopes", d.distinct(func(r *reading.Reading) string { return version(r.Source.Scope, r.Source.ScopeHash) }))
	add("Measured with", d.distinct(func(r *reading.Reading) string {
		if r.Source.Program == "" {
			return ""
		}
		return "inspect " + r.Source.Program + ", OpenCV " + r.Source.OpenCV
	}))
	return facts
}

func (d *day) matrix() (rows []matrixRow) {
	for _, r := range d.readings {
		i := slices.IndexFunc(rows, func(m matrixRow) bool { return m.Part == r.Source.Part && m.View == string(r.Shot.View) })
		if i < 0 {
			i = len(rows)
			rows = append(rows, matrixRow{Part: r.Source.Part, View: string(r.Shot.View)})
		}
		rows[i].Counts[slices.Index(decisions[:], r.Verdict.Decision)]++
		rows[i].All++
	}
	slices.SortFunc(rows, func(a, b matrixRow) int { return strings.Compare(a.Part+"\x00"+a.View, b.Part+"\x00"+b.View) })
	return rows
}

// flagged returns rejects, then reviews, worst first within each by the number of reasons.
func (d *day) flagged(o Options) (list []flagged, more string) {
	overlays := overlays{files: o.Overlays}
	for _, decision := range []reading.Decision{reading.Reject, reading.Review} {
		for i, r := range d.readings {
			if r.Verdict.Decision != decision {
				continue
			}
			f := flagged{Decision: decision, ID: fmt.Sprintf("shot-%d", i+1), Picture: filepath.Base(r.Source.Picture), Particulars: particulars(r), Warnings: r.Warnings}
			var reasons []string
			for _, reason := range r.Verdict.Reasons {
				if reason.Decision != reading.Accept {
					reasons = append(reasons, reason.Text)
				}
			}
			if n := len(reasons) - mostReasons; n > 1 {
				f.ReasonsMore = fmt.Sprintf("and %d more", n)
				reasons = reasons[:mostReasons]
			}
			f.Reasons = reasons
			if len(list) < mostFlagged {
				f.Image, f.ImageMissing = overlays.find(r.Source.Picture)
				f.Alt = fmt.Sprintf("Overlay of %s: %s", f.Picture, strings.Join(reasons, "; "))
			}
			list = append(list, f)
		}
	}
	if n := len(list) - mostFlagged; n > 0 {
		list = list[:mostFlagged]
		more = fmt.Sprintf("%d more are not shown here; the table of readings and the file of readings have them", n)
	}
	return list, more
}

func particulars(r *reading.Reading) string {
	var words []string
	add := func(name, v string) {
		if v != "" {
			words = append(words, name+v)
		}
	}
	add("part ", r.Source.Part)
	add("", string(r.Shot.View))
	add("lot ", r.Shot.Lot)
	add("sample ", r.Shot.Sample)
	add("head ", r.Shot.Head)
	add("nozzle ", r.Shot.Nozzle)
	add("pick position ", r.Shot.PickPosition)
	add("", when(r))
	return strings.Join(words, " · ")
}

func when(r *reading.Reading) string {
	if at, ok := series.ParseTime(r.Shot.TakenAt); ok {
		return at.Format("2006-01-02 15:04")
	}
	return r.Shot.TakenAt
}

func (d *day) retakes() (list []retakes) {
	pictures := map[string][]string{}
	for _, r := range d.readings {
		if r.Refusal == nil {
			continue
		}
		gate := r.Refusal.Gate
		if pictures[gate] == nil {
			list = append(list, retakes{Gate: gate, Instruction: r.Refusal.Instruction})
		}
		pictures[gate] = append(pictures[gate], filepath.Base(r.Source.Picture))
	}
	for i := range list {
		list[i].N = len(pictures[list[i].Gate])
		list[i].Pictures = few(pictures[list[i].Gate], 20)
	}
	slices.SortStableFunc(list, func(a, b retakes) int { return b.N - a.N })
	return list
}

func (d *day) rows() (rows []row, more string) {
	for _, r := range d.readings {
		q := row{
			Decision: r.Verdict.Decision, Picture: filepath.Base(r.Source.Picture), Part: r.Source.Part, View: string(r.Shot.View),
			Lot: r.Shot.Lot, Sample: r.Shot.Sample, Head: r.Shot.Head, Time: when(r),
		}
		// Expanded uncertainties (k = 2), as everywhere on paper.
		pm := func(v, u float64) string {
			if u == 0 {
				return ""
			}
			return reading.PlusMinus(v, 2*u)
		}
		if f := r.Offset; f != nil {
			q.X, q.Y, q.Theta = pm(f.XUm, f.UXUm), pm(f.YUm, f.UYUm), pm(f.ThetaDeg, f.UTheta)
		} else if a := r.Array; a != nil && a.Present > 0 {
			q.X, q.Y, q.Theta = pm(a.XUm, a.UXUm), pm(a.YUm, a.UYUm), pm(a.ThetaDeg, a.UTheta)
		}
		if a := r.Array; a != nil {
			q.Array = fmt.Sprintf("%d present, %d missing, %d tilted", a.Present, a.Missing, a.Tilted)
		}
		if len(rows) == mostRows {
			more = fmt.Sprintf("%d more are in the file of readings", len(d.readings)-mostRows)
			break
		}
		rows = append(rows, q)
	}
	return rows, more
}
