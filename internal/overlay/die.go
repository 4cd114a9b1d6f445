package overlay

import (
	"fmt"
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// A note is a line of the strip's legend.
type note struct {
	text string
	draw func(left, right point) // a sample, may be nil
}

// marks rings each mark with its name; one that isn't used is dashed and says why.
func (d *drawing) marks() {
	var used, unused bool
	draw := func(m reading.Mark, radiusPx float64) {
		c := d.at(m.XPx, m.YPx)
		r := max(radiusPx*d.zoom, 6*d.unit)
		name := label{size: 19 * d.unit, bold: true, colour: skyBlue}
		if m.Used {
			used = true
			d.circle(d.line(pen{colour: skyBlue}), c, r)
			cross := d.line(pen{colour: skyBlue, width: 0.8})
			d.polyline(cross, c.add(-r*0.35, 0), c.add(r*0.35, 0))
			d.polyline(cross, c.add(0, -r*0.35), c.add(0, r*0.35))
		} else {
			unused = true
			name.colour = orange
			d.circle(d.line(pen{colour: orange, width: 1.6, dash: 7}), c, r)
		}
		text := m.Name
		if m.Note != "" {
			text += ": " + m.Note
		}
		// Names stand on the side that has room.
		at := c.add(0.8*r+4*d.unit, -0.8*r)
		if at.x+d.width(name, text) > float64(d.g.W)*d.zoom {
			at = c.add(-0.8*r-4*d.unit, -0.8*r)
			name.align = 1
		}
		d.text(name, at, text)
	}
	if s := d.r.Substrate; s != nil {
		for _, m := range s.Marks {
			draw(m, d.markRadius(d.p.Marks, 0))
		}
	}
	if o := d.r.Offset; o != nil && d.p.Die != nil {
		for _, m := range o.Marks {
			draw(m, d.markRadius(d.p.Die.Marks, d.p.Die.TopMm))
		}
	}
	if used {
		d.notes = append(d.notes, note{"mark", func(l, r point) {
			c := point{(l.x + r.x) / 2, l.y}
			d.circle(d.line(pen{colour: skyBlue}), c, 8*d.unit)
		}})
	}
	if unused {
		d.notes = append(d.notes, note{"mark not used", func(l, r point) {
			c := point{(l.x + r.x) / 2, l.y}
			d.circle(d.line(pen{colour: orange, width: 1.6, dash: 4}), c, 8*d.unit)
		}})
	}
}

// markRadius returns the radius of a ring around a mark, picture px.
func (d *drawing) markRadius(m *part.Marks, heightMm float64) float64 {
	if m == nil {
		return 0
	}
	half := max(m.LengthMm, m.DiameterMm) / 2
	if m.Shape == part.Square {
		half *= math.Sqrt2
	}
	return 1.25 * half * 1000 / d.s.Plane(d.g.W, d.g.H, heightMm).UmPerPx()
}

// edges draws fitted edges.
func (d *drawing) edges(edges []reading.Edge, what string) {
	if len(edges) == 0 {
		return
	}
	for _, e := range edges {
		a, b := d.at(e.X1Px, e.Y1Px), d.at(e.X2Px, e.Y2Px)
		p := d.line(pen{colour: skyBlue})
		d.polyline(p, a, b)
		if e.Used < 0.5 {
			side := label{size: 17 * d.unit, colour: orange, align: 0.5, bold: true}
			d.text(side, point{(a.x + b.x) / 2, (a.y+b.y)/2 - 6*d.unit}, fmt.Sprintf("%.0f %% of this edge used", 100*e.Used))
		}
	}
	d.notes = append(d.notes, note{what, func(l, r point) { d.polyline(d.line(pen{colour: skyBlue}), l, r) }})
}

// outline draws the edges of the substrate where it is the datum.
func (d *drawing) outline() {
	if d.r.Substrate != nil {
		d.edges(d.r.Substrate.Edges, "substrate, fitted")
	}
}

// A target is what a die or cap should be.
type target struct {
	centre                 geom.DrawingPoint
	thetaDeg               float64
	widthUm, heightUm      float64
	topMm                  float64
	limX, limY, limThetaDg float64
}

func (d *drawing) target() (target, bool) {
	o, p := d.r.Offset, d.p
	switch {
	case o == nil:
	case o.Of == "cap" && p.Cap != nil:
		k := p.Cap
		return target{geom.MmPoint(k.XMm, k.YMm), k.ThetaDeg, 1000 * k.WidthMm, 1000 * k.HeightMm, k.TopMm,
			p.Limits.CapXUm, p.Limits.CapYUm, p.Limits.CapThetaDeg}, true
	case o.Of == "die" && p.Die != nil:
		k := p.Die
		return target{k.Centre(), k.ThetaDeg, 1000 * k.WidthMm, 1000 * k.HeightMm, k.TopMm,
			p.Limits.OffsetXUm, p.Limits.OffsetYUm, p.Limits.ThetaDeg}, true
	}
	return target{}, false
}

// offset draws the fitted edges, the nominal outline, and the offset enlarged.
func (d *drawing) offset() {
	t, ok := d.target()
	pose, known := d.pose()
	if !ok || !known {
		return
	}
	o := d.r.Offset
	d.edges(o.Edges, o.Of+", fitted")

	scale := d.r.Substrate.Scale
	if !(scale > 0) {
		scale = 1
	}
	nominal := geom.DrawingPoint{X: t.centre.X * geom.Length(scale), Y: t.centre.Y * geom.Length(scale)}
	corner := func(sx, sy float64) point {
		sin, cos := math.Sincos(t.thetaDeg * math.Pi / 180)
		x, y := sx*t.widthUm/2, sy*t.heightUm/2
		return d.see(pose, geom.DrawingPoint{X: nominal.X + geom.Length(cos*x-sin*y), Y: nominal.Y + geom.Length(sin*x+cos*y)}, t.topMm)
	}
	dash := d.line(pen{colour: yellow, dash: 9})
	d.polyline(dash, corner(-1, 1), corner(1, 1), corner(1, -1), corner(-1, -1), corner(-1, 1))
	d.notes = append(d.notes, note{"nominal", func(l, r point) { d.polyline(dash, l, r) }})
	d.enlarged(pose, nominal, t)
}

// enlarged draws the offset, its uncertainty and the limits around the nominal centre, all
// enlarged by one factor; and θ from the nominal axis, enlarged by another.
func (d *drawing) enlarged(pose geom.Pose, nominal geom.DrawingPoint, t target) {
	o := d.r.Offset
	umPerPx := d.s.Plane(d.g.W, d.g.H, t.topMm).UmPerPx() / d.zoom
	reach := max(math.Abs(o.XUm), math.Abs(o.YUm), t.limX, t.limY, 1)
	room := 0.36 * min(t.widthUm, t.heightUm)
	factor := round125(room / reach)
	at := func(xUm, yUm float64) point {
		return d.see(pose, geom.DrawingPoint{X: nominal.X + geom.Length(factor*xUm), Y: nominal.Y + geom.Length(factor*yUm)}, t.topMm)
	}
	centre := at(0, 0)
	if t.limX > 0 && t.limY > 0 {
		box := d.line(pen{colour: pale, width: 1, dash: 3})
		d.polyline(box, at(-t.limX, t.limY), at(t.limX, t.limY), at(t.limX, -t.limY), at(-t.limX, -t.limY), at(-t.limX, t.limY))
		d.notes = append(d.notes, note{fmt.Sprintf("limits ×%g", factor), func(l, r point) { d.polyline(box, l, r) }})
	}
	arm := 14 * d.unit
	d.polyline(d.line(pen{colour: yellow}), centre.add(-arm, 0), centre.add(arm, 0))
	d.polyline(d.line(pen{colour: yellow}), centre.add(0, -arm), centre.add(0, arm))

	colour := white
	var ellipse []point
	for i := range 49 {
		s, co := math.Sincos(2 * math.Pi * float64(i) / 48)
		x, y := ellipseAt(o.Cov, co, s)
		ellipse = append(ellipse, at(o.XUm+2*x, o.YUm+2*y))
	}
	tip := at(o.XUm, o.YUm)
	d.arrow(d.line(pen{colour: colour, width: 2.6}), centre, tip, 17*d.unit)
	d.polyline(d.line(pen{colour: colour, width: 1}), ellipse...)
	d.notes = append(d.notes, note{fmt.Sprintf("offset ×%g", factor), func(l, r point) {
		d.arrow(d.line(pen{colour: colour, width: 2.2}), l, r, 13*d.unit)
	}})
	bar := round125(0.2 * float64(d.g.W) * d.zoom * umPerPx / factor * 0.9)
	length := bar * factor / umPerPx
	d.scaleBar(centre, at, t, fmt.Sprintf("%g µm, enlarged ×%g", bar, factor), length)
	d.turned(pose, nominal, t)
}

// ellipseAt returns the point of the unit-sigma ellipse of X and Y in a direction.
func ellipseAt(cov [3][3]float64, co, si float64) (x, y float64) {
	// The Cholesky factor maps the unit circle onto the ellipse.
	if !(cov[0][0] > 0) {
		return 0, 0
	}
	a := math.Sqrt(cov[0][0])
	b := cov[0][1] / a
	c := math.Sqrt(max(0, cov[1][1]-b*b))
	return a * co, b*co + c*si
}

// scaleBar draws what a length looks like enlarged, below the enlarged offset.
func (d *drawing) scaleBar(centre point, at func(x, y float64) point, t target, text string, length float64) {
	below := 0.40 * t.heightUm / d.s.Plane(d.g.W, d.g.H, t.topMm).UmPerPx() * d.zoom
	c := centre.add(0, below)
	l, r := c.add(-length/2, 0), c.add(length/2, 0)
	p := d.line(pen{colour: white, width: 1.6})
	d.polyline(p, l, r)
	for _, e := range []point{l, r} {
		d.polyline(p, e.add(0, -5*d.unit), e.add(0, 5*d.unit))
	}
	d.text(label{size: 18 * d.unit, colour: white, align: 0.5}, c.add(0, -9*d.unit), text)
}

// turned draws θ at the right end of the nominal axis.
func (d *drawing) turned(pose geom.Pose, nominal geom.DrawingPoint, t target) {
	o := d.r.Offset
	const most = 20.0 // degrees drawn at most
	factor := round125(most / max(math.Abs(o.ThetaDeg), t.limThetaDg, most/500))
	ray := func(deg, fromUm, toUm float64) (point, point) {
		s, co := math.Sincos((t.thetaDeg + deg) * math.Pi / 180)
		end := func(l float64) point {
			return d.see(pose, geom.DrawingPoint{X: nominal.X + geom.Length(l*co), Y: nominal.Y + geom.Length(l*s)}, t.topMm)
		}
		return end(fromUm), end(toUm)
	}
	r0, r1 := 0.30*t.widthUm, 0.46*t.widthUm
	if t.limThetaDg > 0 {
		for _, sign := range []float64{-1, 1} {
			a, b := ray(sign*factor*t.limThetaDg, r0, r1)
			d.polyline(d.line(pen{colour: pale, width: 1, dash: 3}), a, b)
		}
	}
	a, b := ray(0, r0, r1)
	d.polyline(d.line(pen{colour: yellow, dash: 5}), a, b)
	a, b = ray(factor*o.ThetaDeg, r0, r1)
	d.polyline(d.line(pen{colour: white, width: 2}), a, b)
	var bow []point
	for i := range 17 {
		p, _ := ray(factor*o.ThetaDeg*float64(i)/16, 0.43*t.widthUm, 0)
		bow = append(bow, p)
	}
	d.polyline(d.line(pen{colour: white, width: 1}), bow...)
	lower, _ := ray(-max(factor*t.limThetaDg, math.Abs(factor*o.ThetaDeg)), 0.44*t.widthUm, 0)
	d.text(label{size: 18 * d.unit, colour: white, align: 1}, lower.add(14*d.unit, 26*d.unit), fmt.Sprintf("θ ×%g", factor))
}
