// Package verdict holds readings against limits by the decision rule of ISO 14253-1: a value is
// accepted when it lies inside its limits by its expanded uncertainty U = 2u, rejected when it
// lies outside by as much, and reviewed in between.
package verdict

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// Coverage is the factor that expands a standard uncertainty: about 95 % of true values lie
// inside value ± Coverage·u.
const Coverage = 2

// Decide holds |value| against limit. A value exactly on a limit drawn in or out by U counts as
// inside, as in ISO 14253-1.
func Decide(value, u, limit float64) reading.Decision {
	a, expanded := math.Abs(value), Coverage*u
	switch {
	case a <= limit-expanded:
		return reading.Accept
	case a > limit+expanded:
		return reading.Reject
	}
	return reading.Review
}

// Judge returns the verdict on a measured reading of a part. Its reasons list what isn't accepted,
// worst first; warnings that make a reading doubtful hold it at review.
func Judge(r *reading.Reading, p *part.Part, doubtful []string) reading.Verdict {
	var j judge
	l := p.Limits
	if s := r.Substrate; s != nil && s.UScale > 0 {
		j.shrink(s, l)
	}
	if o := r.Offset; o != nil {
		if p.Die != nil && o.Of == "die" {
			j.size(o, p.Die, l.SizeUm)
		}
		j.offset(o, l)
		if o.Bump != nil && o.Of == "die" && p.Die != nil {
			j.bump(o.Bump, p.Die, l)
		}
	}
	if a := r.Array; a != nil {
		j.array(a, l)
	}
	for _, d := range doubtful {
		j.reasons = append(j.reasons, reading.Reason{What: "doubt", Decision: reading.Review, Text: d})
	}
	return j.verdict()
}

type judge struct{ reasons []reading.Reason }

func (j *judge) hold(what, name string, value, u, limit float64, unit string) {
	if limit <= 0 {
		return
	}
	d := Decide(value, u, limit)
	if d == reading.Accept {
		return
	}
	word := "is beyond its limit of"
	if d == reading.Review {
		word = "is too close to tell from its limit of"
	}
	j.reasons = append(j.reasons, reading.Reason{
		What: what, Decision: d, Value: value, Expanded: Coverage * u, Limit: limit,
		Text: fmt.Sprintf("%s, %s %s, %s %g %s", name, reading.PlusMinus(value, Coverage*u), unit, word, limit, unit),
	})
}

// shrink holds the scale that the marks show against its limit. The ceramic is not the only one that
// may be off: with another scope file or magnification everything else is wrong by as much.
func (j *judge) shrink(s *reading.Substrate, l part.Limits) {
	before := len(j.reasons)
	j.hold("shrink_percent", "the substrate's size less the drawn one", 100*(s.Scale-1), 100*s.UScale, l.ShrinkPercent, "%")
	for i := before; i < len(j.reasons); i++ {
		j.reasons[i].Text += ": if other samples show it too, check that the scope file belongs to this scope and magnification"
	}
}

func (j *judge) offset(o *reading.Offset, l part.Limits) {
	x, y, theta := l.OffsetXUm, l.OffsetYUm, l.ThetaDeg
	if o.Of == "cap" {
		x, y, theta = l.CapXUm, l.CapYUm, l.CapThetaDeg
	}
	j.hold("offset_x_um", "the X offset", o.XUm, o.UXUm, x, "µm")
	j.hold("offset_y_um", "the Y offset", o.YUm, o.UYUm, y, "µm")
	j.hold("theta_deg", "the turn", o.ThetaDeg, o.UTheta, theta, "°")
}

// bump holds the worst bump against its limits. Surface tension draws a die straight at reflow from
// as far as a share of the pad's diameter, so the limit may be stated as one (common practice, no
// source).
func (j *judge) bump(b *reading.Bump, d *part.Die, l part.Limits) {
	name := fmt.Sprintf("the misregistration at bump row %d column %d", b.Row, b.Column)
	j.hold("bump_um", name, b.MissUm, b.UUm, l.BumpUm, "µm")
	if d.Bumps != nil && d.Bumps.PadMm > 0 {
		share := 100 / (1000 * d.Bumps.PadMm)
		j.hold("bump_pad_percent", name+" as a share of the pad", share*b.MissUm, share*b.UUm, l.BumpPadPercent, "%")
	}
}

