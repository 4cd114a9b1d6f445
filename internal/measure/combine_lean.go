package measure

import (
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// A leanAxis is a column's lean along one axis of the drawing: the tangent of the angle that the
// line from foot to tip, projected, makes with the substrate's normal.
type leanAxis struct {
	tan, u float64
	source string // "" where none is known
}

// A lean is that along X and Y.
type lean [2]leanAxis

func (l lean) both() bool { return l[0].source != "" && l[1].source != "" }

// offer takes what is better known.
func (l *leanAxis) offer(o leanAxis) {
	if l.source == "" || o.u < l.u {
		*l = o
	}
}

// lean finds what is known best of a column's lean along each axis: by the plans that show tip and
// foot, by the tip of one with the foot of another, by side views.
func (c *combination) lean(name string, p *part.Part) (best lean) {
	heightUm := 1000 * p.Array.HeightMm
	if heightUm <= 0 || p.Array.Kind != "columns" {
		return best
	}
	offer := func(x, y, u float64, source string) {
		best[0].offer(leanAxis{x, u, source})
		best[1].offer(leanAxis{y, u, source})
	}
	for i := range c.looks {
		l := &c.looks[i]
		q := l.there(name)
		if q == nil {
			continue
		}
		if !l.plan() {
			axis := 0
			if l.alongY() {
				axis = 1
			}
			best[axis].offer(sideLean(q, l.Name))
			continue
		}
		x, y := tangents(q)
		cx, cy := c.camera.shift(l)
		offer(x-cx, y-cy, c.camera.uLean(q.UTiltDeg, l, p), l.Name)
		for k := range c.looks {
			m := &c.looks[k]
			f := m.there(name)
			if k == i || f == nil || f.Foot == nil {
				continue
			}
			// Sine: the column keeps its length when it leans.
			dx, dy := (q.DXUm-f.Foot.DXUm)/heightUm, (q.DYUm-f.Foot.DYUm)/heightUm
			cos := math.Sqrt(max(0.01, 1-dx*dx-dy*dy))
			u := math.Hypot(math.Hypot(q.UUm, f.Foot.UUm), l.uAxisUm)
			offer(dx/cos-cx, dy/cos-cy, c.camera.uLean(geom.Angle(u/heightUm).Deg(), l, p), joined(l.Name, m.Name))
		}
	}
	return best
}

// tangents returns a plan's whole lean along X and Y.
func tangents(q *reading.Site) (x, y float64) {
	sin, cos := math.Sincos(q.AzimuthDeg * math.Pi / 180)
	t := math.Tan(q.TiltDeg * math.Pi / 180)
	return t * cos, t * sin
}

// sideLean is the lean of the line from foot to tip: that in which the column starts, with its bend.
func sideLean(q *reading.Site, name string) leanAxis {
	a := leanAxis{tan: math.Tan(q.TiltDeg * math.Pi / 180), u: q.UTiltDeg * math.Pi / 180, source: name}
	if s := q.Silhouette; s != nil && s.HeightUm > 0 {
		a.tan += s.BendUm / s.HeightUm
	}
	return a
}

// alongY reports whether a side view shows the drawing's Y.
func (l *look) alongY() bool { return l.TurnDeg == 90 || l.TurnDeg == 270 }

// fill writes a lean into its site: one of which an axis isn't known as the side view shows it,
// signed along the other.
func (l lean) fill(s *reading.Site) {
	deg := func(rad float64) float64 { return geom.Angle(rad).Deg() }
	s.Sources.LeanX, s.Sources.LeanY = l[0].source, l[1].source
	x, y := l[0], l[1]
	switch {
	case l.both():
		s.TiltDeg, s.AzimuthDeg = polar(x.tan, y.tan)
		// Along the lean; across it where there is hardly any.
		w := x.tan*x.tan + y.tan*y.tan
		u2 := (x.u*x.u + y.u*y.u) / 2
		if w > u2 {
			u2 = (x.tan*x.tan*x.u*x.u + y.tan*y.tan*y.u*y.u) / w
		}
		s.UTiltDeg = deg(math.Sqrt(u2))
	case x.source != "":
		s.TiltDeg, s.UTiltDeg = deg(math.Atan(x.tan)), deg(x.u)
	case y.source != "":
		s.TiltDeg, s.AzimuthDeg, s.UTiltDeg = deg(math.Atan(y.tan)), 90, deg(y.u)
	}
}

// A camera is the tilt of a scope's optical axis, tangents in the scope frame, with the standard
// uncertainty of each. A nil one is not known.
type camera struct {
	x, y, u float64
	scope   string // hash
}

// of reports whether a plan was taken by the camera.
func (k *camera) of(l *look) bool { return k != nil && k.scope == l.ScopeHash }

// findCamera separates the camera's tilt from the columns' lean by two plans of the sample turned
// against each other: of the mean lean over the sites that both show, m_k = lean + R(−φ_k)·camera
// with φ_k the sample's turn, as in [offset.Reverse]. What turns with the sample is the columns'.
//
// The mean leans are as good as their datum is: the substrate's place, seen from the tips' height.
func (c *combination) findCamera(p *part.Part) *camera {
	a, b := c.reversed()
	heightUm := 1000 * p.Array.HeightMm
	if a == nil || heightUm <= 0 || a.r.Array.Kind != "columns" {
		return nil
	}
	var m [2][2]float64
	var n, squares float64
	for i := range a.r.Array.Sites {
		q := a.there(a.r.Array.Sites[i].Name)
		if q == nil {
			continue
		}
		o := b.there(q.Name)
		if o == nil || q.TiltDeg > commonDeg || o.TiltDeg > commonDeg {
			continue
		}
		n++
		ax, ay := tangents(q)
		bx, by := tangents(o)
		m[0][0], m[0][1], m[1][0], m[1][1] = m[0][0]+ax, m[0][1]+ay, m[1][0]+bx, m[1][1]+by
		squares += (q.UTiltDeg*q.UTiltDeg + o.UTiltDeg*o.UTiltDeg) / 2
	}
	if n < leastForCamera {
		return nil
	}
	// d = R(−φ_a)·camera − R(−φ_b)·camera = M·camera.
	dx, dy := (m[0][0]-m[1][0])/n, (m[0][1]-m[1][1])/n
	sa, ca := math.Sincos(a.turn())
	sb, cb := math.Sincos(b.turn())
	mc, ms := ca-cb, sa-sb // M = (mc ms; −ms mc)
	det := mc*mc + ms*ms
	k := &camera{x: (mc*dx - ms*dy) / det, y: (ms*dx + mc*dy) / det, scope: a.ScopeHash}
	datum := func(ua, ub float64) float64 { return math.Hypot(ua, ub) / heightUm }
	own := math.Sqrt(squares/n) * math.Pi / 180 / math.Sqrt(n) // of the mean, sites as independent
	k.u = math.Hypot(datum(a.uDatum(), b.uDatum()), math.Sqrt2*own) / math.Sqrt(det)
	return k
}

// leastForCamera is how many sites a common lean is taken from.
const leastForCamera = 8

// uDatum is how well a plan knows the substrate's place, µm: the array's uncertainty without the
// share that the scope states for its tilt.
func (l *look) uDatum() float64 {
	a := l.r.Array
	return math.Sqrt(max((a.UXUm*a.UXUm+a.UYUm*a.UYUm)/2-l.uAxisUm*l.uAxisUm, 0))
}

// turn is the angle of the sample in the picture, rad.
func (l *look) turn() float64 {
	if s := l.r.Substrate; s != nil {
		return s.TurnDeg * math.Pi / 180
	}
	return l.TurnDeg * math.Pi / 180
}

// reversed returns the two plans of one scope that are turned most against each other, if by
// enough to tell the camera's tilt.
func (c *combination) reversed() (a, b *look) {
	const least = 60.0 // degrees
	most := least
	for i := range c.looks {
		for k := i + 1; k < len(c.looks); k++ {
			p, q := &c.looks[i], &c.looks[k]
			if p.r == nil || q.r == nil || !p.plan() || !q.plan() || p.ScopeHash != q.ScopeHash {
				continue
			}
			if d := math.Abs(geom.Wrap(geom.Angle(p.turn() - q.turn())).Deg()); d > most {
				a, b, most = p, q, d
			}
		}
	}
	return a, b
}

// shift returns what the camera adds to the leans of a plan, tangents along the drawing's axes.
func (k *camera) shift(l *look) (x, y float64) {
	if !k.of(l) {
		return 0, 0
	}
	sin, cos := math.Sincos(l.turn())
	return cos*k.x + sin*k.y, -sin*k.x + cos*k.y
}

// uLean turns the standard uncertainty of a plan's tilt, degrees, into that of a tangent, with what
// the scope states for its axis replaced by how well the axis is known now.
func (k *camera) uLean(uDeg float64, l *look, p *part.Part) float64 {
	u := uDeg * math.Pi / 180
	if !k.of(l) {
		return u
	}
	stated := l.uAxisUm / (1000 * p.Array.HeightMm)
	return math.Sqrt(max(u*u-stated*stated, 0) + k.u*k.u)
}

// uPlace does the same for a place, µm.
func (k *camera) uPlace(u float64, l *look, p *part.Part) float64 {
	if !k.of(l) {
		return u
	}
	h := 1000 * p.Array.HeightMm
	return math.Sqrt(max(u*u-l.uAxisUm*l.uAxisUm, 0) + h*k.u*h*k.u)
}

func (k *camera) reading() *reading.CameraTilt {
	if k == nil {
		return nil
	}
	deg := func(tan float64) float64 { return geom.Angle(math.Atan(tan)).Deg() }
	return &reading.CameraTilt{XDeg: deg(k.x), YDeg: deg(k.y), UXDeg: deg(k.u), UYDeg: deg(k.u)}
}
