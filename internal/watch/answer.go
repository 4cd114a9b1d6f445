package watch

import (
	"fmt"
	"strings"
	"time"

	"plumbsquare/internal/reading"
)

// AnswerSchema names the version of an answer's JSON form.
const AnswerSchema = "answer/1"

// An Answer is what results/ says of one picture, in short. The whole reading is in the store.
type Answer struct {
	Schema  string  `json:"schema"`
	Picture Picture `json:"picture"`
	// SameAs names the picture that was measured where this one has the very same content.
	SameAs string `json:"same_as,omitempty"`
	// Corners names all pictures of a die in corner shots, this one among them; from the inbox.
	Corners    []string  `json:"corners,omitempty"`
	MeasuredAt time.Time `json:"measured_at"`

	Shot     reading.Shot     `json:"shot"`
	Source   reading.Source   `json:"source"`
	Verdict  reading.Verdict  `json:"verdict"`
	Refusal  *reading.Refusal `json:"refusal,omitempty"`
	Offset   *AnswerOffset    `json:"offset,omitempty"`
	Array    *AnswerArray     `json:"array,omitempty"`
	Warnings []string         `json:"warnings,omitempty"`
}

// A Picture is a file of the inbox as it was measured.
type Picture struct {
	Path     string    `json:"path"` // from the inbox, with slashes
	Bytes    int64     `json:"bytes"`
	Modified time.Time `json:"modified"`
	SHA256   string    `json:"sha256"`
}

// An AnswerOffset is a reading's offset with standard uncertainties, without what it came from.
type AnswerOffset struct {
	Of       string        `json:"of"`
	XUm      float64       `json:"x_um"`
	YUm      float64       `json:"y_um"`
	ThetaDeg float64       `json:"theta_deg"`
	UXUm     float64       `json:"u_x_um"`
	UYUm     float64       `json:"u_y_um"`
	UTheta   float64       `json:"u_theta_deg"`
	Bump     *reading.Bump `json:"worst_bump,omitempty"`
}

// An AnswerArray counts sites.
type AnswerArray struct {
	Kind    string `json:"kind"`
	Sites   int    `json:"sites"`
	Present int    `json:"present"`
	Missing int    `json:"missing"`
	Tilted  int    `json:"tilted"`
}

// NewAnswers shortens a reading, for each of its pictures: one, or the corner shots of a die.
func NewAnswers(r *reading.Reading, at time.Time, pictures ...Picture) (as []*Answer) {
	var corners []string
	if len(pictures) > 1 {
		for _, p := range pictures {
			corners = append(corners, p.Path)
		}
	}
	for _, p := range pictures {
		a := &Answer{
			Schema: AnswerSchema, Picture: p, Corners: corners, MeasuredAt: at.UTC().Truncate(time.Second),
			Shot: r.Shot, Source: r.Source, Verdict: r.Verdict, Refusal: r.Refusal, Warnings: r.Warnings,
		}
		if o := r.Offset; o != nil {
			a.Offset = &AnswerOffset{o.Of, o.XUm, o.YUm, o.ThetaDeg, o.UXUm, o.UYUm, o.UTheta, o.Bump}
		}
		if s := r.Array; s != nil {
			a.Array = &AnswerArray{s.Kind, len(s.Sites), s.Present, s.Missing, s.Tilted}
		}
		as = append(as, a)
	}
	return as
}

// name is what was measured, for a line: the picture, or all corners of a die.
func (a *Answer) name() string {
	if len(a.Corners) > 0 {
		return strings.Join(a.Corners, " + ")
	}
	return a.Picture.Path
}

// mostReasons is how many reasons a technician reads; the JSON has them all.
const mostReasons = 12