// size holds the die's sides against the drawing: a die of another size is another die.
func (j *judge) size(o *reading.Offset, d *part.Die, limitUm float64) {
	j.hold("width_um", "the die side along X less the drawn one", o.WidthUm-1000*d.WidthMm, o.UWidthUm, limitUm, "µm")
	j.hold("height_um", "the die side along Y less the drawn one", o.HeightUm-1000*d.HeightMm, o.UHeightUm, limitUm, "µm")
}

func (j *judge) array(a *reading.Array, l part.Limits) {
	one := "column"
	if a.Kind == "balls" {
		one = "ball"
	}
	if l.Missing != nil && a.Missing > *l.Missing {
		j.reasons = append(j.reasons, reading.Reason{
			What: "missing", Decision: reading.Reject, Value: float64(a.Missing), Limit: float64(*l.Missing),
			Text: fmt.Sprintf("%s missing, %d allowed: %s", are(a.Missing, one), *l.Missing, names(a.Sites, reading.Missing)),
		})
	}
	// No drawing allows these, so they need no limit: a bridge shorts two balls, a second ball on a
	// pad keeps the package from seating.
	for _, c := range [2]struct {
		state string
		n     int
	}{{reading.Bridged, a.Bridged}, {reading.Doubled, a.Doubled}} {
		if c.n > 0 {
			j.reasons = append(j.reasons, reading.Reason{
				What: c.state, Decision: reading.Reject, Value: float64(c.n),
				Text: fmt.Sprintf("%s %s: %s", are(c.n, one), c.state, names(a.Sites, c.state)),
			})
		}
	}
	unseen := 0
	for _, s := range a.Sites {
		switch s.State {
		case reading.Missing:
			continue
		case reading.Unseen:
			unseen++
			continue
		}
		j.hold("tilt_deg "+s.Name, "the tilt of "+one+" "+s.Name, s.TiltDeg, s.UTiltDeg, l.TiltDeg, "°")
		j.hold("tip_um "+s.Name, "the distance of "+one+" "+s.Name+" from its site", math.Hypot(s.DXUm, s.DYUm), s.UUm, l.TipUm, "µm")
		if c := s.Silhouette; c != nil {
			j.hold("coplanarity_um "+s.Name, "how far the tip of "+one+" "+s.Name+" lies below the seating plane", -c.SeatingUm, c.USeatingUm, l.CoplanarityUm, "µm")
		}
	}
	if unseen > 0 {
		j.reasons = append(j.reasons, reading.Reason{
			What: "unseen", Decision: reading.Review, Value: float64(unseen),
			Text: fmt.Sprintf("%d sites can't be seen in the picture", unseen),
		})
	}
}

// are begins a sentence on n columns or balls: "1 ball is", "3 columns are".
func are(n int, one string) string {
	if n == 1 {
		return "1 " + one + " is"
	}
	return fmt.Sprintf("%d %ss are", n, one)
}

// names lists the sites of a state, the first ten of them.
func names(sites []reading.Site, state string) string {
	var all []string
	for _, s := range sites {
		if s.State == state {
			all = append(all, s.Name)
		}
	}
	if len(all) > 10 {
		return strings.Join(all[:10], ", ") + " …"
	}
	return strings.Join(all, ", ")
}

// verdict sorts the reasons: rejects first, then by how far beyond its limit the value lies.
func (j *judge) verdict() reading.Verdict {
	slices.SortStableFunc(j.reasons, func(a, b reading.Reason) int {
		if a.Decision != b.Decision {
			if a.Decision == reading.Reject {
				return -1
			}
			return 1
		}
		return cmp.Compare(excess(b), excess(a))
	})
	v := reading.Verdict{Decision: reading.Accept, Reasons: j.reasons}
	if len(j.reasons) > 0 {
		v.Decision = j.reasons[0].Decision
	}
	return v
}

func excess(r reading.Reason) float64 {
	switch {
	case r.What == reading.Missing, r.What == reading.Bridged, r.What == reading.Doubled:
		return math.Inf(1)
	case r.Limit == 0:
		return 0
	}
	return math.Abs(r.Value) / r.Limit
}
