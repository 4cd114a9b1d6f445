package column

import (
	"math"
	"slices"
)

// hunt looks for a face all over a site: circles of the usual radius at every second pixel, the
// best few fitted.
func (f *discFitter) hunt(px, py float64, v sight) (disc, bool) {
	const stepPx = 2
	type spot struct{ x, y, r, score float64 }
	radii := []float64{v.r}
	if f.uneven {
		radii = []float64{v.r, 0.94 * v.r, 1.06 * v.r, 1.12 * v.r}
	}
	n := int(v.within / stepPx)
	spots := make([]spot, 0, (2*n+1)*(2*n+1)*len(radii))
	hoops := make([]hoop, len(radii))
	for k, r := range radii {
		hoops[k] = f.hoop(px, py, r)
	}
	for iy := -n; iy <= n; iy++ {
		for ix := -n; ix <= n; ix++ {
			dx, dy := float64(ix*stepPx), float64(iy*stepPx)
			if dx*dx+dy*dy > v.within*v.within || !f.holds(px+dx, py+dy, v.r+2*f.sigma+2) {
				continue
			}
			for k, r := range radii {
				spots = append(spots, spot{px + dx, py + dy, r, f.around(&hoops[k], ix*stepPx, iy*stepPx)})
			}
		}
	}
	// A dim face shows little of its edge: all pixels unless they are many, and columns, cut from one
	// wire, at the usual radius.
	every := f.every
	f.every = max(1, int(v.r/manyPx))
	off := hiddenRadius // by which a radius may differ
	if f.uneven {
		off = ballOff
	} else {
		f.known = v.um
	}
	defer func() { f.every, f.known = every, 0 }()
	var best disc
	found := false
	for range 4 {
		// The best of those apart from what was tried.
		s := spot{score: math.Inf(-1)}
		for i := range spots {
			if spots[i].score > s.score {
				s = spots[i]
			}
		}
		if math.IsInf(s.score, -1) {
			break
		}
		spots = slices.DeleteFunc(spots, func(t spot) bool { return (t.x-s.x)*(t.x-s.x)+(t.y-s.y)*(t.y-s.y) < 0.16*v.r*v.r })
		x, y, r := f.approach(s.x, s.y, s.r, min(4, f.reach(s.r)))
		d, ok := f.fit(x, y, min(max(r, 0.9*s.r), 1.1*s.r))
		if !ok || math.Hypot(d.x-px, d.y-py) > 1.1*v.within {
			continue
		}
		if math.Abs(d.r*d.umPx/v.um-1) > off {
			continue
		}
		if !found || f.merit(&d) > f.merit(&best) {
			best, found = d, true
		}
	}
	if found {
		f.shake(&best)
	}
	return best, found
}

// ballOff is by how much the radius of a ball, or of its ring, may differ from the usual one.
const ballOff = 0.35

// manyPx is the radius, px, from whose double on an edge has more pixels than a fit needs.
const manyPx = 14.0

// merit ranks discs found at a site. Of columns, a faint one that fits goes before a stronger one that
// doesn't: a face in the dark beside paste in the light.
func (f *discFitter) merit(d *disc) float64 {
	if f.uneven || f.misfit == 0 {
		return d.lower()
	}
	return d.lower() / max(1, d.misfit/f.misfit)
}

// shake fits a face anew from places around and keeps what explains the pixels best: beside a
// flank a dim face has more than one place that looks right nearby.
func (f *discFitter) shake(best *disc) {
	const offPx = 2.5
	at := *best
	for k := 0; k < directions; k += directions / 4 {
		d, ok := f.fit(at.x+offPx*rays[k].x, at.y+offPx*rays[k].y, at.r)
		if ok && d.loss < best.loss && math.Hypot(d.x-at.x, d.y-at.y) < 2*offPx && d.lower() > 0.7*at.lower() {
			*best = d
		}
	}
}

// circle is the mean fall of light across the worse three quarters of a circle's edge, seen in
// half of the directions.
func (f *discFitter) circle(x, y, r float64) float64 {
	h := f.hoop(x, y, r)
	return f.around(&h, 0, 0)
}

