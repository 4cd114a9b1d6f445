package column

import (
	"math"
	"slices"
)

// calibrationSites is how many faces, spread over the array, teach what their edges look like.
const calibrationSites = 80

// leastTeachers is how many faces it takes at least: of fewer, an odd one makes the profile.
const leastTeachers = 8

// newDiscFitter makes a fitter for the faces of this picture: a first fit of some of them, with
// a sharp edge, tells whether the ground is even and, where it isn't, the profile of the rim.
func (pic *shot) newDiscFitter(o *outline, seats []seat) *discFitter {
	f := &discFitter{g: pic.g, noise: pic.noise, plane: pic.tip, sigma: o.sigmaPx,
		gx: o.gx, gy: o.gy, groundPx: 2, uneven: pic.balls(), edge: sharpProfile(o.sigmaPx),
		sharp: sharpnessOf(pic.noise, pic.g.FullScale)}
	r := pic.radiusPx()
	f.every = 2
	if f.uneven {
		f.every = 3
	}
	some := f.sample(seats, r)
	if len(some) < leastTeachers {
		f.every = 1
		return f
	}
	if !f.uneven && f.even(some) {
		f.flat, f.groundPx, f.every = true, pic.freeGroundPx(r), 1
		return f
	}
	var radii []float64
	for i := range some {
		radii = append(radii, some[i].r*some[i].umPx)
	}
	face := median(radii)
	if f.uneven {
		f.every = sparse(some, f.every, enoughBallPx)
		f.edge = measureProfile(f.rimSamples(some, face), f.sigma, 0)
		if again := f.sample(seats, r); len(again) >= leastTeachers {
			f.edge = measureProfile(f.rimSamples(again, face), f.sigma, 0)
		}
		return f
	}
	f.every = sparse(some, f.every, enoughPx)
	rim := min(max(0, 500*pic.part.Array.DiameterMm-face)/pic.tip.UmPerPx(), rimMax)
	f.edge = measureProfile(f.rimSamples(some, face), f.sigma, rim)
	return f
}

// enoughPx is the uncertainty from noise below which a face's centre is limited by what noise
// doesn't explain: texture, shadow, rim.
// A ball's centre is limited by how good a mirror it is.
const (
	enoughPx     = 0.015
	enoughBallPx = 0.05
)

// sparse returns of how many pixels one is enough for the noise to stay below enoughPx, from fits
// that used one in every.
func sparse(some []disc, every int, enoughPx float64) int {
	var u2 []float64
	for i := range some {
		d := &some[i]
		u2 = append(u2, (d.cov[0][0]+d.cov[1][1])/2/max(1, d.misfit*d.misfit)/2)
	}
	return min(max(1, int(float64(every)*enoughPx*enoughPx/median(u2))), 4)
}

// sample fits some faces spread over the array and keeps the typical ones.
func (f *discFitter) sample(seats []seat, r float64) []disc {
	var some []disc
	stride := max(1, len(seats)/f.teachers())
	for i := stride / 2; i < len(seats); i += stride {
		if d, ok := f.near(seats[i].px, seats[i].py, r); ok {
			some = append(some, d)
		}
	}
	return f.typical(some, r)
}

// teachers is how many faces teach what edges look like.
func (f *discFitter) teachers() int {
	if f.uneven {
		return 40 // balls are large, and their edges long
	}
	return calibrationSites
}

// radiusPx returns the drawn radius in px.
func (pic *shot) radiusPx() float64 { return 500 * pic.part.Array.DiameterMm / pic.tip.UmPerPx() }

// freeGroundPx returns how far ground reaches beyond a face before the neighbour's light.
func (pic *shot) freeGroundPx(r float64) float64 {
	pitch := 1000 * pic.part.Array.PitchMm / pic.tip.UmPerPx()
	return min(max(2, (pitch-2*r)/2-levelGap*pic.blurGuard()), 10)
}

func (pic *shot) blurGuard() float64 { return 1.5 }

// near fits the face that lies within a few pixels of (x, y).
func (f *discFitter) near(x, y, r float64) (disc, bool) {
	if !f.holds(x, y, r+3*f.sigma+5) {
		return disc{}, false
	}
	ax, ay, ar := f.approach(x, y, r, f.reach(r))
	d, ok := f.fit(ax, ay, min(max(ar, 0.8*r), 1.2*r))
	if ok && math.Hypot(d.x-ax, d.y-ay) > onTheWayPx {
		return f.fit(d.x, d.y, d.r)
	}
	return d, ok
}