// Text is the answer as a technician reads it: the word first, then what to do, then the values.
func (a *Answer) Text() string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("%s   %s", strings.ToUpper(string(a.Verdict.Decision)), shown(a.Picture.Path))
	line("")
	switch a.Verdict.Decision {
	case reading.Accept:
		line("Everything that was measured is inside its limits.")
	case reading.Reject:
		line("Outside the limits:")
	case reading.Review:
		line("Too close to tell: somebody has to decide.")
	case reading.Retake:
		line("Take this picture again: %s.", a.Refusal.Instruction)
	}
	told := 0
	for _, r := range a.Verdict.Reasons {
		if r.Decision == reading.Accept {
			continue
		}
		if told++; told <= mostReasons {
			line("  - %s", r.Text)
		}
	}
	if more := told - mostReasons; more > 0 {
		line("  - and %d more", more)
	}
	for _, w := range a.Warnings {
		line("Note: %s.", w)
	}
	if v := a.values(); len(v) > 0 {
		line("")
		for _, l := range v {
			line("%s", l)
		}
		line("(± is the expanded uncertainty, k = 2)")
	}
	line("")
	for _, l := range a.origin() {
		line("%s", l)
	}
	return b.String()
}

func (a *Answer) values() (lines []string) {
	if o := a.Offset; o != nil {
		lines = append(lines,
			fmt.Sprintf("%s X   %s µm", o.Of, plusMinus(o.XUm, o.UXUm)),
			fmt.Sprintf("%s Y   %s µm", o.Of, plusMinus(o.YUm, o.UYUm)),
			fmt.Sprintf("%s θ   (%s)°", o.Of, plusMinus(o.ThetaDeg, o.UTheta)))
		if w := o.Bump; w != nil {
			lines = append(lines, fmt.Sprintf("worst bump, row %d column %d: %s µm beside its pad", w.Row, w.Column, plusMinus(w.MissUm, w.UUm)))
		}
	}
	if s := a.Array; s != nil {
		lines = append(lines, fmt.Sprintf("%d %s: %d present, %d missing, %d tilted", s.Sites, s.Kind, s.Present, s.Missing, s.Tilted))
	}
	return lines
}

func plusMinus(v, u float64) string { return reading.PlusMinus(v, 2*u) }

// origin says what was measured, by what, and when.
func (a *Answer) origin() (lines []string) {
	var unit []string
	for _, p := range [...]struct{ name, value string }{
		{"lot", a.Shot.Lot}, {"sample", a.Shot.Sample}, {"head", a.Shot.Head}, {"nozzle", a.Shot.Nozzle},
		{"pick position", a.Shot.PickPosition}, {"operator", a.Shot.Operator}, {"taken", a.Shot.TakenAt},
	} {
		if p.value != "" {
			unit = append(unit, p.name+" "+shown(p.value))
		}
	}
	if len(unit) > 0 {
		lines = append(lines, strings.Join(unit, ", "))
	}
	lines = append(lines, fmt.Sprintf("view %s, part %s (version %.8s), scope %s (version %.8s)", a.Shot.View, a.Source.Part, a.Source.PartHash, a.Source.Scope, a.Source.ScopeHash))
	if len(a.Corners) > 0 {
		lines = append(lines, fmt.Sprintf("One die in corner shots, %s; the first one's overlay shows all.", shown(a.name())))
	}
	if a.SameAs != "" {
		lines = append(lines, fmt.Sprintf("This is the very same picture as %s, and counts once.", shown(a.SameAs)))
	}
	return append(lines, fmt.Sprintf("measured %s by plumbsquare %s", a.MeasuredAt.Local().Format("2006-01-02 15:04:05"), a.Source.Program))
}

// Remark says in a few words what stands behind the verdict.
func (a *Answer) Remark() string {
	const most = 2
	if a.Refusal != nil {
		return a.Refusal.Gate + ": " + a.Refusal.Instruction
	}
	var words []string
	for _, r := range a.Verdict.Reasons {
		if r.Decision != reading.Accept {
			words = append(words, r.Text)
		}
	}
	words = append(words, a.Warnings...)
	if more := len(words) - most; more > 0 {
		words = append(words[:most:most], fmt.Sprintf("and %d more", more))
	}
	if len(words) == 0 {
		words = a.inShort()
	}
	return strings.Join(words, "; ")
}

func (a *Answer) inShort() []string {
	switch {
	case a.Offset != nil:
		o := a.Offset
		return []string{fmt.Sprintf("X %s µm, Y %s µm, θ (%s)°", plusMinus(o.XUm, o.UXUm), plusMinus(o.YUm, o.UYUm), plusMinus(o.ThetaDeg, o.UTheta))}
	case a.Array != nil:
		return []string{fmt.Sprintf("%d of %d %s present", a.Array.Present, a.Array.Sites, a.Array.Kind)}
	}
	return nil
}
