package column

import (
	"math"

	"plumbsquare/internal/geom"
)

// A foot is where a column stands: the centre of the ring in which its solder fillet ends.
type foot struct {
	found bool
	x, y  float64 // drawing frame from the site, µm
	agree float64 // share of the rays that agree on the ring
	rise  float64 // mean rise of light across it
	under bool    // the ring closes around the tip: an upright column off its site
}

// footRays is the number of directions in which the fillet's end is looked for.
const footRays = 32

// A footFinder finds feet on the substrate's plane.
type footFinder struct {
	f     *discFitter // of the faces, for its picture
	rPx   float64     // usual radius of the fillet's end
	reach float64     // px to both sides
	rise  float64     // usual rise of light across it; 0 while unknown
}

// fillets lie between the column and the edge of its pad; these are the places tried, as shares
// of the way from the one to the other.
var filletShares = [...]float64{0.65, 0.8, 0.93}

// find looks for the ring of light's rise around (x, y), leaving out what the face at (tx, ty)
// with radius tr hides.
//
// agree is the share of the rays that see it where it should be, each worth what it sees of the
// usual rise; rise is the mean rise.
func (q *footFinder) find(x, y, tx, ty, tr float64) (cx, cy, agree, rise float64, ok bool) {
	const step = 0.5
	const lag = 3 // of step, over which the rise is taken
	n := int(2*q.reach/step) + 1
	var ray [64]float64
	cx, cy = x, y
	cr := q.rPx
	for range 2 {
		var d [footRays]float64
		var w [footRays]bool
		var rises [footRays]float64
		seen := 0
		rise = 0
		for k := range footRays {
			dir := rays[k]
			hx, hy := cx+cr*dir.x-tx, cy+cr*dir.y-ty
			if hx*hx+hy*hy < (tr+2)*(tr+2) {
				continue
			}
			for i := range n + lag {
				t := cr - q.reach + (float64(i)-lag/2.0)*step
				ray[i] = q.f.between(cx+t*dir.x, cy+t*dir.y)
			}
			// The centroid of the rise.
			var num, den float64
			for i := range n {
				if g := ray[i+lag] - ray[i]; g > 0 {
					num += g * (float64(i)*step - q.reach)
					den += g
				}
			}
			if den > 0 {
				d[k], w[k], rises[k] = num/den, true, den
				rise += den
				seen++
			}
		}
		if seen < footRays/4 {
			return 0, 0, 0, 0, false
		}
		rise /= float64(seen)
		var ax, ay, ar, good float64
		for range 5 {
			// Weighted normal equations of d = ar + ax cos + ay sin; the radius leans on the usual one.
			var h [6]float64
			var g0, g1, g2 float64
			good = 0
			for k := range footRays {
				if !w[k] {
					continue
				}
				c, s := rays[k].x, rays[k].y
				e := d[k] - ar - ax*c - ay*s
				v := 1 / (1 + e*e/0.25)
				if q.rise > 0 {
					good += v * min(1, rises[k]/q.rise)
				} else {
					good += v
				}
				h[0] += v * c * c
				h[1] += v * c * s
				h[2] += v * c
				h[3] += v * s * s
				h[4] += v * s
				h[5] += v
				g0 += v * e * c
				g1 += v * e * s
				g2 += v * e
			}
			const lean = 1.5 // rays' worth
			h[5] += lean
			g2 += lean * (q.rPx - cr - ar)
			inv, ok := invert3(h)
			if !ok {
				return 0, 0, 0, 0, false
			}
			ax += inv[0]*g0 + inv[1]*g1 + inv[2]*g2
			ay += inv[1]*g0 + inv[3]*g1 + inv[4]*g2
			ar += inv[2]*g0 + inv[4]*g1 + inv[5]*g2
		}
		cx, cy, cr = cx+ax, cy+ay, cr+ar
		agree = good / footRays
		if math.Abs(cr-q.rPx) > 4 || math.Hypot(cx-x, cy-y) > 2*q.reach {
			return 0, 0, 0, 0, false
		}
	}
	return cx, cy, agree, rise, true
}

