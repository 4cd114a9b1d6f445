package overlay

import (
	"fmt"
	"image"
	"strings"

	"plumbsquare/internal/reading"
)

// strip writes the verdict, the values and the legend into a box below the picture.
func (d *drawing) strip(box image.Rectangle) {
	d.fill(strip, box)
	u := d.unit
	top := float64(box.Min.Y)
	d.badge(d.r.Verdict.Decision, point{50 * u, top + 52*u}, 28*u)
	verdict := label{size: 40 * u, bold: true, colour: white, bare: true}
	d.text(verdict, point{94 * u, top + 50*u}, string(d.r.Verdict.Decision))
	left := 94 * u
	legendAt := 740 * u
	if len(d.notes) == 0 {
		legendAt = float64(box.Max.X)
	}
	values := label{size: 22 * u, colour: white, bare: true}
	d.text(values, point{left + d.width(verdict, string(d.r.Verdict.Decision)) + 22*u, top + 48*u}, d.head())
	line := top + 82*u
	for _, v := range d.values() {
		l := values
		for l.size > 16*u && d.width(l, v) > legendAt-left-12*u {
			l.size -= u
		}
		d.text(l, point{left, line}, d.fit(l, v, legendAt-left-12*u))
		line += 27 * u
	}
	small := label{size: 15 * u, colour: pale, bare: true}
	d.text(small, point{left, float64(box.Max.Y) - 12*u}, d.fit(small, d.source(), legendAt-left-12*u))
	d.legend(point{legendAt, top})
}

// head is what the picture shows, beside the verdict.
func (d *drawing) head() string {
	words := []string{d.r.Source.Part, string(d.r.Shot.View)}
	if d.r.Shot.Sample != "" {
		words = append(words, strings.TrimSpace("sample "+d.r.Shot.Sample))
	}
	return strings.Join(words, "  ·  ")
}

// values are the lines of what was measured.
func (d *drawing) values() []string {
	var lines []string
	three := func(x, ux, y, uy, t, ut float64) string {
		return fmt.Sprintf("X %s µm   Y %s µm   θ %s°", reading.PlusMinus(x, 2*ux), reading.PlusMinus(y, 2*uy), degrees(t, 2*ut))
	}
	switch o, a := d.r.Offset, d.r.Array; {
	case d.r.Refusal != nil:
		lines = append(lines, d.r.Refusal.Instruction)
	case o != nil:
		lines = append(lines, three(o.XUm, o.UXUm, o.YUm, o.UYUm, o.ThetaDeg, o.UTheta))
	case a != nil:
		text := fmt.Sprintf("%d %s: %d present, %d missing", len(a.Sites), a.Kind, a.Present, a.Missing)
		if a.Kind == "columns" {
			text += fmt.Sprintf(", %d tilted", a.Tilted)
		}
		if a.Bridged > 0 {
			text += fmt.Sprintf(", %d bridged", a.Bridged)
		}
		if a.Doubled > 0 {
			text += fmt.Sprintf(", %d doubled", a.Doubled)
		}
		if a.UCoplanarityUm > 0 {
			text += fmt.Sprintf(", coplanarity %s µm", reading.PlusMinus(a.CoplanarityUm, 2*a.UCoplanarityUm))
		}
		lines = append(lines, text)
	}
	if d.r.Refusal != nil {
		return lines
	}
	for _, r := range d.r.Verdict.Reasons {
		if r.Decision != reading.Accept {
			return append(lines, r.Text)
		}
	}
	if len(d.r.Warnings) > 0 {
		return append(lines, d.r.Warnings[0])
	}
	return lines
}

// degrees writes an angle so that "±" binds before the degree sign.
func degrees(v, u float64) string {
	s := reading.PlusMinus(v, u)
	if strings.Contains(s, "±") {
		return "(" + s + ")"
	}
	return s
}

// source is the small print.
func (d *drawing) source() string {
	words := []string{d.r.PictureName()}
	if d.r.Shot.Lot != "" {
		words = append(words, "lot "+d.r.Shot.Lot)
	}
	words = append(words, "scope "+d.r.Source.Scope)
	if d.r.Refusal == nil {
		words = append(words, "± is k = 2")
	}
	return strings.Join(words, "  ·  ")
}

// fit cuts text that is too wide.
func (d *drawing) fit(l label, s string, width float64) string {
	if d.width(l, s) <= width {
		return s
	}
	runes := []rune(s)
	for len(runes) > 0 && d.width(l, string(runes)+"…") > width {
		runes = runes[:len(runes)-1]
	}
	return string(runes) + "…"
}

// legend explains the signs, in two columns.
func (d *drawing) legend(at point) {
	u := d.unit
	text := label{size: 15 * u, colour: white, bare: true}
	const rows = 5
	for i, n := range d.notes {
		c := at.add(float64(i/rows)*128*u, (24+float64(i%rows)*25)*u)
		if n.draw != nil {
			n.draw(c, c.add(32*u, 0))
		}
		d.text(text, c.add(40*u, 5*u), n.text)
	}
}
