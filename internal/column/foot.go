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
	// A ray that begins within the face's blurred light sees its rise too far out: under a perspective
	// lens, where tips lie beside their feet, rings would be drawn toward the tips all over the field.
	hidden := tr + 2*q.f.sigma + q.reach
	for _, every := range [...]int{2, 1} { // every second ray brings the ring near
		rounds := 7 - 2*every
		var d [footRays]float64
		var w [footRays]bool
		var rises [footRays]float64
		seen := 0
		rise = 0
		for k := 0; k < footRays; k += every {
			dir := rays[k]
			hx, hy := cx+cr*dir.x-tx, cy+cr*dir.y-ty
			if hx*hx+hy*hy < hidden*hidden {
				continue
			}
			t := cr - q.reach - lag/2.0*step
			q.f.along(ray[:n+lag], cx+t*dir.x, cy+t*dir.y, step*dir.x, step*dir.y)
			// The centroid of the rise.
			var num, den float64
			for i := range n {
				g := max(0, ray[i+lag]-ray[i])
				num += g * (float64(i)*step - q.reach)
				den += g
			}
			if den > 0 {
				d[k], w[k], rises[k] = num/den, true, den
				rise += den
				seen++
			}
		}
		if seen < footRays/4/every {
			return 0, 0, 0, 0, false
		}
		rise /= float64(seen)
		var ax, ay, ar, good float64
		for range rounds {
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
			lean := 1.5 / float64(every) // rays' worth
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

// along reads the levels at places that start at (x, y) and follow each other by (dx, dy), as
// between does.
func (f *discFitter) along(to []float64, x, y, dx, dy float64) {
	last := float64(len(to) - 1)
	w, right, bottom := f.g.W, float64(f.g.W-2), float64(f.g.H-2)
	if !(min(x, x+last*dx) >= 1 && min(y, y+last*dy) >= 1 && max(x, x+last*dx) < right && max(y, y+last*dy) < bottom) {
		for k := range to {
			to[k] = f.between(x+float64(k)*dx, y+float64(k)*dy)
		}
		return
	}
	const one = 1 << 32            // a pixel, in steps of fixed point
	const bits = 12                // of it, for the weights of neighbours
	const half = one >> (bits + 1) // rounds to them
	px, py, sx, sy := int64(x*one)+half, int64(y*one)+half, int64(dx*one), int64(dy*one)
	for k := range to {
		u, v := int(uint32(px)>>(32-bits)), int(uint32(py)>>(32-bits))
		i := int(py>>32)*w + int(px>>32)
		p := f.g.Pix[i : i+w+2]
		a := int(p[0])<<bits + u*(int(p[1])-int(p[0]))
		b := int(p[w])<<bits + u*(int(p[w+1])-int(p[w]))
		to[k] = float64(a<<bits+v*(b-a)) * (1.0 / (1 << (2 * bits)))
		px += sx
		py += sy
	}
}

// footTeachers is how many feet, spread over the array, tell where fillets end.
const footTeachers = 120

// feet looks for the foot of every column found.
func (pic *shot) feet(f *discFitter, o *outline, seats []seat, offsets [][2]float64) footing {
	a := pic.part.Array
	none := footing{uUm: footScatterUm}
	if a.PadMm <= a.DiameterMm {
		return none
	}
	var best *footFinder
	bestOf := none
	stride := max(1, len(seats)/footTeachers)
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
const closed = 0.15
