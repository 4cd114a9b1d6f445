package column

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/fit"
)

// Within its outline a ball mirrors the lights in rings whose edges are stronger than the outline's
// own, and outside of it lies its own shadow: a fit of the nearest or the strongest edge ends on the
// one or the other. The outline is where light falls for the last time on the way out. How it falls
// there is learnt from all balls together along rays from their centres, as two levels with a slope
// each that meet at the limb, blurred; then each ball's limb is looked for from outside.

const (
	girthStep  = 0.5  // px between the places of a ray
	girthIn    = 0.25 // share of the drawn radius by which rays begin inside of it
	girthOut   = 0.35 // and end outside
	girthOdd   = 0.17 // by how much, as a share, an outline's radius may differ from the usual one
	lastFall   = 0.3  // share of the strongest fall that the last one has at least
	limbLike   = 0.9  // share of a profile's variance that a limb explains
	limbLeast  = 0.25 // share of the usual fall of light that it shows at least
	leastLimbs = 4    // balls that teach what limbs look like

	girthSmallPx = 0.03 // a step of the fit that is followed by none

	// bilinearPx is what reading between pixels adds to the blur: the root of a sixth, for the
	// variance of the weights u and 1-u is u(1-u).
	bilinearPx = 0.408

	// girthGrow is how many times errors are what the residuals explain: a neighbour mirrored beside
	// the limb is no noise. Seen on ray-traced pictures of known truth (2.3 to 3).
	girthGrow = 2.6

	// A ball darkens toward its limb, so that light falls most steeply within it: by 0.05 to 0.25 px
	// on the same pictures.
	limbPx       = 0.15
	limbSpreadPx = 0.09
)

// A girth is the outline of one ball.
type girth struct {
	found   bool
	x, y, r float64 // px
	u, ur   float64 // of the centre per axis and of the radius
}

// A girthFitter holds rays of the balls of a picture. rays[i] are those of ball i, one after the
// other, nil where there is none; around[i] is the usual level around at each radius.
type girthFitter struct {
	sigma  float64
	from   float64 // px from the centre, of the first place of a ray
	n      int     // places of a ray
	rays   [][]float64
	around [][]float64

	radius  float64 // usual place of the limb, px
	step    float64 // usual fall of light there; 0 while unknown
	profile limbProfile
}

// A limbProfile is what ball and ground look like at girthStep across a limb in the middle: a ray
// there has the levels a·face + b·ground.
type limbProfile struct {
	face, ground             []float64
	faceSlope, groundSlope   []float64 // 1/px
	sumFF, sumFG, sumGG, det float64
}

// newGirthFitter makes room for n balls of radius r, px.
func newGirthFitter(sigma, r float64, n int) *girthFitter {
	return &girthFitter{sigma: math.Hypot(sigma, bilinearPx), from: (1 - girthIn) * r, n: int((girthIn+girthOut)*r/girthStep) + 1,
		rays: make([][]float64, n), around: make([][]float64, n)}
}

// girths fits the outlines of the balls found, about their present centres; r is the drawn radius,
// px. Nil where too few balls show one.
func (f *discFitter) girths(seats []seat, r float64) []girth {
	q := newGirthFitter(f.sigma, r, len(seats))
	for i := range seats {
		s := &seats[i]
		if !s.found || !f.holds(s.d.x, s.d.y, (1+girthOut)*r+2) {
			continue
		}
		q.sample(f, i, s.d.x, s.d.y)
	}
	limbs := q.learn()
	if limbs == nil {
		return nil
	}
	out := make([]girth, len(seats))
	for i, at := range limbs {
		if at > 0 {
			out[i] = q.refine(i, at)
			out[i].x += seats[i].d.x
			out[i].y += seats[i].d.y
		}
	}
	return out
}

// sample reads the rays of ball i.
func (q *girthFitter) sample(f *discFitter, i int, x, y float64) {
	v := make([]float64, directions*q.n)
	for k, d := range rays {
		f.along(v[k*q.n:(k+1)*q.n], x+q.from*d.x, y+q.from*d.y, girthStep*d.x, girthStep*d.y)
	}
	m := make([]float64, q.n)
	const few, parts = directions / 2, 64 // whole numbers sort faster: a level in parts
	var levels [few]int
	for at := range m {
		for k := range levels {
			levels[k] = int(parts * v[2*k*q.n+at])
		}
		// The middle half: a fibre, a bridge, a neighbour's gleam do no harm.
		sortSteps(&levels)
		sum := 0
		for _, l := range levels[few/4 : 3*few/4] {
			sum += l
		}
		m[at] = float64(sum) / (parts * few / 2)
	}
	q.rays[i], q.around[i] = v, m
}