// A hoop holds the pixels just inside and outside of a circle's edge in half of the directions, as
// places in the picture's rows, and the corners of the box that they fill.
type hoop struct {
	in, out        [directions / 2]int
	x0, y0, x1, y1 int
}

// hoop lists the pixels of a circle. Moved by whole pixels, it is that of another.
func (f *discFitter) hoop(x, y, r float64) hoop {
	h := hoop{x0: math.MaxInt, y0: math.MaxInt, x1: math.MinInt, y1: math.MinInt}
	gap := f.sigma + 0.5
	for k := range h.in {
		d := rays[2*k]
		place := func(rho float64) int {
			px, py := int(math.Floor(x+rho*d.x+0.5)), int(math.Floor(y+rho*d.y+0.5))
			h.x0, h.y0, h.x1, h.y1 = min(h.x0, px), min(h.y0, py), max(h.x1, px), max(h.y1, py)
			return py*f.g.W + px
		}
		h.in[k], h.out[k] = place(r-gap), place(r+gap)
	}
	return h
}

// around is circle for a hoop moved by (dx, dy); minus infinity where that leaves the picture.
func (f *discFitter) around(h *hoop, dx, dy int) float64 {
	if h.x0+dx < 0 || h.y0+dy < 0 || h.x1+dx >= f.g.W || h.y1+dy >= f.g.H {
		return math.Inf(-1)
	}
	var s [directions / 2]int
	move := dy*f.g.W + dx
	for k := range s {
		s[k] = int(f.g.Pix[h.in[k]+move]) - int(f.g.Pix[h.out[k]+move])
	}
	sortSteps(&s)
	var sorted [len(s)]float64
	for k, v := range s {
		sorted[k] = float64(v)
	}
	return lowerMean(sorted[:])
}

// sortSteps sorts what is seen in half of the directions, without a branch that depends on it.
func sortSteps(s *[directions / 2]int) {
	for _, c := range network {
		a, b := s[c.low], s[c.high]
		s[c.low], s[c.high] = min(a, b), max(a, b)
	}
}

// network is Batcher's odd-even merge sort (AFIPS Spring Joint Computer Conference 32 (1968) 307).
var network = func() (pairs []struct{ low, high uint8 }) {
	const n = directions / 2
	for p := 1; p < n; p *= 2 {
		for k := p; k >= 1; k /= 2 {
			for j := k % p; j+k < n; j += 2 * k {
				for i := range k {
					if (i+j)/(2*p) == (i+j+k)/(2*p) {
						pairs = append(pairs, struct{ low, high uint8 }{uint8(i + j), uint8(i + j + k)})
					}
				}
			}
		}
	}
	return pairs
}()

// huntDim looks for a face in the dark by the site of a column whose flank or shadow is seen: it
// may be brighter than these and darker than the ceramic beside, so that it shows no fall of light
// to one side all around. Of the circles that fit as well as whole faces do, that with the
// strongest edge is taken.
func (f *discFitter) huntDim(px, py float64, v sight) (best disc, found bool) {
	const (
		stepPx  = 3.0
		leastSD = 3.0 // of the noise, that its edge must show
	)
	every := f.every
	f.every, f.known = 1, v.um
	defer func() { f.every, f.known = every, 0 }()
	n := int(dimReach * v.pitch / stepPx)
	strongest := 0.0
	for iy := -n; iy <= n; iy++ {
		for ix := -n; ix <= n; ix++ {
			if ix*ix+iy*iy > n*n {
				continue
			}
			d, ok := f.fit(px+float64(ix)*stepPx, py+float64(iy)*stepPx, v.r)
			if !ok || d.misfit > soundDim*f.misfit || math.Abs(d.r*d.umPx/v.um-1) > v.wholeRadius || math.Hypot(d.x-px, d.y-py) > dimReach*v.pitch {
				continue
			}
			edge := d.edge()
			if edge < max(leastSD*math.Sqrt(f.noise.Var(d.inside)), faintStep*v.step) {
				continue
			}
			if edge > strongest {
				best, strongest, found = d, edge, true
			}
		}
	}
	return best, found
}

// edge is the step of light across a disc's edge, to whichever side, on average.
func (d *disc) edge() (mean float64) {
	for _, s := range d.steps {
		mean += math.Abs(s) / directions
	}
	return mean
}
