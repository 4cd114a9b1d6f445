// Package report says what a day's readings mean, as one HTML page and as a PDF of the same
// content: on the first page what was measured, what failed, what drifted, what to do first and what
// wasn't measured; then, a part at a time, verdicts, control charts, capability, heads and nozzles
// with the corrections they call for, maps of arrays. The page loads nothing from elsewhere; both
// print well.
package report

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"iter"
	"time"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// Options refine a report. The zero value works.
type Options struct {
	Title    string
	Overlays fs.FS // folder of overlays, as inspect measure --overlay writes it; nil shows none
	// Parts holds part files by the name of the part, for limits on the charts and capability.
	Parts map[string]*part.Part
	// Scopes holds scope files by the name of the scope, for the expiry of calibrations.
	Scopes map[string]*scope.Scope
	// Before yields readings from before the reported time, oldest first. Charts begin with them and
	// take their limits from them; nothing else counts them. Nil: charts stand on the reported
	// readings alone.
	Before iter.Seq2[*reading.Reading, error]
	// Table receives the reported readings as CSV, a row a shot, as they are read; nil: only the copy
	// inside the report is made.
	Table io.Writer

	// Font is a TrueType or OpenType font or collection from which the PDF takes letters that its own
	// face, Liberation Sans, lacks; nil: they stand as their codes.
	Font []byte

	Events      []Event
	Phases      []Phase
	Signals     []Signal // open ones
	NotMeasured []NotMeasured
	Waiting     int // pictures that wait for their turn to be measured
	Checks      []Check

	// Since and Until are the time that was asked for, to be said; the zero time says nothing.
	Since, Until time.Time

	Written time.Time // when the report is made: what has expired is judged by it; the zero time isn't shown
	Program string    // version of the program that makes it

	leftOut []string // of the store, and why
	nothing bool     // a report of no readings is one too
}

// An Event is something done to the line, drawn on the charts of its part and line of the plant; ""
// stands for all of them.
type Event struct {
	At         time.Time
	Part, Line string
	Text       string
}

// A Phase fixes the limits of a chart from a time on. View "" stands for every view.
type Phase struct {
	Part     string
	Line     string // of the plant
	View     reading.View
	Quantity string // column of the table of readings, such as "x_um"
	Name     string
	From     time.Time
	Kind     series.Kind // of the chart from then on; "" for what suits the readings
	ByLot    bool        // points are lots, on a chart of individuals their means
	Rules    []spc.Rule  // nil for the report's own
	// Center and Sigma state the limits, of counts per site; nil means from the phase's own readings.
	Center, Sigma *float64
}

// A Signal is one that somebody has to look at: open, or known and not yet closed.
type Signal struct {
	ID    int64
	Chart string // which it is on, such as "offset X of tern die-plan"
	Since time.Time
	Text  string
	State string // "open", "acknowledged"
	Cause string // "" while nobody wrote one
}

// NotMeasured is a picture that no reading came from: set aside, or waiting for particulars.
type NotMeasured struct {
	Picture string
	Reason  string // what was wrong and what to do, in a sentence
}

// A Check is a check sample of a scope, measured to see that it still measures right.
type Check struct {
	Scope string
	At    time.Time
	OK    bool
	Text  string // what was found, in a sentence
}

// A Report is ready to be written.
type Report struct {
	content *content
	outcome Outcome
}

// An Outcome is what a report comes to, for whoever doesn't read it.
type Outcome struct {
	Attention bool           `json:"attention"` // something has to be looked at
	Title     string         `json:"title"`
	Headline  string         `json:"headline"` // in a sentence
	First     []string       `json:"first"`    // what to do, most urgent first
	Counts    map[string]int `json:"counts"`   // readings by verdict
	Measured  int            `json:"measured"` // readings in all that aren't to be taken again
	Not       int            `json:"not_measured"`
}

// New makes the report of readings, which it reads once and of which it keeps what a row of the
// table holds. It returns an error when one can't be read or there is nothing at all to report.
func New(readings iter.Seq2[*reading.Reading, error], o Options) (*Report, error) {
	return build(items(readings), items(o.Before), o)
}

// An item is a reading with what only a store knows of it.
type item struct {
	*reading.Reading
	line    string // of the plant
	decided string // what a person decided about a shot in review, in words; "" if nobody has
}

func items(readings iter.Seq2[*reading.Reading, error]) iter.Seq2[item, error] {
	if readings == nil {
		return nil
	}
	return func(yield func(item, error) bool) {
		for r, err := range readings {
			if !yield(item{Reading: r}, err) {
				return
			}
		}
	}
}

func build(readings, before iter.Seq2[item, error], o Options) (*Report, error) {
	d, err := read(readings, before, o)
	if err != nil {
		return nil, err
	}
	if len(d.shots) == 0 && !o.nothing {
		return nil, errors.New("there is no reading to report")
	}
	c, err := d.content(o)
	if err != nil {
		return nil, err
	}
	r := &Report{content: c, outcome: Outcome{Title: c.Title, Headline: c.Headline.Text, Attention: c.Headline.Kind != good, Counts: map[string]int{}, First: []string{}}}
	for _, a := range c.First {
		r.outcome.First = append(r.outcome.First, a.Text)
	}
	for _, n := range c.Counts {
		r.outcome.Counts[string(n.Decision)] = n.N
		if n.Decision != reading.Retake {
			r.outcome.Measured += n.N
		}
	}
	r.outcome.Not = len(d.shots) - r.outcome.Measured + len(o.NotMeasured)
	return r, nil
}

// Outcome returns what the report comes to.
func (r *Report) Outcome() Outcome { return r.outcome }

// appendix gathers the table of readings for the report itself while it is small enough.
type appendix struct {
	bytes.Buffer
	over bool
}

// mostAppendix is the largest table that a report carries inside itself.
const mostAppendix = 8 << 20

func (a *appendix) Write(p []byte) (int, error) {
	if a.over || a.Len()+len(p) > mostAppendix {
		a.over = true
		a.Reset()
		return len(p), nil
	}
	return a.Buffer.Write(p)
}
