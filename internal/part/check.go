package part

import (
	"fmt"
	"math"

	"plumbsquare/internal/strictyaml"
)

// check adds what is wrong between values that are each right: sizes that don't fit, names
// given twice, limits that judge nothing.
func check(doc *strictyaml.Document, p *Part) {
	if doc.Sound("substrate") {
		p.checkSubstrateHolds(doc)
	}
	if p.Marks != nil {
		checkMarks(doc, "marks", p.Marks)
	}
	p.checkOrientation(doc)
	if p.Die != nil {
		p.checkDie(doc)
	}
	if p.Cap != nil {
		p.checkCap(doc)
	}
	if p.Array != nil {
		p.checkArray(doc)
	}
	p.checkLimits(doc)
	if doc.Sound("part", "substrate") && p.Die == nil && p.Cap == nil && p.Array == nil && doc.Err() == nil {
		doc.Problemf("", "want at least one of die, cap and array: there is nothing to measure")
	}
}

// checkSubstrateHolds finds what is drawn outside of the substrate.
func (p *Part) checkSubstrateHolds(doc *strictyaml.Document) {
	s := box{p.Substrate.WidthMm, p.Substrate.HeightMm}
	if doc.Sound("marks") {
		half := p.Marks.SizeMm() / 2
		for i, m := range p.Marks.At {
			if !s.holds(m.XMm, m.YMm, half, half) {
				doc.Problemf(fmt.Sprintf("marks.at[%d]", i), "mark %s at (%g, %g) mm lies outside of the substrate, which ends at ±%g and ±%g mm", m.Name, m.XMm, m.YMm, s.w/2, s.h/2)
			}
		}
	}
	if o := p.Orientation; o.By == "disc" && doc.Sound("orientation") && !s.holds(o.XMm, o.YMm, o.DiameterMm/2, o.DiameterMm/2) {
		doc.Problemf("orientation", "the disc at (%g, %g) mm lies outside of the substrate", o.XMm, o.YMm)
	}
	if d := p.Die; d != nil && doc.Sound("die") {
		fits(doc, "die", "die", s, d.WidthMm, d.HeightMm, d.XMm, d.YMm, d.ThetaDeg)
	}
	if c := p.Cap; c != nil && doc.Sound("cap") {
		fits(doc, "cap", "cap", s, c.WidthMm, c.HeightMm, c.XMm, c.YMm, c.ThetaDeg)
	}
	if a := p.Array; a != nil && doc.Sound("array.rows", "array.columns", "array.pitch_mm", "array.diameter_mm") {
		w := float64(a.Columns-1)*a.PitchMm + a.DiameterMm
		h := float64(a.Rows-1)*a.PitchMm + a.DiameterMm
		if w > s.w || h > s.h {
			doc.Problemf("array", "%d rows × %d columns at a pitch of %g mm take %.6g × %.6g mm, more than the substrate's %g × %g mm", a.Rows, a.Columns, a.PitchMm, w, h, s.w, s.h)
		}
	}
}

// fits reports a rectangle that the substrate does not hold.
func fits(doc *strictyaml.Document, path, what string, s box, w, h, x, y, thetaDeg float64) {
	halfW, halfH := turned(w, h, thetaDeg)
	switch {
	case s.holds(x, y, halfW, halfH):
	case 2*halfW > s.w || 2*halfH > s.h:
		doc.Problemf(path, "the %s of %g × %g mm is larger than the substrate of %g × %g mm", what, w, h, s.w, s.h)
	default:
		doc.Problemf(path, "the %s centred on (%g, %g) mm reaches beyond the substrate, which ends at ±%g and ±%g mm", what, x, y, s.w/2, s.h/2)
	}
}

// A box is a rectangle centred on the origin, mm.
type box struct{ w, h float64 }

// holds reports whether the box holds a rectangle with centre (x, y) and these half sides.
func (b box) holds(x, y, halfW, halfH float64) bool {
	const slack = 1e-9 // mm, against rounding
	return math.Abs(x)+halfW <= b.w/2+slack && math.Abs(y)+halfH <= b.h/2+slack
}

// turned returns half the sides of the upright box around a turned rectangle.
func turned(w, h, thetaDeg float64) (halfW, halfH float64) {
	s, c := math.Sincos(thetaDeg * math.Pi / 180)
	s, c = math.Abs(s), math.Abs(c)
	return (w*c + h*s) / 2, (w*s + h*c) / 2
}

