package column

import (
	"math"
	"slices"

	"plumbsquare/internal/geom"
)

// calibrationSites is how many faces, spread over the array, teach what their edges look like.
const calibrationSites = 120

// newDiscFitter makes a fitter for the faces of this picture: a first fit of some of them, with
// a sharp edge, tells whether the ground is even and, where it isn't, the profile of the rim.
func (pic *shot) newDiscFitter(o *outline, seats []seat) *discFitter {
	f := &discFitter{g: pic.g, noise: pic.noise, plane: pic.tip, sigma: o.sigmaPx, polarity: 1,
		gx: o.gx, gy: o.gy, groundPx: 2, uneven: pic.balls(), edge: sharpProfile(o.sigmaPx)}
	r := pic.radiusPx()
	f.every = 2
	if f.uneven {
		f.every = 3
	}
	some := f.sample(seats, r)
	if len(some) < 8 {
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
		f.edge = measureProfile(f.rimSamples(f.sample(seats, r), face), f.sigma, 0)
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
	return typical(some)
}

// teachers is how many faces teach what edges look like.
func (f *discFitter) teachers() int {
	if f.uneven {
		return 60 // balls are large, and their edges long
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
	return f.fit(ax, ay, min(max(ar, 0.8*r), 1.2*r))
}

// reach is how far from its place, px, an edge is looked for at first. A ball mirrors the lights
// in rings within its outline that are brighter than the outline itself: it is kept from those.
func (f *discFitter) reach(r float64) float64 {
	if f.uneven {
		return min(3, max(2, 0.1*r))
	}
	return min(6, 0.4*r)
}

// typical keeps the discs whose radius and contrast are near the median: whole faces.
func typical(all []disc) []disc {
	if len(all) == 0 {
		return nil
	}
	var r, s []float64
	for i := range all {
		r = append(r, all[i].r)
		s = append(s, all[i].steps[directions/2])
	}
	mr, ms := median(r), median(s)
	return slices.DeleteFunc(all, func(d disc) bool {
		return math.Abs(d.r/mr-1) > 0.08 || d.steps[directions/8] < 0.4*ms
	})
}

// even reports whether the ground around the faces has one level only: its sectors scatter no
// more than the noise explains.
func (f *discFitter) even(some []disc) bool {
	var excess []float64
	for i := range some {
		d := &some[i]
		j, _ := f.local(d.x, d.y)
		f.gather(d.x, d.y, d.r, j)
		var b, face levelsAround
		f.measureAround(&b, &face, 0, 0, d.r, 0, 0)
		mean, ss := 0.0, 0.0
		for k := range sectors {
			mean += b[k] / sectors
		}
		for k := range sectors {
			ss += (b[k] - mean) * (b[k] - mean) / (sectors - 1)
		}
		perSector := 2 * math.Pi * d.r * f.groundPx / sectors
		excess = append(excess, ss*perSector/f.noise.Var(mean))
	}
	return median(excess) < 3
}

// rimSamples gathers the pixels about the edges of faces whose ground is nearly the same all
// around: an uneven one pulls the first fit and would teach the pull. All edges are taken at the
// median radius for the same reason.
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
		f.measureAround(&grounds[i], &faces[i], 0, 0, d.r, 0, 0)
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
	for _, u := range order[:max(8, len(order)/2)] {
		d := &some[u.i]
		r := rUm / d.umPx
		j, _ := f.local(d.x, d.y)
		f.gather(d.x, d.y, r, j)
		for i := range f.px {
			p := &f.px[i]
			a := d.inside
			if f.uneven {
				a = faces[u.i].at(p.u, p.v)
			}
			out = append(out, rimSample{t: math.Sqrt(p.u*p.u+p.v*p.v) - r, a: a, b: grounds[u.i].at(p.u, p.v), z: p.z})
		}
	}
	return out
}

// A sight is what faces of this picture look like.
type sight struct {
	r      float64 // median radius, px at the middle of the picture
	um     float64 // the same in µm
	step   float64 // median fall of light across the edge
	pitch  float64 // px
	within float64 // how far from its site a face is looked for, px
	gleam  float64 // balls: median gleam

	// By how much the radius of a whole and of a dim face may differ from the usual one.
	wholeRadius, dimRadius float64
}

// wholeStep is the share of the usual fall of light that three quarters of a whole face's edge show.
const wholeStep = 0.35

// dropDoubles leaves each face to the site it is nearest to: a search all over a site may come
// upon a neighbour that leans over.
func dropDoubles(seats []seat, v sight) {
	at := make(map[[2]int]int, len(seats))
	for i := range seats {
		at[[2]int{seats[i].row, seats[i].col}] = i
	}
	for i := range seats {
		a := &seats[i]
		for _, next := range [4][2]int{{0, 1}, {1, -1}, {1, 0}, {1, 1}} {
			k, ok := at[[2]int{a.row + next[0], a.col + next[1]}]
			if !ok || !a.found || !seats[k].found {
				continue
			}
			b := &seats[k]
			if math.Hypot(a.d.x-b.d.x, a.d.y-b.d.y) > 0.8*v.r {
				continue
			}
			if math.Hypot(a.d.x-a.px, a.d.y-a.py) <= math.Hypot(b.d.x-b.px, b.d.y-b.py) {
				b.found = false
			} else {
				a.found = false
			}
		}
	}
}

// poorMisfit is how much worse than usual a fit may be before another is looked for.
const poorMisfit = 2.5

// End faces are cut from one wire; balls vary more, and a bare pad may be nearly as large.
func (pic *shot) tolerances(v *sight) {
	v.wholeRadius, v.dimRadius = 0.06, 0.08
	if pic.balls() {
		v.wholeRadius, v.dimRadius = 0.15, 0.15
	}
}

// findTips looks for the face at each site: where it should be, then, where that shows no whole
// face, all over the site.
func (pic *shot) findTips(f *discFitter, o *outline, seats []seat) sight {
	drawn := pic.radiusPx()
	var radii, steps, misfits []float64
	for i := range seats {
		s := &seats[i]
		if !f.holds(s.px, s.py, drawn+3*f.sigma+5) {
			s.unseen = true
			continue
		}
		s.d, s.found = f.near(s.px, s.py, drawn)
		if s.found && s.d.lower() > 0 {
			radii = append(radii, s.d.r*s.d.umPx)
			steps = append(steps, s.d.steps[directions/2])
			misfits = append(misfits, s.d.misfit)
		}
	}
	v := sight{pitch: 1000 * pic.part.Array.PitchMm / pic.tip.UmPerPx()}
	if len(radii) == 0 {
		return v
	}
	f.misfit = median(misfits)
	v.um = median(radii)
	v.r = v.um / pic.tip.UmPerPx()
	v.step = median(steps)
	v.within = 0.45 * v.pitch
	pic.tolerances(&v)
	if pic.balls() {
		pic.findGleams(f, seats, &v)
	}
	for i := range seats {
		s := &seats[i]
		poor := s.d.misfit > poorMisfit*f.misfit
		if s.unseen || s.found && !poor && v.whole(&s.d) && s.d.gleam >= leastGleam*v.gleam {
			continue
		}
		usual := v.stepNear(seats, i)
		whole := s.found && v.wholeAgainst(&s.d, usual) && s.d.gleam >= leastGleam*v.gleam
		if whole && !poor {
			continue
		}
		s.found = false
		d, ok := f.hunt(s.px, s.py, v)
		switch {
		case whole:
			s.found = true
			// Only now is it known what a loss is to be bounded by.
			if again, fits := f.fit(s.d.x, s.d.y, s.d.r); fits {
				s.d.loss = again.loss
			}
			if !ok || d.loss >= s.d.loss || !v.wholeAgainst(&d, usual) {
				continue
			}
			d.gleam = s.d.gleam
		case !ok:
		case pic.balls():
			d.gleam = f.gleam(&d)
			s.found = d.lower() > offStep*usual && d.gleam >= leastGleam*v.gleam
		default:
			s.found = v.believed(&d, usual, pic.darkness(o, &s.site))
		}
		if s.found {
			s.d = d
		}
	}
	return v
}

// whole reports whether a disc is without doubt a face.
func (v sight) whole(d *disc) bool { return v.wholeAgainst(d, v.step) }

func (v sight) wholeAgainst(d *disc, step float64) bool {
	return d.lower() > wholeStep*step && math.Abs(d.r*d.umPx/v.um-1) < v.wholeRadius
}

// stepNear is the usual fall of light among the faces within two rows and columns of site i:
// where the light is uneven a dim face among dim ones is a whole one.
func (v sight) stepNear(seats []seat, i int) float64 {
	var steps []float64
	c := seats[i].site
	for k := range seats {
		s := &seats[k]
		if k != i && s.found && abs(s.row-c.row) <= 2 && abs(s.col-c.col) <= 2 && s.d.lower() > 0 {
			steps = append(steps, s.d.steps[directions/2])
		}
	}
	if len(steps) < 5 {
		return v.step
	}
	return min(v.step, max(median(steps), 0.2*v.step))
}

func abs(i int) int { return max(i, -i) }

// believed decides whether a disc that isn't whole is a face: by the fall of light across its
// edge, and by the dark flank or fillet that a column shows beside a dim face and an empty pad
// doesn't.
func (v sight) believed(d *disc, usual, dark float64) bool {
	fall := d.lower() / usual
	if math.Abs(d.r*d.umPx/v.um-1) > v.dimRadius {
		return false
	}
	if fall > dimStep {
		return true
	}
	return fall > faintStep && 10*fall+10*(flankDark-dark) > faintSum
}

const (
	dimStep   = 0.15 // share of the usual fall of light that no blot of flux or paste reaches
	faintStep = 0.04 // below it there is no face
	flankDark = 0.45 // level of a flank, as a share of bare ceramic's, that speaks for neither
	faintSum  = 1.3
)

// darkness returns the level of the darkest twentieth of the pad of a site over that of the
// ceramic between the sites, both above black.
func (pic *shot) darkness(o *outline, s *site) float64 {
	a := pic.part.Array
	um := pic.base.UmPerPx()
	centre := func(dx, dy float64) geom.ImagePoint {
		return pic.base.ToImage(o.pose.ToScope(geom.DrawingPoint{X: geom.Length(s.x + dx), Y: geom.Length(s.y + dy)}))
	}
	pixels := func(c geom.ImagePoint, r float64) []float64 {
		var v []float64
		for y := max(0, int(c.Y-r)); y <= min(pic.g.H-1, int(c.Y+r)); y++ {
			for x := max(0, int(c.X-r)); x <= min(pic.g.W-1, int(c.X+r)); x++ {
				if math.Hypot(float64(x)-c.X, float64(y)-c.Y) <= r {
					v = append(v, pic.g.At(x, y))
				}
			}
		}
		return v
	}
	pad := pixels(centre(0, 0), max(2, 0.85*500*max(a.PadMm, 1.2*a.DiameterMm)/um))
	half := 500 * a.PitchMm
	var bare []float64
	for _, c := range [4][2]float64{{half, half}, {-half, half}, {half, -half}, {-half, -half}} {
		if v := pixels(centre(c[0], c[1]), 2.5); len(v) > 0 {
			bare = append(bare, median(v))
		}
	}
	if len(pad) == 0 || len(bare) == 0 {
		return 1
	}
	slices.Sort(pad)
	return (pad[len(pad)/20] - pic.black) / max(median(bare)-pic.black, 1)
}

// lower is the fall of light across the worse three quarters of the edge.
func (d *disc) lower() float64 { return lowerMean(d.steps[:]) }

// lowerMean is the mean of the lower three quarters of sorted steps, none taken as lower than a
// quarter of their median below 0: dust or a fibre that hides or outshines a part of an edge does
// little harm, and an edge that isn't there gains nothing.
func lowerMean(sorted []float64) float64 {
	floor := -0.25 * max(0, sorted[len(sorted)/2])
	if floor == 0 {
		floor = math.Inf(-1)
	}
	n := len(sorted) * 3 / 4
	sum := 0.0
	for _, s := range sorted[:n] {
		sum += max(s, floor)
	}
	return sum / float64(n)
}

// hunt looks for a face all over a site: circles of the usual radius at every second pixel, the
// best few fitted.
func (f *discFitter) hunt(px, py float64, v sight) (disc, bool) {
	const stepPx = 2.0
	type spot struct{ x, y, r, score float64 }
	radii := []float64{v.r}
	if f.uneven {
		radii = []float64{v.r, 0.94 * v.r, 1.06 * v.r, 1.12 * v.r}
	}
	var spots []spot
	n := int(v.within / stepPx)
	for iy := -n; iy <= n; iy++ {
		for ix := -n; ix <= n; ix++ {
			dx, dy := float64(ix)*stepPx, float64(iy)*stepPx
			if dx*dx+dy*dy > v.within*v.within || !f.holds(px+dx, py+dy, v.r+2*f.sigma+2) {
				continue
			}
			for _, r := range radii {
				spots = append(spots, spot{px + dx, py + dy, r, f.circle(px+dx, py+dy, r)})
			}
		}
	}
	slices.SortFunc(spots, func(a, b spot) int {
		switch {
		case a.score > b.score:
			return -1
		case a.score < b.score:
			return 1
		}
		return 0
	})
	// A dim face shows little of its edge: all pixels, and columns, cut from one wire, at the usual
	// radius.
	every := f.every
	f.every = 1
	if !f.uneven {
		f.known = v.um
	}
	defer func() { f.every, f.known = every, 0 }()
	var best disc
	found := false
	var tried []spot
	for _, s := range spots {
		if len(tried) == 4 {
			break
		}
		if slices.ContainsFunc(tried, func(t spot) bool { return math.Hypot(t.x-s.x, t.y-s.y) < 0.4*v.r }) {
			continue
		}
		tried = append(tried, s)
		x, y, r := f.approach(s.x, s.y, s.r, min(4, f.reach(s.r)))
		d, ok := f.fit(x, y, min(max(r, 0.9*s.r), 1.1*s.r))
		if !ok || math.Hypot(d.x-px, d.y-py) > 1.1*v.within {
			continue
		}
		if math.Abs(d.r*d.umPx/v.um-1) > 0.2 {
			continue
		}
		if !found || d.lower() > best.lower() {
			best, found = d, true
		}
	}
	if found {
		f.shake(&best)
	}
	return best, found
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
	var s [directions / 2]float64
	gap := f.sigma + 0.5
	for k := range s {
		d := rays[2*k]
		s[k] = f.polarity * (f.at(x+(r-gap)*d.x, y+(r-gap)*d.y) - f.at(x+(r+gap)*d.x, y+(r+gap)*d.y))
	}
	sortFew(s[:])
	return lowerMean(s[:])
}

// object returns where a disc's centre lies on the plane of the faces.
func (pic *shot) object(d *disc) geom.ScopePoint {
	return pic.tip.ToObject(geom.ImagePoint{X: d.x, Y: d.y})
}