// onTheWayPx is how far a fit may take a face from where it began, px, before its steps may have
// ended on the way.
const onTheWayPx = 3.0

// reach is how far from its place, px, an edge is looked for at first. A ball mirrors the lights
// in rings within its outline that are brighter than the outline itself: it is kept from those.
func (f *discFitter) reach(r float64) float64 {
	if f.uneven {
		return min(3, max(2, 0.1*r))
	}
	return min(6, 0.4*r)
}

// typical keeps the discs whose radius and contrast are near the usual: whole faces. drawn is the
// radius that the part says.
func (f *discFitter) typical(all []disc, drawn float64) []disc {
	if len(all) == 0 {
		return nil
	}
	var r, s []float64
	for _, i := range f.asDrawn(len(all), func(i int) float64 { return all[i].r / drawn }) {
		r = append(r, all[i].r)
		s = append(s, all[i].steps[directions/2])
	}
	mr, ms := median(r), median(s)
	return slices.DeleteFunc(all, func(d disc) bool {
		return math.Abs(d.r/mr-1) > 0.08 || d.steps[directions/8] < 0.4*ms
	})
}

// evenGround is by how much the sectors of even ground may differ, standard deviation, as a share of
// the fall of light across the edge. Where there is much noise, what it doesn't explain is small
// beside it, but a ground of one level still doesn't fit. Ground drawn flat shows up to 0.9 %,
// ceramic with its shadows 1.4 % and more.
const evenGround = 0.011

// even reports whether the ground around the faces has one level only: its sectors scatter no
// more than the noise explains.
func (f *discFitter) even(some []disc) bool {
	var excess, share []float64
	for i := range some {
		d := &some[i]
		j, _ := f.local(d.x, d.y)
		f.gather(d.x, d.y, d.r, j)
		var b, face levelsAround
		f.measureAround(&b, &face, 0, 0, d.r, 0, 0, 1)
		mean, ss := 0.0, 0.0
		for k := range sectors {
			mean += b[k] / sectors
		}
		for k := range sectors {
			ss += (b[k] - mean) * (b[k] - mean) / (sectors - 1)
		}
		perSector := 2 * math.Pi * d.r * f.groundPx / sectors / float64(max(1, f.every))
		v := f.noise.Var(mean) / perSector
		excess, share = append(excess, ss/v), append(share, (ss-v)/(d.steps[directions/2]*d.steps[directions/2]))
	}
	return median(excess) < 3 && median(share) < evenGround*evenGround
}

// rimSamples gathers the pixels about the edges of faces whose ground is nearly the same all
// around: an uneven one pulls the first fit and would teach the pull. All edges are taken at the
// median radius for the same reason. It takes at least leastTeachers.
func (f *discFitter) rimSamples(some []disc, rUm float64) []rimSample {
	type uneven struct {
		i int
		v float64
	}
	grounds, faces := make([]levelsAround, len(some)), make([]levelsAround, len(some))
	order := make([]uneven, len(some))
	for i := range some {
		d := &some[i]
		j, _ := f.local(d.x, d.y)
		f.gather(d.x, d.y, d.r, j)
		f.measureAround(&grounds[i], &faces[i], 0, 0, d.r, 0, 0, 1)
		var c, s float64
		for k := range sectors {
			sin, cos := math.Sincos(2 * math.Pi * (float64(k) + 0.5) / sectors)
			c += cos * grounds[i][k]
			s += sin * grounds[i][k]
		}
		order[i] = uneven{i, math.Hypot(c, s)}
	}
	slices.SortFunc(order, func(a, b uneven) int {
		switch {
		case a.v < b.v:
			return -1
		case a.v > b.v:
			return 1
		}
		return a.i - b.i
	})
	var out []rimSample
	for _, u := range order[:max(leastTeachers, len(order)/2)] {
		d := &some[u.i]
		r := rUm / d.umPx
		j, _ := f.local(d.x, d.y)
		f.gather(d.x, d.y, r, j)
		for i := range f.px {
			p := &f.px[i]
			a := d.inside
			if f.uneven {
				a = faces[u.i].at(p.around)
			}
			out = append(out, rimSample{t: p.rho - r, a: a, b: grounds[u.i].at(p.around), z: p.z})
		}
	}
	return out
}
