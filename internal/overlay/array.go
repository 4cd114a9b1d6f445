package overlay

import (
	"fmt"
	"math"
	"slices"

	"plumbsquare/internal/reading"
)

// array marks each site: a thin line for where its tip has gone, and what is wrong in a shape of
// its own with the site's name.
func (d *drawing) array() {
	a := d.r.Array
	if a == nil || len(a.Sites) == 0 || d.p.Array == nil {
		return
	}
	pose, known := d.pose()
	if !known {
		return
	}
	umPerPx := d.s.Plane(d.g.W, d.g.H, d.p.Array.HeightMm).UmPerPx()
	pitch := 1000 * d.p.Array.PitchMm / umPerPx * d.zoom
	radius := max(0.62*1000*d.p.Array.DiameterMm/umPerPx*d.zoom, 5*d.unit)

	factor := d.lengthen(pitch, umPerPx)
	turn := pose.Turn.Rad()
	side, sense := d.r.Shot.View == reading.ColumnSide, 1.0
	if t := d.r.Shot.TurnDeg; t == 90 || t == 180 { // the picture's right is -Y or -X
		sense = -1
	}
	thin := d.line(pen{colour: skyBlue, width: 0.9, bare: true})
	for _, s := range a.Sites {
		if s.State == reading.Missing || s.State == reading.Unseen {
			continue
		}
		c := d.at(s.XPx, s.YPx)
		si, co := math.Sincos(turn)
		x, y := co*s.DXUm-si*s.DYUm, si*s.DXUm+co*s.DYUm
		if side {
			x, y = co*sense*(s.DXUm+s.DYUm), si*sense*(s.DXUm+s.DYUm)
		}
		k := factor / umPerPx * d.zoom
		if s.State == reading.Present { // what is wrong has a sign of its own
			d.polyline(thin, c, c.add(k*x, -k*y))
		}
		d.paths(skyBlue, arc(c, 1.5*d.unit, 0, 2*math.Pi))
	}
	what := "tip"
	if a.Kind == "balls" {
		what = "ball"
	}
	d.notes = append(d.notes, note{fmt.Sprintf("%s off its site ×%g", what, factor), func(l, r point) {
		d.polyline(thin, l, r)
		d.paths(skyBlue, arc(l, 1.8*d.unit, 0, 2*math.Pi))
	}})

	size := 17 * d.unit
	if wrong := a.Missing + a.Tilted; wrong > 40 {
		size = 12 * d.unit
	}
	seen := map[string]bool{}
	for _, s := range a.Sites { // signs first, so that names don't hide behind them
		if s.State != reading.Present {
			c := d.at(s.XPx, s.YPx)
			d.names = append(d.names, frame{c.add(-radius, -radius), c.add(radius, radius)})
		}
	}
	for _, s := range a.Sites {
		if s.State == reading.Present {
			continue
		}
		seen[s.State] = true
		c := d.at(s.XPx, s.YPx)
		d.ring(s.State, c, radius)
		text := s.Name
		if s.State == reading.Tilted {
			text += fmt.Sprintf(" %.1f°", math.Abs(s.TiltDeg))
			az := s.AzimuthDeg*math.Pi/180 + turn
			long := max(radius*1.2, math.Abs(s.TiltDeg)/10*pitch*1.5)
			if side { // along the picture, whichever of the drawing's axes that is
				az = turn
				long *= sense * math.Copysign(1, s.TiltDeg)
			}
			si, co := math.Sincos(az)
			d.arrow(d.line(pen{colour: orange, width: 2.2}), c, c.add(long*co, -long*si), 11*d.unit)
		}
		d.siteName(c, radius, size, text)
	}
	for _, state := range []string{reading.Missing, reading.Bridged, reading.Doubled, reading.Tilted, reading.Off, reading.Unseen} {
		if seen[state] {
			d.notes = append(d.notes, note{state, func(l, r point) { d.ring(state, point{(l.x + r.x) / 2, l.y}, 9*d.unit) }})
		}
	}
}

// lengthen returns how much tip offsets are enlarged: the one larger than nineteen of twenty
// comes to half a pitch.
func (d *drawing) lengthen(pitch, umPerPx float64) float64 {
	var offs []float64
	for _, s := range d.r.Array.Sites {
		if s.State != reading.Missing && s.State != reading.Unseen {
			offs = append(offs, math.Hypot(s.DXUm, s.DYUm))
		}
	}
	if len(offs) == 0 {
		return 1
	}
	slices.Sort(offs)
	return round125(pitch / 2 / (max(offs[len(offs)*19/20], 1) / umPerPx * d.zoom))
}

// ring draws the sign of a state around a site.
func (d *drawing) ring(state string, c point, r float64) {
	switch state {
	case reading.Missing: // a circle struck through
		p := d.line(pen{colour: vermillion, width: 3})
		d.circle(p, c, r)
		k := r * math.Sqrt2 / 2
		d.polyline(p, c.add(-k, k), c.add(k, -k))
	case reading.Tilted: // a diamond
		d.polygon(d.line(pen{colour: orange, width: 2.4}), c, 1.25*r, 4, 0)
	case reading.Off: // a square
		d.polygon(d.line(pen{colour: purple, width: 2.4}), c, 1.3*r, 4, math.Pi/4)
	case reading.Bridged: // a bar across a circle
		p := d.line(pen{colour: yellow, width: 2.6})
		d.circle(p, c, r)
		d.polyline(p, c.add(-1.5*r, 0), c.add(1.5*r, 0))
	case reading.Doubled: // two circles
		p := d.line(pen{colour: yellow, width: 2.6})
		d.circle(p, c, r)
		d.circle(p, c.add(0.45*r, -0.45*r), 0.8*r)
	default: // a dashed circle
		d.circle(d.line(pen{colour: pale, width: 1.8, dash: 4}), c, r)
	}
}

// A frame is an upright rectangle of the canvas.
type frame struct{ low, high point }

func (f frame) overlaps(g frame) bool {
	return f.low.x < g.high.x && g.low.x < f.high.x && f.low.y < g.high.y && g.low.y < f.high.y
}

// siteName writes a site's name beside its sign, where it stays in the picture and clear of
// other signs and names if there is such a place.
func (d *drawing) siteName(c point, r, size float64, text string) {
	l := label{size: size, bold: true, colour: white}
	w := d.width(l, text)
	gap := 1.1*r + 2*d.unit
	var best frame
	for i, p := range []point{ // of the base line's start
		c.add(gap, -0.5*r), c.add(gap, 0.5*r+0.7*size), c.add(-gap-w, -0.5*r), c.add(-gap-w, 0.5*r+0.7*size),
		c.add(-w/2, -1.3*r-3*d.unit), c.add(-w/2, 1.3*r+size),
	} {
		f := frame{p.add(0, -0.8*size), p.add(w, 0.2*size)}
		inside := f.low.x >= 0 && f.low.y >= 0 && f.high.x <= float64(d.g.W)*d.zoom && f.high.y <= float64(d.g.H)*d.zoom
		free := !slices.ContainsFunc(d.names, f.overlaps)
		if i == 0 || inside {
			best = f
		}
		if inside && free {
			break
		}
	}
	d.names = append(d.names, best)
	d.text(l, best.low.add(0, 0.8*size), text)
}