// learn finds what limbs look like and returns the radius of that of each ball, 0 where there is none;
// nil where too few balls show one.
func (q *girthFitter) learn() []float64 {
	usual := make([]float64, q.n)
	limbs := 0
	for _, m := range q.around {
		for k, l := range m {
			usual[k] += l
		}
		if m != nil {
			limbs++
		}
	}
	at, ok := lastFallOf(usual, max(1, int(q.sigma/girthStep)))
	half := int((2*q.sigma + 1.5) / girthStep)
	if limbs < leastLimbs || !ok || int(at)-half < 0 || int(at)+half >= q.n {
		return nil
	}
	q.radius = q.from + girthStep*at
	places := make([]float64, len(q.around))
	for i := range places {
		places[i] = q.radius
	}
	for range 2 { // the second time with each ball's own limb in the middle
		sum, moved := make([]float64, 2*half+1), make([]float64, 2*half+1)
		limbs := 0
		for i, m := range q.around {
			if m == nil || places[i] == 0 || !q.moved(moved, m, places[i]) {
				continue
			}
			for k, l := range moved {
				sum[k] += l
			}
			limbs++
		}
		if limbs < leastLimbs || !q.profile.fit(sum, q.sigma) {
			return nil
		}
		var steps []float64
		for i := range q.around {
			places[i] = q.search(i)
			if places[i] > 0 && q.moved(moved, q.around[i], places[i]) {
				a, b, _ := q.profile.match(moved)
				steps = append(steps, a-b)
			}
		}
		if len(steps) > 0 {
			q.step = median(steps)
		}
	}
	return places
}

// moved reads a ray with radius r in the middle of to, by a cubic through four neighbours (Catmull &
// Rom), and reports whether the ray reaches that far.
func (q *girthFitter) moved(to, ray []float64, r float64) bool {
	at := (r-q.from)/girthStep - float64(len(to)/2)
	i := int(math.Floor(at))
	if i < 1 || i+len(to)+2 > len(ray) {
		return false
	}
	w := at - float64(i)
	a, b := -0.5*w*(1-w)*(1-w), 1+w*w*(1.5*w-2.5)
	c, d := w*(0.5+w*(2-1.5*w)), -0.5*w*w*(1-w)
	for k := range to {
		v := ray[i+k-1 : i+k+3]
		to[k] = a*v[0] + b*v[1] + c*v[2] + d*v[3]
	}
	return true
}

// limbParts returns, t px outside of a limb, what a face of level 1 and one of slope 1/px contribute
// to the blurred level, and then the ground's two.
func limbParts(t, sigma float64) [4]float64 {
	cdf, pdf := normal(t / sigma)
	return [4]float64{1 - cdf, t*(1-cdf) - sigma*pdf, cdf, t*cdf + sigma*pdf}
}

// fit makes the profile that of a limb whose place, levels and slopes are fitted to v: where in v the
// limb lies doesn't matter.
func (p *limbProfile) fit(v []float64, sigma float64) bool {
	best := math.Inf(1)
	var c [4]float64
	for shift := -1.5; shift < 1.6; shift += 0.05 {
		h, g := mat.NewSymDense(4, nil), mat.NewVecDense(4, nil)
		rest := 0.0
		for k, z := range v {
			b := limbParts(girthStep*float64(k-len(v)/2)-shift, sigma)
			for i := range b {
				g.SetVec(i, g.AtVec(i)+b[i]*z)
				for j := i; j < 4; j++ {
					h.SetSym(i, j, h.At(i, j)+b[i]*b[j])
				}
			}
			rest += z * z
		}
		var chol mat.Cholesky
		var x mat.VecDense
		if !chol.Factorize(h) || chol.SolveVecTo(&x, g) != nil {
			return false
		}
		if rest -= mat.Dot(&x, g); rest < best {
			best = rest
			copy(c[:], x.RawVector().Data)
		}
	}
	if !(c[0] > c[2]) || !(c[2] > 0) {
		return false
	}
	*p = limbProfile{face: make([]float64, len(v)), ground: make([]float64, len(v)),
		faceSlope: make([]float64, len(v)), groundSlope: make([]float64, len(v))}
	for k := range v {
		t := girthStep * float64(k-len(v)/2)
		b, before, after := limbParts(t, sigma), limbParts(t-0.01, sigma), limbParts(t+0.01, sigma)
		in, out := c[1]/c[0], c[3]/c[2]
		p.face[k], p.ground[k] = b[0]+in*b[1], b[2]+out*b[3]
		p.faceSlope[k] = (after[0] - before[0] + in*(after[1]-before[1])) / 0.02
		p.groundSlope[k] = (after[2] - before[2] + out*(after[3]-before[3])) / 0.02
		p.sumFF += p.face[k] * p.face[k]
		p.sumFG += p.face[k] * p.ground[k]
		p.sumGG += p.ground[k] * p.ground[k]
	}
	p.det = p.sumFF*p.sumGG - p.sumFG*p.sumFG
	return true
}

// match fits the levels of face and ground to a ray with the limb in its middle, and returns them and
// the share of the ray's variance that they explain.
func (p *limbProfile) match(v []float64) (a, b, share float64) {
	var s, ss, fl, gl float64
	for k, l := range v {
		s += l
		ss += l * l
		fl += p.face[k] * l
		gl += p.ground[k] * l
	}
	a, b = (fl*p.sumGG-gl*p.sumFG)/p.det, (gl*p.sumFF-fl*p.sumFG)/p.det
	return a, b, 1 - (ss-a*fl-b*gl)/max(ss-s*s/float64(len(v)), 1e-9)
}

