package column

import (
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/scope"
)

// A disc is a bright round end face fitted to raw pixels.
type disc struct {
	x, y   float64       // image place of its centre, px
	r      float64       // radius, px at that place
	cov    [2][2]float64 // of (x, y) along the object's axes, in px² at that place
	ur     float64
	inside float64 // level of the face, DN
	ground float64 // mean level beyond its edge
	misfit float64 // root of the reduced chi-square
	loss   float64 // mean square of the residuals over their noise, each bounded
	umPx   float64 // µm per px there
	gleam  float64 // balls: how far the lights' reflections stand out from the face, DN

	// steps holds the fall of light across the edge in directions around the disc, sorted rising.
	steps [directions]float64
}

const directions = 32

var rays = func() (d [directions]struct{ x, y float64 }) {
	for k := range d {
		d[k].y, d[k].x = math.Sincos(2 * math.Pi * (float64(k) + 0.5) / directions)
	}
	return d
}()

// sectors is the number of arcs for which the ground beyond the edge has a level of its own:
// shadow, flank and pad differ around a tip.
const sectors = 16

// A discFitter fits discs of one picture; it keeps its memory from one to the next.
type discFitter struct {
	g        *picture.Gray
	noise    picture.Noise
	plane    scope.Plane
	sigma    float64 // px, the pixel's square included
	gx, gy   float64 // slope of the light, 1/px along the image axes
	flat     bool    // the ground is even: one level for it, over groundPx beyond the edge
	groundPx float64
	misfit   float64 // usual misfit of whole faces; 0 while unknown
	known    float64 // faces' radius, µm, where it is to hold the fit; 0 where free
	every    int     // one in so many pixels is used; 0 means all
	uneven   bool    // the face too has a level of its own in each sector, along its rim
	edge     *edgeProfile

	sharp *sharpness

	px     []facePixel // near the edge
	levels []uint16    // of the face
	pulls  []pull
}

// at reads the level at a place by the nearest pixel; places outside read as the border.
func (f *discFitter) at(x, y float64) float64 {
	i := min(max(int(x+0.5), 0), f.g.W-1)
	j := min(max(int(y+0.5), 0), f.g.H-1)
	return float64(f.g.Pix[j*f.g.W+i])
}

// nearest reads as at does at places that start at (x, y) and follow each other by (dx, dy).
func (f *discFitter) nearest(to []int, x, y, dx, dy float64) {
	last := float64(len(to) - 1)
	right, bottom := float64(f.g.W-1), float64(f.g.H-1)
	if min(x, x+last*dx) < 0 || min(y, y+last*dy) < 0 || max(x, x+last*dx) > right || max(y, y+last*dy) > bottom {
		for i := range to {
			to[i] = int(f.at(x+float64(i)*dx, y+float64(i)*dy))
		}
		return
	}
	const one = 1 << 32 // a pixel, in steps of fixed point
	px, py := int64((x+0.5)*one), int64((y+0.5)*one)
	sx, sy := int64(dx*one), int64(dy*one)
	for i := range to {
		to[i] = int(f.g.Pix[int(py>>32)*f.g.W+int(px>>32)])
		px += sx
		py += sy
	}
}

// local returns the linear map from image offsets (px) to object offsets (px of um µm each, y up)
// about an image point.
func (f *discFitter) local(x, y float64) (j [2][2]float64, um float64) {
	px := f.plane.ToObject(geom.ImagePoint{X: x + 1, Y: y})
	mx := f.plane.ToObject(geom.ImagePoint{X: x - 1, Y: y})
	py := f.plane.ToObject(geom.ImagePoint{X: x, Y: y + 1})
	my := f.plane.ToObject(geom.ImagePoint{X: x, Y: y - 1})
	j = [2][2]float64{
		{float64(px.X-mx.X) / 2, float64(py.X-my.X) / 2},
		{float64(px.Y-mx.Y) / 2, float64(py.Y-my.Y) / 2},
	}
	um = math.Sqrt(math.Abs(j[0][0]*j[1][1] - j[0][1]*j[1][0]))
	for a := range j {
		for b := range j[a] {
			j[a][b] /= um
		}
	}
	return j, um
}

