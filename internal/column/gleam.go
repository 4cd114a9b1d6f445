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
// a smooth function of the field, and each ball's centre taken from its ring.

// centreOnGleams moves the centres of balls from the outlines to the rings where a ring is seen.
func (f *discFitter) centreOnGleams(pic *shot, seats []seat, v sight) {
	r := f.ringRadius(seats, v)
	if r == 0 {
		return
	}
	ring := *f
	ring.edge = sharpProfile(f.sigma)
	ring.px = nil
	ring.every = 1
	type fitted struct {
		d  disc
		ok bool
	}
	rings := make([]fitted, len(seats))
	var falls []float64
	for i := range seats {
		s := &seats[i]
		if !s.found || !v.whole(&s.d) {
			continue
		}
		x, y, ar := ring.approach(s.d.x, s.d.y, r, 0.5*r)
		if d, ok := ring.fit(x, y, min(max(ar, 0.7*r), 1.3*r)); ok {
			rings[i] = fitted{d, true}
			falls = append(falls, d.lower())
		}
	}
	if len(falls) == 0 {
		return
	}
	usual := median(falls)
	real := func(d *disc) bool { return d.lower() > 0.5*usual && math.Abs(d.r/r-1) < 0.35 }
	rv := v
	rv.r, rv.um = r, r*pic.tip.UmPerPx()
	for i := range seats {
		s := &seats[i]
		if s.unseen || rings[i].ok && real(&rings[i].d) {
			continue
		}
		d, ok := ring.hunt(s.px, s.py, rv)
		rings[i] = fitted{d, ok && real(&d)}
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
		return
	}
	var radii, spread []float64
	for i := range seats {
		s := &seats[i]
		if !rings[i].ok {
			continue
		}
		wx, wy := wander.at(s.px, s.py)
		x, y := rings[i].d.x-wx, rings[i].d.y-wy
		rings[i].d.x, rings[i].d.y = x, y
		// An outline found about another place than its ring's, or within the ball's own, is looked
		// for again.
		outer := f.outermost(x, y, v)
		if !s.found || !v.whole(&s.d) || math.Hypot(s.d.x-x, s.d.y-y) > 3*scatter || math.Abs(outer-s.d.r) > 0.04*v.r {
			d, ok := f.fit(x, y, outer)
			if ok {
				s.d = d
			}
			if !s.found && (!ok || d.lower() < ringStep*v.step) {
				rings[i].ok = false // a crumb's rim, without a ball around it
				continue
			}
		}
		s.found = true
		radii = append(radii, s.d.r)
	}
	usualR := median(radii)
	for _, r := range radii {
		spread = append(spread, math.Abs(r-usualR))
	}
	typical := 3 * 1.4826 * median(spread)
	for i := range seats {
		if s := &seats[i]; rings[i].ok {
			s.d.settle(&rings[i].d, scatter, math.Abs(s.d.r-usualR) < typical && v.whole(&s.d) && s.d.misfit < soundMisfit*f.misfit)
		}
	}
}

// ringStep is the share of the usual fall of light that the outline about a ring must show at least
// where no ball was found before.
const ringStep = 0.1

// soundMisfit is how much worse than usual an outline may fit to be held against a ring.
const soundMisfit = 1.5

// settle chooses a ball's centre between its outline, d, and its ring. A ring is the sharper of the
// two; where the two are far apart and the outline is as it should be, the ring lies on a dent.
func (d *disc) settle(ring *disc, scatter float64, sound bool) {
	apart := math.Hypot(d.x-ring.x, d.y-ring.y)
	var share float64 // of the outline
	switch {
	case !sound:
	case apart > 5*scatter:
		share = 1
	default:
		share = 0.25
	}
	d.x, d.y = ring.x+share*(d.x-ring.x), ring.y+share*(d.y-ring.y)
	u2 := (ring.cov[0][0]+ring.cov[1][1])/2 + mirrorShare*mirrorShare*scatter*scatter
	d.cov = [2][2]float64{{u2, 0}, {0, u2}}
}

// mirrorShare is how much of the scatter of rings and outlines about each other is put down to
// the ball being no perfect mirror.
const mirrorShare = 0.5

// ringRadius returns the radius, px, at which light falls most steeply within the balls, on
// average; 0 where there is no such ring.
func (f *discFitter) ringRadius(seats []seat, v sight) float64 {
	n := int(0.6 * v.r)
	sum := make([]float64, n+8)
	count := 0
	for i := range seats {
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