// between reads the level at a place by bilinear interpolation; outside it reads as 0.
func (f *discFitter) between(x, y float64) float64 {
	i, j := int(x), int(y)
	if x < 0 || y < 0 || i+1 >= f.g.W || j+1 >= f.g.H {
		return 0
	}
	u, v := x-float64(i), y-float64(j)
	p := f.g.Pix[j*f.g.W+i:]
	q := f.g.Pix[(j+1)*f.g.W+i:]
	return (float64(p[0])*(1-u)+float64(p[1])*u)*(1-v) + (float64(q[0])*(1-u)+float64(q[1])*u)*v
}

// feet looks for the foot of every column found.
func (pic *shot) feet(f *discFitter, o *outline, seats []seat, offsets [][2]float64) footing {
	a := pic.part.Array
	none := footing{uUm: footScatterUm}
	if a.PadMm <= a.DiameterMm {
		return none
	}
	var best *footFinder
	bestOf := none
	stride := max(1, len(seats)/calibrationSites)
	feet := make([]foot, len(seats))
	for _, share := range filletShares {
		q := pic.footFinder(f, o, share)
		clear(feet)
		var rises []float64
		for i := stride / 2; i < len(seats); i += stride {
			if seats[i].found {
				feet[i] = pic.footFrom(q, o, &seats[i], 0, 0)
				rises = append(rises, feet[i].rise)
			}
		}
		if len(rises) == 0 {
			return none
		}
		q.rise = median(rises)
		if t := learnFooting(seats, feet, offsets); t.uUm < bestOf.uUm {
			best, bestOf = q, t
		}
	}
	if best == nil {
		return none
	}
	clear(feet)
	for i := range seats {
		feet[i] = pic.footOf(best, o, &seats[i], offsets[i])
	}
	t := learnFooting(seats, feet, offsets)
	t.gapUm = best.rPx*pic.base.UmPerPx() - 500*a.DiameterMm
	if t.uUm >= footScatterUm {
		return none
	}
	for i := range seats {
		seats[i].foot = feet[i]
	}
	return t
}

func (pic *shot) footFinder(f *discFitter, o *outline, share float64) *footFinder {
	a := pic.part.Array
	r := 500 * (a.DiameterMm + share*(a.PadMm-a.DiameterMm)) / pic.base.UmPerPx()
	return &footFinder{f: f, rPx: r, reach: 1.5 + 0.5*o.sigmaPx}
}

// footFrom looks for a foot about the place (dx, dy) µm from the site.
func (pic *shot) footFrom(q *footFinder, o *outline, s *seat, dx, dy float64) foot {
	scale := geom.Length(o.pose.Scale)
	start := pic.base.ToImage(o.pose.ToScope(geom.DrawingPoint{
		X: geom.Length(s.x) + geom.Length(dx)/scale, Y: geom.Length(s.y) + geom.Length(dy)/scale}))
	cx, cy, agree, rise, ok := q.find(start.X, start.Y, s.d.x, s.d.y, s.d.r)
	if !ok {
		return foot{}
	}
	at := o.pose.ToDrawing(pic.base.ToObject(geom.ImagePoint{X: cx, Y: cy}))
	n := o.pose.Nominal(geom.DrawingPoint{X: geom.Length(s.x), Y: geom.Length(s.y)})
	return foot{found: true, x: float64(at.X - n.X), y: float64(at.Y - n.Y), agree: agree, rise: rise}
}

// footOf finds one foot: about the site, or, for a tip far from it, under the tip, where the ring
// of an upright column off its site closes all around the tip.
func (pic *shot) footOf(q *footFinder, o *outline, s *seat, tip [2]float64) foot {
	if !s.found {
		return foot{}
	}
	home := pic.footFrom(q, o, s, 0, 0)
	far := math.Hypot(tip[0], tip[1])
	if far < 8*footScatterUm {
		return home
	}
	away := pic.footFrom(q, o, s, tip[0], tip[1])
	if away.found && away.agree > home.agree+closed && math.Hypot(away.x-tip[0], away.y-tip[1]) < 0.15*far+20 {
		away.under = true
		return away
	}
	return home
}

// closed is by how much more of a ring an upright column shows under its tip than about its site.
const closed = 0.05