// checkMarks judges the marks of the substrate or of the die.
func checkMarks(doc *strictyaml.Document, path string, m *Marks) {
	if !doc.Sound(path + ".shape") {
		return
	}
	for _, dim := range []struct {
		key   string
		value float64
		of    []MarkShape
	}{
		{"length_mm", m.LengthMm, []MarkShape{Cross, Square}},
		{"arm_width_mm", m.ArmWidthMm, []MarkShape{Cross}},
		{"diameter_mm", m.DiameterMm, []MarkShape{Ring, Disc}},
		{"inner_mm", m.InnerMm, []MarkShape{Ring}},
	} {
		needed := false
		for _, s := range dim.of {
			needed = needed || s == m.Shape
		}
		switch given := doc.Sound(path + "." + dim.key); {
		case needed && !given && dim.value == 0 && !doc.Has(path+"."+dim.key):
			doc.Problemf(path+"."+dim.key, "missing: a %s needs its %s", m.Shape, dim.key)
		case !needed && given:
			doc.Problemf(path+"."+dim.key, "a %s has no %s; delete the line or change the shape", m.Shape, dim.key)
		}
	}
	if doc.Sound(path+".inner_mm", path+".diameter_mm") && m.InnerMm >= m.DiameterMm {
		doc.Problemf(path+".inner_mm", "the inner diameter of %g mm must be less than the outer of %g mm", m.InnerMm, m.DiameterMm)
	}
	if doc.Sound(path+".arm_width_mm", path+".length_mm") && m.ArmWidthMm >= m.LengthMm {
		doc.Problemf(path+".arm_width_mm", "the arm width of %g mm must be less than the length of %g mm", m.ArmWidthMm, m.LengthMm)
	}
	checkMarkPlaces(doc, path, m)
}

// checkMarkPlaces finds names given twice and marks that touch.
func checkMarkPlaces(doc *strictyaml.Document, path string, m *Marks) {
	for i, b := range m.At {
		at := fmt.Sprintf("%s.at[%d]", path, i)
		if !doc.Sound(at) {
			continue
		}
		for j, a := range m.At[:i] {
			if a.Name == b.Name {
				doc.Problemf(at+".name", "the name %s is given to two marks, here and in at[%d]", b.Name, j)
				break
			}
			if max(math.Abs(a.XMm-b.XMm), math.Abs(a.YMm-b.YMm)) < m.SizeMm() {
				doc.Problemf(at, "mark %s at (%g, %g) mm overlaps mark %s at (%g, %g) mm", b.Name, b.XMm, b.YMm, a.Name, a.XMm, a.YMm)
				break
			}
		}
	}
}

func (p *Part) checkOrientation(doc *strictyaml.Document) {
	o := p.Orientation
	const quarter = 45 // degrees; from there on a square pattern looks like itself turned by 90°
	if byFixture := o.By == "fixture" || !doc.Has("orientation"); byFixture && doc.Sound("fixture.turn_limit_deg") && p.Fixture.TurnLimitDeg >= quarter {
		doc.Problemf("fixture.turn_limit_deg", "orientation by fixture can't tell quarter turns apart: want less than %d degrees, or orientation by disc or absent-mark", quarter)
	}
	if !doc.Sound("orientation.by") {
		return
	}
	for _, dim := range []struct {
		key string
		of  string
	}{{"x_mm", "disc absent-mark"}, {"y_mm", "disc absent-mark"}, {"diameter_mm", "disc"}} {
		path := "orientation." + dim.key
		needed := o.By != "fixture" && (dim.key != "diameter_mm" || o.By == "disc")
		switch {
		case needed && !doc.Has(path):
			doc.Problemf(path, "missing: orientation by %s needs its %s", o.By, dim.key)
		case !needed && doc.Has(path):
			doc.Problemf(path, "orientation by %s has no %s; delete the line", o.By, dim.key)
		}
	}
	if o.By != "fixture" && p.Marks == nil && !doc.Has("marks") {
		doc.Problemf("orientation.by", "orientation by %s needs marks", o.By)
	}
	if o.By == "fixture" || !doc.Sound("orientation", "marks") {
		return
	}
	reach := p.Marks.SizeMm() / 2
	if o.By == "disc" {
		reach += o.DiameterMm / 2
	}
	for _, m := range p.Marks.At {
		if max(math.Abs(m.XMm-o.XMm), math.Abs(m.YMm-o.YMm)) < reach {
			doc.Problemf("orientation", "%s at (%g, %g) mm lies on mark %s", o.By, o.XMm, o.YMm, m.Name)
		}
	}
}

