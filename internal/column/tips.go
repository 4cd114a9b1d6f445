package column

import (
	"math"
	"slices"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/picture"
)

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
	var seen []*disc
	for i := range seats {
		s := &seats[i]
		if !f.holds(s.px, s.py, drawn+3*f.sigma+5) {
			s.unseen = true
			continue
		}
		s.d, s.found = f.near(s.px, s.py, drawn)
		if s.found && s.d.lower() > 0 {
			seen = append(seen, &s.d)
		}
	}
	var radii, steps, misfits []float64
	for _, i := range f.asDrawn(len(seen), func(i int) float64 { return seen[i].r / drawn }) {
		d := seen[i]
		radii = append(radii, d.r*d.umPx)
		steps = append(steps, d.steps[directions/2])
		misfits = append(misfits, d.misfit)
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
		usual, gleam := v.stepNear(seats, i), leastGleam*v.gleamNear(seats, i)
		if v.shapely(&s.d, usual) && s.d.misfit < poorMisfit*f.misfit {
			gleam /= 2 // a smudge may hide half of the lights
		}
		whole := s.found && v.wholeAgainst(&s.d, usual) && s.d.gleam >= gleam
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
				again.gleam = s.d.gleam
				s.d = again
			}
			if !ok || d.loss >= s.d.loss || !v.wholeAgainst(&d, usual) {
				continue
			}
			d.gleam = s.d.gleam
		case !ok:
		case pic.balls():
			d.gleam = f.gleam(&d)
			s.found = d.lower() > offStep*usual && d.gleam >= gleam
		default:
			dark, even := pic.darkness(o, &s.site, f.noise)
			s.found = v.believed(&d, usual, dark, even, d.misfit/f.misfit, math.Sqrt(f.noise.Var(d.inside)))
			far := math.Hypot(d.x-s.px, d.y-s.py) > dimReach*v.pitch
			if dark < flankDark && (far || d.misfit > soundDim*f.misfit) && d.lower() < dimStep*usual {
				if q, ok := f.huntDim(s.px, s.py, v); ok {
					d, s.found = q, true
				}
			}
		}
		if s.found {
			s.d = d
		}
	}
	return v
}

// asDrawn lists which of n discs, whose sizes over the drawn one size gives, tell what faces of the
// picture look like: those of about the drawn size, for where many columns are missing the bare pads
// are the others; all where hardly any are. A worn rim makes a column's face smaller, nothing larger.
func (f *discFitter) asDrawn(n int, size func(int) float64) []int {
	const least, larger = 0.1, 0.06 // share of all; of the drawn size
	most := larger
	if f.uneven {
		most = faceShare
	}
	all, like := make([]int, n), make([]int, 0, n)
	for i := range all {
		all[i] = i
		if s := size(i) - 1; s > -faceShare && s < most {
			like = append(like, i)
		}
	}
	if float64(len(like)) < least*float64(n) {
		return all
	}
	return like
}

// whole reports whether a disc is without doubt a face.
func (v sight) whole(d *disc) bool { return v.wholeAgainst(d, v.step) }

func (v sight) wholeAgainst(d *disc, step float64) bool {
	return d.lower() > wholeStep*step && math.Abs(d.r*d.umPx/v.um-1) < v.wholeRadius
}

