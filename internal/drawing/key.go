package drawing

import (
	"fmt"
	"strings"

	"plumbsquare/internal/part"
)

// A keyLine is one line of the key: a heading with a sample beside it, or a detail below one.
type keyLine struct {
	sample func(c *canvas, x, y float64) // drawn in a box of 22 px, centred; nil for a detail
	text   string
}

const (
	keyRowPx   = 19.0
	keyGroupPx = 13.0 // extra room above a heading
)

func keyHeight(lines []keyLine) float64 {
	h := 30.0
	for _, l := range lines {
		h += keyRowPx
		if l.sample != nil {
			h += keyGroupPx
		}
	}
	return h
}

func drawKey(c *canvas, x, y float64, lines []keyLine) {
	y += 12
	for _, l := range lines {
		y += keyRowPx
		if l.sample == nil {
			c.text(x+36, y, label{size: 13, anchor: "start"}, l.text)
			continue
		}
		y += keyGroupPx
		l.sample(c, x+14, y-4.5)
		c.text(x+36, y, label{size: 14, weight: "bold", anchor: "start"}, l.text)
	}
}

// keyLines says in words all that the part file states.
func keyLines(p *part.Part) []keyLine {
	var k key
	s := p.Substrate
	k.add(swatch(style{fill: ceramic, stroke: ink, width: 1.4}), "substrate")
	k.detail("%s", sizes(s.WidthMm, s.HeightMm, s.ThicknessMm))
	k.marks("marks", p.Marks, markStyle)
	k.orientation(p)
	k.die(p.Die)
	if c := p.Cap; c != nil {
		k.add(swatch(capStyle), "cap")
		k.detail("%s, corners %s, at %s", sizes(c.WidthMm, c.HeightMm), num(c.CornerRadiusMm), pose(c.XMm, c.YMm, c.ThetaDeg))
		k.detail("top %s above the substrate", num(c.TopMm))
		k.detail("measured from the %s", datumName(c.Datum))
	}
	k.array(p.Array)
	k.limits(p)
	return k.lines
}

type key struct{ lines []keyLine }

func (k *key) add(sample func(*canvas, float64, float64), text string) {
	k.lines = append(k.lines, keyLine{sample, text})
}

func (k *key) detail(format string, args ...any) {
	k.lines = append(k.lines, keyLine{nil, fmt.Sprintf(format, args...)})
}

func (k *key) marks(heading string, m *part.Marks, s style) {
	if m == nil {
		return
	}
	k.add(markSample(m, s), heading)
	switch m.Shape {
	case part.Cross:
		k.detail("%d crosses, %s tip to tip, arms %s wide", len(m.At), num(m.LengthMm), num(m.ArmWidthMm))
	case part.Square:
		k.detail("%d squares, side %s", len(m.At), num(m.LengthMm))
	case part.Disc:
		k.detail("%d discs, diameter %s", len(m.At), num(m.DiameterMm))
	case part.Ring:
		k.detail("%d rings, diameter %s, inner %s", len(m.At), num(m.DiameterMm), num(m.InnerMm))
	}
	if m.PlaneMm != 0 {
		k.detail("%s above the substrate", num(m.PlaneMm))
	}
	const most = 8 // names; the rest are in the drawing
	for i, at := range m.At {
		if i == most {
			k.detail("and %d more", len(m.At)-most)
			break
		}
		k.detail("%s (%s, %s)", at.Name, num(at.XMm), num(at.YMm))
	}
}

func (k *key) orientation(p *part.Part) {
	switch o := p.Orientation; o.By {
	case "disc":
		disc := &part.Marks{Shape: part.Disc, DiameterMm: 1}
		k.add(markSample(disc, markStyle), "orientation")
		k.detail("disc, diameter %s, at (%s, %s)", num(o.DiameterMm), num(o.XMm), num(o.YMm))
	case "absent-mark":
		k.add(markSample(p.Marks, noMarkStyle), "orientation")
		k.detail("no mark at (%s, %s)", num(o.XMm), num(o.YMm))
	default:
		k.add(nothing, "orientation")
		k.detail("by the fixture")
	}
}

