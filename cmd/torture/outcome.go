package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/synth"
)

// What became of a picture.
type class int

const (
	measuredRight class = iota
	refusedRight
	refusedForWrongReason
	refusedThoughGood
	unsureOfItself // error within a pixel but beyond what the uncertainty allows
	acceptedThough // measured and not rejected although it had to be refused
	grossError     // an error beyond a pixel that isn't rejected for another reason
	programError   // neither a reading nor a refusal
	classes
)

var classNames = [classes]string{
	"right", "refused right", "wrong reason", "refused though good", "beyond 4.5 u", "had to be refused", "gross", "program error",
}

const (
	grossPx   = 1.0
	mostSigma = 4.5 // one in 150 000 of a normal distribution lies beyond
)

// An outcome is what became of one seed.
type outcome struct {
	seed   uint64
	kind   string
	class  class
	detail string
}

// judge says what became of a picture.
func judge(s *scene, k kind, truth *synth.Truth, r *reading.Reading) (class, string) {
	refusable := len(k.gates) > 0
	if r.Refusal != nil {
		text := r.Refusal.Error()
		switch {
		case slices.Contains(k.gates, r.Refusal.Gate):
			return refusedRight, text
		case alsoTrue(s, truth, r.Refusal.Gate):
			return refusedRight, text
		case refusable:
			return refusedForWrongReason, text
		}
		return refusedThoughGood, text
	}
	if refusable && !k.either {
		if rejectedAsAnother(r) || k.rejects && r.Verdict.Decision == reading.Reject {
			return refusedRight, "rejected: " + r.Verdict.Reasons[0].Text
		}
		return acceptedThough, fmt.Sprintf("%s: %s", r.Verdict.Decision, miss(s, truth, r))
	}
	o := r.Offset
	ex, ey, et := o.XUm-*truth.DXUm, o.YUm-*truth.DYUm, o.ThetaDeg-*truth.ThetaDeg
	px := max(math.Abs(ex), math.Abs(ey), math.Abs(et)*math.Pi/180*truth.LeverUm) / s.Scope.UmPerPxX
	sigmas := max(math.Abs(ex)/o.UXUm, math.Abs(ey)/o.UYUm, math.Abs(et)/o.UTheta)
	switch {
	case !(px <= grossPx): // what is no number, too
		return grossError, miss(s, truth, r)
	case !(sigmas <= mostSigma):
		return unsureOfItself, miss(s, truth, r)
	}
	return measuredRight, miss(s, truth, r)
}

// alsoTrue reports whether a refusal is right whatever the kind: chance may hide, or put outside, more
// marks than the kind does.
func alsoTrue(s *scene, truth *synth.Truth, gate string) bool {
	n, out := untouched(s, truth)
	return gate == string(synth.MarksHidden) && n < 2 || gate == string(synth.MarkOut) && out > 0
}

// untouched counts the marks of the substrate that lie all in the picture with nothing over them, and
// those that reach beyond it.
func untouched(s *scene, truth *synth.Truth) (n, out int) {
	if s.Part.Marks == nil {
		return 0, 0
	}
	half := s.Part.Marks.SizeMm() * 500 / truth.UmPerPx
	for _, m := range truth.Marks[:min(len(truth.Marks), len(s.Part.Marks.At))] {
		switch {
		case min(m.XPx, m.YPx, float64(truth.WidthPx-1)-m.XPx, float64(truth.HeightPx-1)-m.YPx) < half:
			out++
		case m.State == "ok":
			n++
		}
	}
	return n, out
}

// rejectedAsAnother reports whether the verdict says that this is another die or substrate.
func rejectedAsAnother(r *reading.Reading) bool {
	return slices.ContainsFunc(r.Verdict.Reasons, func(x reading.Reason) bool {
		return x.Decision == reading.Reject && slices.Contains([]string{"width_um", "height_um", "shrink_percent"}, x.What)
	})
}

// miss writes the errors with their uncertainties.
func miss(s *scene, truth *synth.Truth, r *reading.Reading) string {
	o := r.Offset
	var used []string
	for _, e := range o.Edges {
		used = append(used, fmt.Sprintf("%s %.0f %%", e.Side, 100*e.Used))
	}
	for _, m := range o.Marks {
		used = append(used, m.Name)
		if !m.Used {
			used[len(used)-1] += " " + m.Note
		}
	}
	if truth.DXUm == nil {
		return fmt.Sprintf("X %.1f Y %.1f µm of nothing; by %s", o.XUm, o.YUm, strings.Join(used, ", "))
	}
	um := s.Scope.UmPerPxX
	text := fmt.Sprintf("errs by X %.2f ± %.2f Y %.2f ± %.2f θ %.3f ± %.3f px; by %s", (o.XUm-*truth.DXUm)/um, o.UXUm/um, (o.YUm-*truth.DYUm)/um, o.UYUm/um,
		(o.ThetaDeg-*truth.ThetaDeg)*math.Pi/180*truth.LeverUm/um, o.UTheta*math.Pi/180*truth.LeverUm/um, strings.Join(used, ", "))
	return text
}

// table writes how many pictures of each kind ended in each class.
func table(w io.Writer, kinds []kind, all []outcome) error {
	counts := map[string]*[classes]int{}
	var sum [classes]int
	for _, o := range all {
		if counts[o.kind] == nil {
			counts[o.kind] = new([classes]int)
		}
		counts[o.kind][o.class]++
		sum[o.class]++
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	row := func(name string, c *[classes]int) {
		n := 0
		var cells []string
		for _, v := range c {
			n += v
			cell := "·"
			if v > 0 {
				cell = fmt.Sprint(v)
			}
			cells = append(cells, cell)
		}
		fmt.Fprintf(t, "%s\t%d\t%s\t\n", name, n, strings.Join(cells, "\t"))
	}
	fmt.Fprintf(t, "fault\tn\t%s\t\n", strings.Join(classNames[:], "\t"))
	for _, k := range kinds {
		if c := counts[k.name]; c != nil {
			row(k.name, c)
		}
	}
	row("all", &sum)
	return t.Flush()
}

// list writes what went wrong, worst class first.
func list(w io.Writer, all []outcome) {
	wrong := slices.DeleteFunc(slices.Clone(all), func(o outcome) bool { return o.class == measuredRight || o.class == refusedRight })
	slices.SortStableFunc(wrong, func(a, b outcome) int { return int(b.class - a.class) })
	for _, o := range wrong {
		fmt.Fprintf(w, "%s: seed %d, %s: %s\n", classNames[o.class], o.seed, o.kind, o.detail)
	}
}