func (p *Part) checkDie(doc *strictyaml.Document) {
	d := p.Die
	if p.Marks == nil && !doc.Has("marks") {
		doc.Problemf("marks", "missing: the die is measured from the substrate's marks")
	}
	outline := box{d.WidthMm, d.HeightMm}
	if d.Marks != nil {
		checkMarks(doc, "die.marks", d.Marks)
		if doc.Sound("die.marks", "die.width_mm", "die.height_mm") {
			half := d.Marks.SizeMm() / 2
			for i, m := range d.Marks.At {
				if !outline.holds(m.XMm, m.YMm, half, half) {
					doc.Problemf(fmt.Sprintf("die.marks.at[%d]", i), "mark %s at (%g, %g) mm lies outside of the die, which ends at ±%g and ±%g mm from its centre", m.Name, m.XMm, m.YMm, d.WidthMm/2, d.HeightMm/2)
				}
			}
		}
	} else if doc.Sound("die", "marks") && !doc.Has("die.marks") {
		p.checkDieHidesNoMark(doc)
	}
	if b := d.Bumps; b != nil && doc.Sound("die.bumps", "die.width_mm", "die.height_mm") {
		w := float64(b.Columns-1)*b.PitchMm + b.DiameterMm
		h := float64(b.Rows-1)*b.PitchMm + b.DiameterMm
		if w > d.WidthMm || h > d.HeightMm {
			doc.Problemf("die.bumps", "%d rows × %d columns at a pitch of %g mm take %.6g × %.6g mm, more than the die's %g × %g mm", b.Rows, b.Columns, b.PitchMm, w, h, d.WidthMm, d.HeightMm)
		}
		checkBelow(doc, "die.bumps.diameter_mm", "bump diameter", b.DiameterMm, "pitch", b.PitchMm)
		checkBelow(doc, "die.bumps.pad_mm", "pad diameter", b.PadMm, "pitch", b.PitchMm)
	}
}

// checkDieHidesNoMark finds marks of the substrate that an opaque die covers.
func (p *Part) checkDieHidesNoMark(doc *strictyaml.Document) {
	d, half := p.Die, p.Marks.SizeMm()/2
	s, c := math.Sincos(d.ThetaDeg * math.Pi / 180)
	for i, m := range p.Marks.At {
		dx, dy := m.XMm-d.XMm, m.YMm-d.YMm
		x, y := c*dx+s*dy, -s*dx+c*dy // along the die's axes
		if math.Abs(x) < d.WidthMm/2+half && math.Abs(y) < d.HeightMm/2+half {
			doc.Problemf(fmt.Sprintf("marks.at[%d]", i), "mark %s lies under the die, which hides it; a die seen through needs die.marks", m.Name)
		}
	}
}

func (p *Part) checkCap(doc *strictyaml.Document) {
	c := p.Cap
	if c.Datum == "marks" && !doc.Has("marks") {
		doc.Problemf("cap.datum", "the cap is measured from marks, but the part has none")
	}
	if doc.Sound("cap.corner_radius_mm", "cap.width_mm", "cap.height_mm") && 2*c.CornerRadiusMm > min(c.WidthMm, c.HeightMm) {
		doc.Problemf("cap.corner_radius_mm", "a corner radius of %g mm is more than half of the shorter side", c.CornerRadiusMm)
	}
	if d := p.Die; d != nil && doc.Sound("cap", "die.top_mm", "cap.top_mm") && c.TopMm <= d.TopMm {
		doc.Problemf("cap.top_mm", "the cap's top at %g mm must be above the die's at %g mm", c.TopMm, d.TopMm)
	}
}

// checkBelow reports a value that is not below another one, where it is given.
func checkBelow(doc *strictyaml.Document, path, what string, value float64, other string, bound float64) {
	if doc.Sound(path) && value >= bound {
		doc.Problemf(path, "a %s of %g mm must be less than the %s of %g mm", what, value, other, bound)
	}
}

// checkLimits finds limits on something that the part does not have.
func (p *Part) checkLimits(doc *strictyaml.Document) {
	for _, l := range []struct{ key, needs, why string }{
		{"offset_x_um", "die", "a die"}, {"offset_y_um", "die", "a die"}, {"theta_deg", "die", "a die"}, {"size_um", "die", "a die"},
		{"bump_um", "die.bumps", "die.bumps"}, {"bump_pad_percent", "die.bumps.pad_mm", "die.bumps with pad_mm"},
		{"cap_x_um", "cap", "a cap"}, {"cap_y_um", "cap", "a cap"}, {"cap_theta_deg", "cap", "a cap"},
		{"shrink_percent", "marks", "marks"},
		{"missing", "array", "an array"}, {"tip_um", "array", "an array"}, {"tilt_deg", "array", "an array"}, {"coplanarity_um", "array", "an array"},
	} {
		if doc.Has("limits."+l.key) && !doc.Has(l.needs) {
			doc.Problemf("limits."+l.key, "this limit needs %s, which the part does not have", l.why)
		}
	}
	if a := p.Array; a != nil && a.Kind == "balls" && doc.Sound("limits.coplanarity_um", "array.kind") {
		doc.Problemf("limits.coplanarity_um", "balls aren't looked at from the side; this limit is for columns")
	}
	if a := p.Array; a != nil && doc.Sound("limits.tilt_deg", "array.kind") {
		switch {
		case a.Kind == "balls":
			doc.Problemf("limits.tilt_deg", "balls don't lean; this limit is for columns")
		case !doc.Has("array.height_mm"):
			doc.Problemf("array.height_mm", "missing: the lean of a column can't be judged without its height")
		}
	}
}