// approach moves a rough centre to the disc's by the steepest fall along rays: good to half a
// pixel when the start is wrong by less than reach. It reports the radius too.
func (f *discFitter) approach(x, y, r, reach float64) (ax, ay, ar float64) {
	var d [directions]float64
	n := int(2*reach) + 1
	var levels [64]int
	half := 1 + int(f.sigma)
	ray := levels[:min(n+2*half, len(levels))]
	start := r - reach - float64(half)
	for k := range rays {
		f.nearest(ray, x+start*rays[k].x, y+start*rays[k].y, rays[k].x, rays[k].y)
		best, at := math.MinInt, 0
		for i := half; i < len(ray)-half; i++ {
			if g := ray[i-half] - ray[i+half]; g > best {
				best, at = g, i-half
			}
		}
		d[k] = r - reach + float64(at)
	}
	// d_k ≈ r + dx cos + dy sin; the median and a second look without strays.
	ar = r
	for range 4 {
		var n, sx, sy, s float64
		for k := range d {
			e := d[k] - ar - (ax*rays[k].x + ay*rays[k].y)
			w := 1 / (1 + e*e)
			n += w
			s += w * e
			sx += w * e * rays[k].x
			sy += w * e * rays[k].y
		}
		ar += s / n
		ax += 2 * sx / n
		ay += 2 * sy / n
	}
	return x + ax, y + ay, ar
}

const (
	bandSigma = 3.0 // the edge's own light ends there
	ballBand  = 2.0 // what tells where an edge lies, to half a percent, is nearer to it
	levelGap  = 1.5 // sigmas from the edge at which levels are taken: the profile knows the rest
	flatGap   = 2.3 // the same where one level holds all around
	maxSteps  = 6
	smallPx   = 0.1

	leastPixels = 60 // that bring the centre near

	// startScale is how many times the noise the residuals at the start may have: half a pixel off,
	// those of the edge itself have many times that.
	startScale = 4.0

	// radiusSpread is how far, as a share, faces of one array differ in radius.
	radiusSpread = 0.01
	slackPx      = 1.5 // by how much the centre may move without gathering pixels anew

	// farShare is how far, as a share of the radius, the centre may move before the pixels are laid
	// about it anew: to second order their distances then err by less than a thousandth of a pixel.
	farShare = 0.03
)

// fit refines a disc from a start good to about a pixel, by maximum likelihood: a blurred
// circle on a face of one level and a ground of known levels, robustly weighted.
func (f *discFitter) fit(x, y, r float64) (disc, bool) {
	if !(r > 2) || !f.holds(x, y, r+bandSigma*f.sigma+slackPx+3) {
		return disc{}, false
	}
	j, um := f.local(x, y)
	d := disc{x: x, y: y, r: r, umPx: um}
	f.gather(x, y, r, j)
	if !f.uneven {
		d.inside = f.face(x, y, r)
	}

	// The slope of the light along the object's axes (j is nearly a turn).
	lx := f.gx*j[0][0] + f.gy*j[0][1]
	ly := f.gx*j[1][0] + f.gy*j[1][1]

	var from geom.ImagePoint // the centre about which the pixels are laid, px on the object from (x, y)
	e := estimate{r: r}
	scale := startScale
	for step := 0; ; step++ {
		// The first step only brings the centre near: a third of the pixels will do.
		stride := 1
		if step == 0 {
			stride = max(1, min(3, len(f.px)/leastPixels))
		}
		if e.x*e.x+e.y*e.y > farShare*farShare*r*r {
			f.lay(e.x, e.y)
			from.X, from.Y = from.X+e.x, from.Y+e.y
			e.x, e.y = 0, 0
		}
		if step < 2 {
			f.measureLevels(&d, &e, lx, ly, stride)
		}
		q := f.score(&e, stride, 3.5*scale)
		if q.n < 40.0/float64(stride*max(1, f.every)) {
			return d, false
		}
		if f.known > 0 {
			known := f.known / um
			w := 1 / (radiusSpread * known * radiusSpread * known)
			q.h[5] += w
			q.g[2] += w * (known - e.r)
		}
		inv, ok := invert3(q.h)
		if !ok {
			return d, false
		}
		sx := inv[0]*q.g[0] + inv[1]*q.g[1] + inv[2]*q.g[2]
		sy := inv[1]*q.g[0] + inv[3]*q.g[1] + inv[4]*q.g[2]
		sr := inv[2]*q.g[0] + inv[4]*q.g[1] + inv[5]*q.g[2]
		limit := 1.5 / max(1.5, math.Sqrt(sx*sx+sy*sy), math.Abs(sr))
		e.x, e.y, e.r = e.x+sx*limit, e.y+sy*limit, e.r+sr*limit
		// What the step leaves of the residuals.
		left := math.Sqrt(max(0.01, 1-(sx*q.g[0]+sy*q.g[1]+sr*q.g[2])/max(q.chi, 1e-9)))
		scale = max(1, 1.2533*q.abs/q.n*left)
		if e.r < 0.4*r || e.r > 2*r || math.Hypot(from.X+e.x, from.Y+e.y) > r {
			return d, false
		}
		// A step is followed by one a tenth as long.
		small := math.Abs(sx)+math.Abs(sy)+math.Abs(sr) < smallPx
		if step == 0 || !small && step < maxSteps {
			continue
		}
		// Texture is correlated over a few pixels: what exceeds the noise doesn't average down like it.
		d.misfit = math.Sqrt(q.chi / max(1, q.n-3))
		grow := max(1, d.misfit*d.misfit)
		if grow > 1.3 {
			grow *= 2
		}
		d.cov = [2][2]float64{{inv[0] * grow, inv[1] * grow}, {inv[1] * grow, inv[3] * grow}}
		d.ur = math.Sqrt(inv[5] * grow)
		d.loss = q.loss / q.n
		d.r = e.r
		det := j[0][0]*j[1][1] - j[0][1]*j[1][0]
		u, v := from.X+e.x, from.Y+e.y
		d.x = x + (j[1][1]*u-j[0][1]*v)/det
		d.y = y + (-j[1][0]*u+j[0][0]*v)/det
		f.stepsAround(&d)
		return d, true
	}
}

