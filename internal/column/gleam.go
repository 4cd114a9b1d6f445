package column

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
)

// A ball mirrors the lights around the lens as rings. The outline of a ball is faint beside them,
// but the rings are sharp, and where in a ball they lie changes slowly over the field: a mirror
// image of a lamp at finite distance wanders with the angle under which it is seen. So the inner
// ring is fitted in each ball, its place against the outline is learnt from all balls together as
// a smooth function of the field, and each ball's centre taken from its ring and its outline.

// A mirrored is the image of the lights in a ball, moved to where the ball's centre is by it.
type mirrored struct {
	d  disc
	ok bool
}

// mirror finds the rings in the balls and moves the balls' centres there; nil where there are none.
// A ball that only its ring shows is found by it.
func (f *discFitter) mirror(pic *shot, seats []seat, v sight) []mirrored {
	r := f.ringRadius(seats, v)
	if r == 0 {
		return nil
	}
	ring := *f
	ring.edge = sharpProfile(f.sigma)
	ring.px = nil
	ring.every = 1
	rings := make([]mirrored, len(seats))
	var falls, apart []float64
	for i := range seats {
		s := &seats[i]
		if !s.found {
			continue
		}
		x, y, ar := ring.approach(s.d.x, s.d.y, r, 0.5*r)
		d, ok := ring.fit(x, y, min(max(ar, 0.7*r), 1.3*r))
		rings[i] = mirrored{d, ok}
		if ok && v.whole(&s.d) {
			falls = append(falls, d.lower())
			apart = append(apart, math.Hypot(d.x-s.d.x, d.y-s.d.y))
		}
	}
	if len(falls) == 0 {
		return nil
	}
	usual := median(falls)
	real := func(d *disc) bool { return d.lower() > 0.5*usual && math.Abs(d.r/r-1) < ballOff }
	near := 2*median(apart) + 1
	rv := v
	rv.r, rv.um = r, r*pic.tip.UmPerPx()
	for i := range seats {
		s := &seats[i]
		q := &rings[i].d
		if s.unseen || rings[i].ok && real(q) && (v.whole(&s.d) || math.Hypot(q.x-s.d.x, q.y-s.d.y) < near) {
			continue
		}
		d, ok := ring.hunt(s.px, s.py, rv)
		rings[i] = mirrored{d, ok && real(&d)}
	}
	// Ring minus outline, in px of the object's axes at the ball.
	var places []geom.ImagePoint
	var dx, dy []float64
	for i := range seats {
		if s := &seats[i]; s.found && rings[i].ok && v.whole(&s.d) {
			places = append(places, geom.ImagePoint{X: s.px, Y: s.py})
			dx = append(dx, rings[i].d.x-s.d.x)
			dy = append(dy, rings[i].d.y-s.d.y)
		}
	}
	wander, scatter, ok := fitWander(places, dx, dy, pic.g.W, pic.g.H)
	if !ok {
		return nil
	}
	for i := range seats {
		s := &seats[i]
		if !rings[i].ok {
			continue
		}
		wx, wy := wander.at(s.px, s.py)
		x, y := rings[i].d.x-wx, rings[i].d.y-wy
		if !s.found {
			d, ok := f.fit(x, y, f.outermost(x, y, v))
			if !ok || d.lower() < ringStep*v.step {
				rings[i].ok = false // a crumb's rim, without a ball around it
				continue
			}
			s.d, s.found = d, true
		}
		s.d.x, s.d.y = x, y
		s.d.cov = round(scatter * scatter)
		rings[i].d.x, rings[i].d.y = x, y
	}
	return rings
}

// round is the covariance of a centre with a variance that is the same along both axes.
func round(v float64) [2][2]float64 { return [2][2]float64{{v, 0}, {0, v}} }

// ringStep is the share of the usual fall of light that the outline about a ring must show at least
// where no ball was found before.
const ringStep = 0.1

// settle takes each ball's centre from its outline and its ring, and its diameter from its outline.
// Where the two lie too far apart the ring is on a dent or under a fibre, or the ball is of another
// size than those from which the rings' wander was learnt: then the outline has it alone.
func (f *discFitter) settle(pic *shot, seats []seat, rings []mirrored) {
	outlines := f.girths(seats, pic.radiusPx())
	if outlines == nil {
		return
	}
	var places []geom.ImagePoint
	var dx, dy, vars []float64
	for i := range rings {
		if g := &outlines[i]; g.found && rings[i].ok {
			places = append(places, geom.ImagePoint{X: seats[i].px, Y: seats[i].py})
			dx = append(dx, rings[i].d.x-g.x)
			dy = append(dy, rings[i].d.y-g.y)
			vars = append(vars, g.u*g.u)
		}
	}
	wander, scatter, ok := fitWander(places, dx, dy, pic.g.W, pic.g.H)
	v, grow := mirrorShare*mirrorShare*scatter*scatter, 1.0 // variance of a ring about its ball's centre; outlines have the rest
	if ok {
		grow = (scatter*scatter - v) / median(vars)
	}
	for i := range seats {
		s, g := &seats[i], &outlines[i]
		if !s.found || !g.found {
			continue
		}
		s.girth = *g
		x, y, u2 := g.x, g.y, grow*g.u*g.u
		if ok && rings[i].ok {
			wx, wy := wander.at(s.px, s.py)
			ax, ay := rings[i].d.x-wx-x, rings[i].d.y-wy-y
			if ax*ax+ay*ay < ringApart*ringApart*(v+u2) {
				w := u2 / (v + u2)
				x, y, u2 = x+w*ax, y+w*ay, w*v
			}
		}
		s.d.x, s.d.y, s.d.cov = x, y, round(u2)
	}
}