// search returns the radius of the outermost place where a ball looks like a limb, 0 for none.
func (q *girthFitter) search(i int) float64 {
	m := q.around[i]
	n := len(q.profile.face)
	share := func(k int) float64 { // with the limb at place k
		if k-n/2 < 0 || k-n/2+n > len(m) {
			return 0
		}
		a, b, share := q.profile.match(m[k-n/2 : k-n/2+n])
		if a < b+limbLeast*q.step {
			return 0
		}
		return share
	}
	place := func(share float64) int { return int((share*q.radius - q.from) / girthStep) }
	before, before2 := 0.0, 0.0
	for k := place(1 + girthOdd); k >= place(1-girthOdd); k-- {
		now := share(k)
		if before > limbLike && now < before && before2 < before {
			// The top of the parabola through three.
			at := float64(k) + 1 + 0.5*(now-before2)/(now-2*before+before2)
			return q.from + girthStep*at
		}
		before, before2 = now, before
	}
	return 0
}

// refine fits centre, from the present one, and radius to all rays of a ball: by least squares,
// robustly weighted (Tukey's biweight), the levels of each ray free.
func (q *girthFitter) refine(i int, r float64) girth {
	const steps, least = 5, directions / 2 // rays that show a limb
	p := &q.profile
	var x, y float64
	var inv [6]float64
	var rms float64
	scale := math.Inf(1)
	levels := make([]float64, len(p.face))
	rests := make([]float64, 0, directions*len(p.face))
	for step := range steps {
		var h [6]float64
		var g [3]float64
		var sum, weight float64
		rests = rests[:0]
		seen := 0
		for k, way := range rays {
			if !q.moved(levels, q.rays[i][k*q.n:(k+1)*q.n], r+x*way.x+y*way.y) {
				continue
			}
			a, b, _ := p.match(levels)
			if a < b {
				continue
			}
			seen++
			var gr, hr float64
			for t, l := range levels {
				e := l - a*p.face[t] - b*p.ground[t]
				if (t+k)&3 == 0 { // enough for a scale
					rests = append(rests, math.Abs(e))
				}
				w := 1 - e/scale*(e/scale)
				if w <= 0 {
					continue
				}
				w *= w
				j := -(a*p.faceSlope[t] + b*p.groundSlope[t]) // per px that the limb moves outward
				gr += w * j * e
				hr += w * j * j
				sum += w * e * e
				weight += w
			}
			g[0], g[1], g[2] = g[0]+gr*way.x, g[1]+gr*way.y, g[2]+gr
			h[0], h[1], h[2] = h[0]+hr*way.x*way.x, h[1]+hr*way.x*way.y, h[2]+hr*way.x
			h[3], h[4], h[5] = h[3]+hr*way.y*way.y, h[4]+hr*way.y, h[5]+hr
		}
		var ok bool
		if inv, ok = invert3(h); !ok || seen < least {
			return girth{}
		}
		dx, dy, dr := inv[0]*g[0]+inv[1]*g[1]+inv[2]*g[2], inv[1]*g[0]+inv[3]*g[1]+inv[4]*g[2], inv[2]*g[0]+inv[4]*g[1]+inv[5]*g[2]
		x, y, r = x+dx, y+dy, r+dr
		if math.Hypot(x, y) > girthOdd*q.radius || math.Abs(r/q.radius-1) > girthOdd+0.05 {
			return girth{}
		}
		scale = 4.5 * 1.4826 * fit.Nth(rests, len(rests)/2)
		rms = math.Sqrt(sum / weight)
		if step > 0 && math.Abs(dx)+math.Abs(dy)+math.Abs(dr) < girthSmallPx {
			break
		}
	}
	// Blur makes neighbouring places of a ray alike; a Gaussian's worth of them is 2√π σ.
	u2 := girthGrow * girthGrow * rms * rms * 2 * math.Sqrt(math.Pi) * q.sigma / girthStep
	return girth{found: true, x: x, y: y, r: r + limbPx + q.sigma*q.sigma/(2*r), // a blurred disc's edge lies σ²/2r inside
		u: math.Sqrt((inv[0] + inv[3]) / 2 * u2), ur: math.Hypot(math.Sqrt(inv[5]*u2), limbSpreadPx)}
}

// lastFallOf returns where in v light falls for the last time by at least lastFall of the strongest
// fall, both over lag places.
func lastFallOf(v []float64, lag int) (at float64, found bool) {
	fall := make([]float64, len(v)-lag)
	most := 0.0
	for k := range fall {
		fall[k] = v[k] - v[k+lag]
		most = max(most, fall[k])
	}
	for k := len(fall) - 2; k > 0; k-- {
		if a, b, c := fall[k-1], fall[k], fall[k+1]; b >= lastFall*most && b >= a && b > c {
			return float64(k) + 0.5*(a-c)/(a-2*b+c) + float64(lag)/2, true
		}
	}
	return 0, false
}