// holds reports whether a disc of radius r about (x, y) lies in the picture.
func (f *discFitter) holds(x, y, r float64) bool {
	return x-r >= 0 && y-r >= 0 && x+r <= float64(f.g.W-1) && y+r <= float64(f.g.H-1)
}

// face returns the level of the face, dust left out.
func (f *discFitter) face(x, y, r float64) float64 {
	inner := max(1.5, r-levelGap*f.sigma-1)
	in2 := inner * inner
	y0, y1 := max(0, int(y-inner)), min(f.g.H-1, int(y+inner)+1)
	skip := 1
	if !f.flat {
		skip = 2
	}
	f.levels = f.levels[:0]
	for yy := y0; yy <= y1; yy += skip {
		dy := float64(yy) - y
		half := in2 - dy*dy
		if half <= 0 {
			continue
		}
		half = math.Sqrt(half)
		x0, x1 := max(0, int(x-half)+1), min(f.g.W-1, int(x+half))
		f.levels = append(f.levels, f.g.Pix[yy*f.g.W+x0:yy*f.g.W+max(x0, x1+1)]...)
	}
	lo, hi := 0, math.MaxInt
	mean := 0.0
	for range 3 {
		n, s, ss := 0, 0, 0
		for _, v := range f.levels {
			if z := int(v); z >= lo && z <= hi {
				n++
				s += z
				ss += z * z
			}
		}
		if n == 0 {
			return mean
		}
		mean = float64(s) / float64(n)
		sd := math.Sqrt(max(0, float64(ss)/float64(n)-mean*mean))
		lo, hi = int(math.Ceil(mean-2.5*sd)), int(math.Floor(mean+2.5*sd))
	}
	return mean
}

// stepsAround measures the fall of light across the edge in all directions.
func (f *discFitter) stepsAround(d *disc) {
	f.steps(d.x, d.y, d.r, &d.steps)
}

func (f *discFitter) steps(x, y, r float64, s *[directions]float64) {
	gap := f.sigma + 0.5
	for k := range rays {
		a := f.at(x+(r-gap)*rays[k].x, y+(r-gap)*rays[k].y)
		b := f.at(x+(r+gap)*rays[k].x, y+(r+gap)*rays[k].y)
		s[k] = a - b
	}
	sortFew(s[:])
}

// sortFew sorts a short list in place.
func sortFew(v []float64) {
	for i := 1; i < len(v); i++ {
		x := v[i]
		k := i
		for k > 0 && v[k-1] > x {
			v[k] = v[k-1]
			k--
		}
		v[k] = x
	}
}

// invert3 inverts the symmetric matrix (h0 h1 h2; h1 h3 h4; h2 h4 h5).
func invert3(h [6]float64) (v [6]float64, ok bool) {
	c0 := h[3]*h[5] - h[4]*h[4]
	c1 := h[2]*h[4] - h[1]*h[5]
	c2 := h[1]*h[4] - h[2]*h[3]
	det := h[0]*c0 + h[1]*c1 + h[2]*c2
	if !(det > 1e-12*h[0]*h[3]*h[5]) {
		return v, false
	}
	return [6]float64{c0 / det, c1 / det, c2 / det,
		(h[0]*h[5] - h[2]*h[2]) / det, (h[1]*h[2] - h[0]*h[4]) / det, (h[0]*h[3] - h[1]*h[1]) / det}, true
}