const (
	// mirrorShare is how much of the scatter of rings and outlines about each other, as a standard
	// deviation, is put down to the ball being no perfect mirror: seen on ray-traced pictures of known
	// truth (0.4 to 0.5).
	mirrorShare = 0.4

	ringApart = 3.0 // standard deviations between a ring and an outline that are of one centre
)

// ringRadius returns the radius, px, at which light falls most steeply within the balls, on
// average; 0 where there is no such ring.
func (f *discFitter) ringRadius(seats []seat, v sight) float64 {
	n := int(0.6 * v.r)
	sum := make([]float64, n+8)
	count := 0
	every := max(1, len(seats)/ringBalls)
	for i := every / 2; i < len(seats); i += every {
		s := &seats[i]
		if !s.found || !v.whole(&s.d) {
			continue
		}
		for k := range sum {
			for _, d := range rays {
				sum[k] += f.at(s.d.x+float64(k)*d.x, s.d.y+float64(k)*d.y)
			}
		}
		count++
	}
	if count < 8 {
		return 0
	}
	half := 1 + int(f.sigma)
	r, step := 0.0, 0.0
	for k := max(4, half); k < n; k++ {
		if fall := (sum[k-half] - sum[k+half]) / float64(count*directions); fall > step {
			r, step = float64(k), fall
		}
	}
	if step < 0.5*v.step {
		return 0
	}
	return r
}

// ringBalls is how many balls, spread over the array, tell the radius of their rings.
const ringBalls = 120

// smallest is the radius of the smallest ball that is one, over the usual.
const smallest = 0.6

// outermost returns the radius at which the light, taken all around a centre and coming from
// outside, has risen half of a ball's usual step.
func (f *discFitter) outermost(x, y float64, v sight) float64 {
	from, to := int(1.25*v.r)+1, int(smallest*v.r) // coming from outside, a whole ball ends it at once
	level := func(k int) float64 {
		var l [directions]float64
		for i, d := range rays {
			l[i] = f.at(x+float64(k)*d.x, y+float64(k)*d.y)
		}
		above := fit.Nth(l[:], directions/2)
		return (slices.Max(l[:directions/2]) + above) / 2
	}
	darkest, before := math.Inf(1), math.Inf(1)
	steepest, at := 0.0, v.r
	for k := from; k >= to; k-- {
		l := level(k)
		if rise := l - before; rise > steepest {
			steepest, at = rise, float64(k)+0.5
		}
		darkest = min(darkest, l)
		if limit := darkest + 0.5*v.step; l > limit && before < limit {
			return float64(k) + (l-limit)/(l-before)
		}
		before = l
	}
	return at // in weak light, where it rises most steeply
}

// A wander is a smooth shift over the field: in each axis a polynomial of second order with the
// third order of a radial law.
type wander struct {
	cx, cy, scale float64
	p             [2][wanderTerms]float64
}

const wanderTerms = 8

func (w *wander) terms(x, y float64) [wanderTerms]float64 {
	u, v := (x-w.cx)*w.scale, (y-w.cy)*w.scale
	q := u*u + v*v
	return [wanderTerms]float64{1, u, v, u * u, u * v, v * v, u * q, v * q}
}

func (w *wander) at(x, y float64) (dx, dy float64) {
	for k, t := range w.terms(x, y) {
		dx += t * w.p[0][k]
		dy += t * w.p[1][k]
	}
	return dx, dy
}

// fitWander fits a wander robustly (Tukey's biweight at 4.5 scales) and returns the scatter that
// is left, per axis.
func fitWander(at []geom.ImagePoint, dx, dy []float64, width, height int) (w wander, scatter float64, ok bool) {
	w = wander{cx: float64(width-1) / 2, cy: float64(height-1) / 2, scale: 2 / float64(max(width, height))}
	if len(at) < 4*wanderTerms {
		return w, 0, false
	}
	scale := math.Inf(1)
	for range 8 {
		h := mat.NewSymDense(wanderTerms, nil)
		var g [2][wanderTerms]float64
		for i, q := range at {
			t := w.terms(q.X, q.Y)
			mx, my := w.at(q.X, q.Y)
			e := ((dx[i]-mx)*(dx[i]-mx) + (dy[i]-my)*(dy[i]-my)) / (scale * scale) / (4.5 * 4.5)
			if e >= 1 {
				continue
			}
			wt := (1 - e) * (1 - e)
			for a := range wanderTerms {
				g[0][a] += wt * t[a] * dx[i]
				g[1][a] += wt * t[a] * dy[i]
				for b := a; b < wanderTerms; b++ {
					h.SetSym(a, b, h.At(a, b)+wt*t[a]*t[b])
				}
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(h) {
			return w, 0, false
		}
		for k := range g {
			var p mat.VecDense
			if chol.SolveVecTo(&p, mat.NewVecDense(wanderTerms, g[k][:])) != nil {
				return w, 0, false
			}
			copy(w.p[k][:], p.RawVector().Data)
		}
		rest := make([]float64, len(at))
		for i, q := range at {
			mx, my := w.at(q.X, q.Y)
			rest[i] = math.Hypot(dx[i]-mx, dy[i]-my)
		}
		// The median of a length in the plane is 1.1774 of the scatter per axis.
		scale = max(median(rest)/1.1774, 1e-6)
	}
	return w, scale, true
}