// shapely reports whether a disc has a ball's size to a few percent and about its fall of light: the
// bare pad under a ball is smaller, and fainter or brighter.
func (v sight) shapely(d *disc, usual float64) bool {
	const size, least, most = 0.05, 0.6, 1.2
	return d.lower() > least*usual && d.lower() < most*usual && math.Abs(d.r*d.umPx/v.um-1) < size
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

// gleamNear is the usual gleam of the balls within two rows and columns of site i, likewise.
func (v sight) gleamNear(seats []seat, i int) float64 {
	var gleams []float64
	c := seats[i].site
	for k := range seats {
		s := &seats[k]
		if v.gleam > 0 && k != i && s.found && abs(s.row-c.row) <= 2 && abs(s.col-c.col) <= 2 && v.wholeAgainst(&s.d, 0.5*v.step) {
			gleams = append(gleams, s.d.gleam)
		}
	}
	if len(gleams) < 5 {
		return v.gleam
	}
	return min(v.gleam, max(median(gleams), 0.4*v.gleam))
}

func abs(i int) int { return max(i, -i) }

// believed decides whether a disc that isn't whole is a face: by the fall of light across its
// edge; by how well a blurred circle fits, which it does on a face in the dark and doesn't on bare
// paste; and by the dark flank or fillet that a column shows beside a dim face and an empty pad
// doesn't. dark and even are what darkness returns, misfit is against that of whole faces, noise the
// standard deviation of a pixel.
func (v sight) believed(d *disc, usual, dark, even, misfit, noise float64) bool {
	fall := d.lower() / usual
	if fall < wholeStep && pasteLike(fall, dark, misfit) {
		return false
	}
	if misfit < soundDim && dark < min(shadedDark, even-evenLess) && fall > faintStep && d.lower() > noise && math.Abs(d.r*d.umPx/v.um-1) < v.wholeRadius {
		return true
	}
	if size := d.r*d.umPx/v.um - 1; (fall > wholeStep || fall > dimStep && dark < flankDark) && size > -hiddenRadius && size < hiddenMore {
		return true
	}
	if math.Abs(d.r*d.umPx/v.um-1) > v.dimRadius {
		return false
	}
	if fall > dimStep {
		return true
	}
	return fall > faintStep && 10*fall+10*(flankDark-dark) > faintSum
}

// pasteLike reports whether a weak disc fits badly where no flank is dark enough to excuse it.
func pasteLike(fall, dark, misfit float64) bool {
	switch {
	case dark > bareDark:
		return true // beside a column something is dark
	case fall < dimStep && dark > deepDark:
		return misfit > poorMisfit
	case dark > flankDark: // in a neighbour's shadow, or dim itself
		return misfit > badMisfit
	}
	return false
}

const (
	// hiddenRadius is by how much the radius of a bright face may differ of which a fibre hides a part.
	// Hidden, it may seem smaller by so much and larger by little: a bare pad is larger.
	hiddenRadius = 0.2
	hiddenMore   = 0.08

	// Seen on drawn pictures of known truth: dim faces fit up to 1.3 times as badly as whole ones, with
	// a twentieth of the pad at up to 0.83 of the ceramic's level; bare paste from 1.4 times on, and
	// where it fits less than 2.5 times as badly, from 0.98 on.
	soundDim   = 1.35
	shadedDark = 0.9
	bareDark   = 1.0
	evenLess   = 0.05 // by how much darker than noise alone makes it, beside a face that may be paste
	badMisfit  = 3.2  // bare paste in a shadow fits 3.8 times as badly from there on, a dim face 2.8 times at most
	deepDark   = 0.3  // darker are only the flanks of columns that lean far: 0.23 at most
	dimReach   = 0.25 // of the pitch: farther off its site a dim face is looked for more closely

	dimStep   = 0.15 // share of the usual fall of light that no blot of flux or paste reaches
	faintStep = 0.04 // below it there is no face
	flankDark = 0.45 // level of a flank, as a share of bare ceramic's, that speaks for neither
	faintSum  = 1.3
)

// darkness returns the level of the darkest twentieth of the pad of a site over that of the
// ceramic between the sites, both above black, and what noise makes of that where nothing is dark.
func (pic *shot) darkness(o *outline, s *site, noise picture.Noise) (dark, even float64) {
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
		return 1, 1
	}
	slices.Sort(pad)
	level := median(bare)
	above := max(level-pic.black, 1)
	return (pad[len(pad)/20] - pic.black) / above, 1 - twentieth*math.Sqrt(noise.Var(level))/above
}

// twentieth is how many standard deviations below the mean a twentieth of normal values lies.
const twentieth = 1.645

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

// object returns where a disc's centre lies on the plane of the faces, freed of the scope's bias.
func (pic *shot) object(d *disc) geom.ScopePoint {
	at := pic.tip.ToObject(geom.ImagePoint{X: d.x, Y: d.y})
	return geom.ScopePoint{X: at.X - geom.Length(pic.bias.X), Y: at.Y - geom.Length(pic.bias.Y)}
}