func (k *key) die(d *part.Die) {
	if d == nil {
		return
	}
	k.add(swatch(dieStyle), "die")
	k.detail("%s at %s", sizes(d.WidthMm, d.HeightMm), pose(d.XMm, d.YMm, d.ThetaDeg))
	k.detail("top %s above the substrate", num(d.TopMm))
	k.marks("marks on the die, from its centre", d.Marks, dieMarkStyle)
	if b := d.Bumps; b != nil {
		k.add(func(c *canvas, x, y float64) { c.circle(x, y, 5, bumpStyle, "") }, "bumps")
		diameter := ", diameter not stated"
		if b.DiameterMm > 0 {
			diameter = ", diameter " + num(b.DiameterMm)
		}
		k.detail("%d rows × %d columns, pitch %s%s", b.Rows, b.Columns, num(b.PitchMm), diameter)
		if b.PadMm > 0 {
			k.detail("pads %s", num(b.PadMm))
		}
	}
}

func (k *key) array(a *part.Array) {
	if a == nil {
		return
	}
	sites, _ := a.Sites() // the panel has drawn them, so there is no error
	k.add(func(c *canvas, x, y float64) { c.circle(x, y, 8, columnStyle, "") }, a.Kind)
	k.detail("%d rows × %d columns, pitch %s, diameter %s", a.Rows, a.Columns, num(a.PitchMm), num(a.DiameterMm))
	heights := []string{fmt.Sprintf("height %s", num(a.HeightMm))}
	if a.EquatorMm > 0 {
		heights = append(heights, "widest at "+num(a.EquatorMm))
	}
	if a.PadMm > 0 {
		heights = append(heights, "pads "+num(a.PadMm))
	}
	k.detail("%s", strings.Join(heights, ", "))
	k.detail("%s, measured from the %s", counted(len(sites), "site"), datumName(a.Datum))
	if absent := a.Rows*a.Columns - len(sites); absent > 0 {
		k.add(func(c *canvas, x, y float64) { c.circle(x, y, 8, noColumnStyle, "") }, "absent")
		k.detail("%s that the part does not have", counted(absent, "site"))
	}
}

func (k *key) limits(p *part.Part) {
	l := p.Limits
	var rows []string
	add := func(value float64, format string) {
		if value != 0 {
			rows = append(rows, fmt.Sprintf(format, num(value)))
		}
	}
	add(l.OffsetXUm, "die X ±%s µm")
	add(l.OffsetYUm, "die Y ±%s µm")
	add(l.ThetaDeg, "die θ ±%s°, counter-clockwise positive")
	add(l.BumpUm, "worst bump %s µm")
	add(l.SizeUm, "die sides ±%s µm")
	add(l.CapXUm, "cap X ±%s µm")
	add(l.CapYUm, "cap Y ±%s µm")
	add(l.CapThetaDeg, "cap θ ±%s°")
	add(l.ShrinkPercent, "substrate's scale ±%s %%")
	if l.Missing != nil {
		rows = append(rows, fmt.Sprintf("missing: %d", *l.Missing))
	}
	add(l.TiltDeg, "tilt %s°")
	add(l.TipUm, "place of a tip or ball %s µm")
	k.add(nothing, "limits")
	if len(rows) == 0 {
		rows = []string{"none"}
	}
	for _, r := range rows {
		k.detail("%s", r)
	}
}

func nothing(*canvas, float64, float64) {}

func swatch(s style) func(*canvas, float64, float64) {
	return func(c *canvas, x, y float64) { c.rect(x-11, y-8, 22, 16, 0, s, "") }
}

// markSample draws a mark as large as the box, in its own proportions.
func markSample(m *part.Marks, s style) func(*canvas, float64, float64) {
	return func(c *canvas, x, y float64) {
		c.mark(m, x, y, 18/m.SizeMm(), s, "")
	}
}

// datumName says what a thing is measured from.
func datumName(datum string) string {
	switch datum {
	case "outline":
		return "substrate's outline"
	case "array":
		return "best fit of the array"
	}
	return datum
}

// counted says how many, "1 site" or "2 sites".
func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// sizes joins those sizes that are stated.
func sizes(mm ...float64) string {
	var text []string
	for _, x := range mm {
		if x > 0 {
			text = append(text, num(x))
		}
	}
	return strings.Join(text, " × ")
}

// pose says where the centre belongs, and how it is turned when it is.
func pose(x, y, thetaDeg float64) string {
	at := fmt.Sprintf("(%s, %s)", num(x), num(y))
	if thetaDeg != 0 {
		at += fmt.Sprintf(", turned %s°", num(thetaDeg))
	}
	return at
}