// A footing is what the feet of a picture are worth. A foot is seen at
//
//	seen = own·foot + lean·(tip - foot) + error
//
// own is below 1 where solder keeps the ring near its pad, lean above 0 where the light fades
// gently and the column's shadow takes the ring along.
type footing struct {
	own, lean float64
	uUm       float64 // standard uncertainty of a foot, per axis
	seenUm    float64 // scatter of seen feet, per axis
	agree     float64 // usual share of rays that agree
	gapUm     float64 // from the face's edge to the ring of an upright column
}

// Feet scatter about their sites by footScatterUm per axis when healthy (common practice, no
// source); the sharpest ring is seen with footErrorUm.
const (
	footScatterUm = 8.0
	footErrorUm   = 1.5
)

// learnFooting takes own and lean from how feet and tips vary together over the array: with
// var(foot) = S given, L = var(tip) - S the variance of the leans and e² that of the error,
//
//	cov(seen, tip) = own·S + lean·L,  var(seen) = own²·S + lean²·L + e².
func learnFooting(seats []seat, feet []foot, offsets [][2]float64) footing {
	none := footing{uUm: footScatterUm}
	var n, ft, ff, tt float64
	var mean [4]float64
	usable := func(i int) bool {
		return feet[i].found && math.Hypot(feet[i].x, feet[i].y) < 40 && math.Hypot(offsets[i][0]-mean[2], offsets[i][1]-mean[3]) < 60
	}
	var use []int
	for range 2 { // the second time about the common lean
		use = use[:0]
		for i := range seats {
			if usable(i) {
				use = append(use, i)
			}
		}
		n = float64(len(use))
		if n < 20 {
			return none
		}
		mean = [4]float64{}
		for _, i := range use {
			for k, v := range [4]float64{feet[i].x, feet[i].y, offsets[i][0], offsets[i][1]} {
				mean[k] += v / n
			}
		}
	}
	for _, i := range use {
		fx, fy := feet[i].x-mean[0], feet[i].y-mean[1]
		tx, ty := offsets[i][0]-mean[2], offsets[i][1]-mean[3]
		ft += (fx*tx + fy*ty) / (2 * n)
		ff += (fx*fx + fy*fy) / (2 * n)
		tt += (tx*tx + ty*ty) / (2 * n)
	}
	s := min(footScatterUm*footScatterUm, 0.8*tt)
	l := tt - s
	v := ff - footErrorUm*footErrorUm
	a, b, c := l*l/s+l, ft*l/s, ft*ft/s-v
	var agree []float64
	for _, i := range use {
		agree = append(agree, feet[i].agree)
	}
	t := footing{seenUm: math.Sqrt(ff), agree: 0.85 * median(agree)}
	if d := b*b - a*c; d > 0 {
		t.lean = max(0, (b-math.Sqrt(d))/a)
	} else {
		t.lean = max(0, b/a)
	}
	t.own = (ft - t.lean*l) / s
	gain := t.own - t.lean
	if gain < 0.1 {
		return none
	}
	e := max(footErrorUm*footErrorUm, ff-t.own*t.own*s-t.lean*t.lean*l) / (gain * gain)
	t.uUm = math.Sqrt(e * s / (e + s))
	return t
}

// stand returns where a column stands, µm from its site, and how well that is known per axis.
// The seen foot, freed of the tip's pull, is weighed against the site itself, about which healthy
// feet scatter; one that stands far off is taken as seen.
func (t footing) stand(f foot, tip [2]float64) (x, y, u float64) {
	if !f.found || t.uUm >= footScatterUm {
		return 0, 0, footScatterUm
	}
	// The tip pulls the ring until it covers it.
	far := math.Hypot(tip[0]-f.x, tip[1]-f.y)
	pull := t.lean * min(1, max(0, 1-(far-t.gapUm)/(0.4*t.gapUm)))
	gain := t.own - t.lean
	x, y = (f.x-pull*tip[0])/gain, (f.y-pull*tip[1])/gain
	if away := math.Hypot(f.x, f.y) / (4 * t.seenUm); away > 1 {
		if f.agree < t.agree && !f.under {
			return 0, 0, footScatterUm
		}
		k := min(1, away-1)
		x, y = x+k*(f.x-x), y+k*(f.y-y)
		return x, y, max(t.uUm, 2*footErrorUm)
	}
	w := 1 - t.uUm*t.uUm/(footScatterUm*footScatterUm)
	return w * x, w * y, t.uUm
}
