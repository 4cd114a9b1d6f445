package drawing

import (
	"fmt"

	"plumbsquare/internal/part"
)

// Styles that the panels and the key share.
var (
	capStyle      = style{stroke: vermilion, width: 1.8, dash: "9 5"}
	dieStyle      = style{fill: blue, opacity: 0.13, stroke: blue, width: 1.8}
	bumpStyle     = style{fill: white, stroke: sky, width: 0.9}
	markStyle     = style{fill: orange, stroke: "#8a5f00", width: 0.8}
	dieMarkStyle  = style{fill: green, stroke: "#00553e", width: 0.8}
	noMarkStyle   = style{stroke: "#8a5f00", width: 1.1, dash: "3 2.5"}
	columnStyle   = style{fill: "#dbeaf4", stroke: blue, width: 1}
	padStyle      = style{stroke: "#b9b2a0", width: 0.8}
	noColumnStyle = style{stroke: grey, width: 0.7, dash: "2.5 2.5"}
)

// dieSide draws the side with marks, die and cap.
func (f frame) dieSide(p *part.Part) {
	f.substrate(p.Substrate, "die side")
	if c := p.Cap; c != nil {
		s := capStyle
		s.turn, s.cx, s.cy = -c.ThetaDeg, f.x(c.XMm), f.y(c.YMm)
		f.rect(f.x(c.XMm-c.WidthMm/2), f.y(c.YMm+c.HeightMm/2), f.k*c.WidthMm, f.k*c.HeightMm, f.k*c.CornerRadiusMm, s, fmt.Sprintf("cap %s × %s mm at (%s, %s)", num(c.WidthMm), num(c.HeightMm), num(c.XMm), num(c.YMm)))
		f.text(f.x(c.XMm+c.WidthMm/2)-10, f.y(c.YMm-c.HeightMm/2)-9, label{size: 13, fill: vermilion, anchor: "end"}, fmt.Sprintf("cap %s × %s", num(c.WidthMm), num(c.HeightMm)))
	}
	if p.Die != nil {
		f.die(p.Die)
	}
	f.axes(p.Substrate)
	f.marks(p.Marks, markStyle, 0, 0)
	switch o := p.Orientation; o.By {
	case "disc":
		f.circle(f.x(o.XMm), f.y(o.YMm), f.k*o.DiameterMm/2, markStyle, fmt.Sprintf("orientation disc at (%s, %s)", num(o.XMm), num(o.YMm)))
		f.text(f.x(o.XMm+o.DiameterMm/2)+6, f.y(o.YMm)+4, label{size: 12, anchor: "start"}, "orientation")
	case "absent-mark":
		m := *p.Marks
		m.At = []part.Place{{Name: "no mark", XMm: o.XMm, YMm: o.YMm}}
		f.marks(&m, noMarkStyle, 0, 0)
	}
}

// die draws the die with its bumps and marks, turned as a whole to its nominal theta.
func (f frame) die(d *part.Die) {
	cx, cy := f.x(d.XMm), f.y(d.YMm)
	fmt.Fprintf(&f.b, `<g transform="rotate(%s %s %s)">`+"\n", px(-d.ThetaDeg), px(cx), px(cy))
	f.rect(f.x(d.XMm-d.WidthMm/2), f.y(d.YMm+d.HeightMm/2), f.k*d.WidthMm, f.k*d.HeightMm, 0, dieStyle, fmt.Sprintf("die %s × %s mm at (%s, %s)", num(d.WidthMm), num(d.HeightMm), num(d.XMm), num(d.YMm)))
	if b := d.Bumps; b != nil {
		diameter := b.DiameterMm
		if diameter == 0 {
			diameter = 0.4 * b.PitchMm
		}
		for row := range b.Rows {
			for column := range b.Columns {
				x := d.XMm + (float64(column)-float64(b.Columns-1)/2)*b.PitchMm
				y := d.YMm + (float64(b.Rows-1)/2-float64(row))*b.PitchMm
				f.circle(f.x(x), f.y(y), f.k*diameter/2, bumpStyle, "")
			}
		}
	}
	f.marks(d.Marks, dieMarkStyle, d.XMm, d.YMm)
	f.text(cx+8, f.y(d.YMm-d.HeightMm/2)+17, label{size: 13, fill: blue, anchor: "start", halo: ceramic}, fmt.Sprintf("die %s × %s", num(d.WidthMm), num(d.HeightMm)))
	if d.XMm != 0 || d.YMm != 0 {
		const arm = 7 // px
		cross := style{stroke: blue, width: 1.4}
		f.line(cx-arm, cy, cx+arm, cy, cross)
		f.line(cx, cy-arm, cx, cy+arm, cross)
		f.text(cx+10, cy-8, label{size: 12, fill: blue, anchor: "start"}, fmt.Sprintf("(%s, %s)", num(d.XMm), num(d.YMm)))
	}
	f.b.WriteString("</g>\n")
}

// marks draws marks whose places count from (x0, y0), with their names.
func (f frame) marks(m *part.Marks, s style, x0, y0 float64) {
	if m == nil {
		return
	}
	for _, at := range m.At {
		x, y := f.x(x0+at.XMm), f.y(y0+at.YMm)
		title := fmt.Sprintf("%s at (%s, %s)", at.Name, num(at.XMm), num(at.YMm))
		f.mark(m, x, y, f.k, s, title)
		// The name goes toward the middle in x and away from it in y, clear of edges and bumps.
		l, nx, ny := label{size: 12, anchor: "start"}, x+f.k*m.SizeMm()/2+5, y-5
		if at.XMm > 0 {
			l.anchor, nx = "end", x-f.k*m.SizeMm()/2-5
		}
		if at.YMm < 0 {
			ny = y + 14
		}
		f.text(nx, ny, l, at.Name)
	}
}

// mark draws one mark centred on (x, y) px.
func (c *canvas) mark(m *part.Marks, x, y, k float64, s style, title string) {
	switch m.Shape {
	case part.Cross:
		l, a := k*m.LengthMm/2, k*m.ArmWidthMm/2
		c.path(fmt.Sprintf("M%s %sh%sv%sh%sv%sh%sv%sh%sv%sh%sv%sh%sz", px(x-a), px(y-l),
			px(2*a), px(l-a), px(l-a), px(2*a), px(a-l), px(l-a), px(-2*a), px(a-l), px(a-l), px(-2*a), px(l-a)), s, title)
	case part.Square:
		l := k * m.LengthMm
		c.rect(x-l/2, y-l/2, l, l, 0, s, title)
	case part.Disc:
		c.circle(x, y, k*m.DiameterMm/2, s, title)
	case part.Ring:
		ring := func(r float64) string {
			return fmt.Sprintf("M%s %sa%s %s 0 1 0 %s 0a%s %s 0 1 0 %s 0z", px(x-r), px(y), px(r), px(r), px(2*r), px(r), px(r), px(-2*r))
		}
		fmt.Fprintf(&c.b, `<g fill-rule="evenodd">`)
		c.path(ring(k*m.DiameterMm/2)+ring(k*m.InnerMm/2), s, title)
		c.b.WriteString("</g>\n")
	}
}
