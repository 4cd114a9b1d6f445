package synth

import "math"

// rectangle returns the shape |p| < halfP, |q| < halfQ, µm.
func (pr *profile) rectangle(f *frame, halfP, halfQ float64) shape {
	k, gp, gq := f.k, 1/f.gp, 1/f.gq
	return shape{around(halfP, halfQ), func(p, q, s float64) float64 {
		s = 1 / s
		p, q = math.Abs(p), math.Abs(q)
		c := pr.edge((halfP-p)*gp*s, k)
		if c == 0 {
			return 0
		}
		c += pr.edge((halfP+p)*gp*s, k) - 1
		return c * (pr.edge((halfQ-q)*gq*s, k) + pr.edge((halfQ+q)*gq*s, k) - 1)
	}}
}

// disc returns a disc of a radius in µm about (0, 0).
func (pr *profile) disc(f *frame, radius float64) shape {
	g, kr := 1/f.g, pr.curvature(radius/f.g)
	reach := pr.reach
	return shape{around(radius, radius), func(p, q, s float64) float64 {
		g := g / s
		r := math.Sqrt(p*p + q*q)
		d := (radius - r) * g
		if d >= reach {
			return 1
		}
		if d <= -reach {
			return 0
		}
		return pr.round(d, f.direction(p, q), kr)
	}}
}

// curvature returns 1/r, held to where the series of [profile.round] converges: smaller discs
// look a little too large, though never out of place.
func (pr *profile) curvature(radiusPx float64) float64 {
	const leastRadius = 3 // in sigmas of blur and pixel together
	return 1 / max(radiusPx, leastRadius*math.Sqrt(pr.variance))
}

// direction returns nx⁴ + ny⁴ in the picture of the frame's direction (p, q).
func (f *frame) direction(p, q float64) float64 {
	return quartic(f.cos*p-f.sin*q, f.sin*p+f.cos*q)
}

// ring returns the area between two circles.
func (pr *profile) ring(f *frame, outer, inner float64) shape {
	a, b := pr.disc(f, outer), pr.disc(f, inner)
	return shape{a.box, func(p, q, s float64) float64 { return a.cover(p, q, s) - b.cover(p, q, s) }}
}

// cross returns two bars across each other.
func (pr *profile) cross(f *frame, halfLength, halfWidth float64) shape {
	a, b := pr.rectangle(f, halfLength, halfWidth), pr.rectangle(f, halfWidth, halfLength)
	both := pr.rectangle(f, halfWidth, halfWidth)
	return shape{around(halfLength, halfLength), func(p, q, s float64) float64 {
		return a.cover(p, q, s) + b.cover(p, q, s) - both.cover(p, q, s)
	}}
}

// roundedRectangle returns a rectangle whose corners are arcs.
func (pr *profile) roundedRectangle(f *frame, halfP, halfQ, radius float64) shape {
	if radius <= 0 {
		return pr.rectangle(f, halfP, halfQ)
	}
	straight := pr.rectangle(f, halfP, halfQ)
	kr := pr.curvature(radius / f.g)
	return shape{straight.box, func(p, q, s float64) float64 {
		dp, dq := math.Abs(p)-(halfP-radius), math.Abs(q)-(halfQ-radius)
		if dp <= 0 || dq <= 0 {
			return straight.cover(p, q, s)
		}
		d := (radius - math.Hypot(dp, dq)) / (f.g * s)
		return pr.round(d, f.direction(math.Copysign(dp, p), math.Copysign(dq, q)), kr)
	}}
}

// fade is the share of light from inside a soft outline, by the distance in widths: shadows and
// glare need no more than its look.
func fade(z float64) float64 { return smooth(min(max(z/5+0.5, 0), 1)) }

// fadeSigma is the standard deviation of the slope of fade: 5 widths of 6t(1−t), whose variance is 1/20.
const fadeSigma = 1.118

// A wobble is a closed outline that strays from a simple one: a sum of waves round it.
type wobble struct {
	amplitude, phase []float64
	first            int // waves round the outline of the first term
}

func (w wobble) at(angle float64) float64 {
	var sum float64
	for i, a := range w.amplitude {
		sum += a * math.Sin(float64(w.first+i)*angle+w.phase[i])
	}
	return sum
}

// blob returns a disc whose radius is radius·(1 + wobble), squeezed by aspect along q; soft is
// how far, µm, its edge fades beyond the blur.
func (pr *profile) blob(f *frame, radius, aspect float64, w wobble, soft float64) shape {
	reach := radius * 1.6
	if soft > 0 {
		soft = math.Hypot(soft, math.Sqrt(pr.variance)*f.g/fadeSigma)
	}
	return shape{around(reach+3*soft, (reach+3*soft)*aspect), func(p, q, s float64) float64 {
		q /= aspect
		r := math.Hypot(p, q)
		if r > reach+3*soft {
			return 0
		}
		d := radius*(1+w.at(math.Atan2(q, p))) - r
		if soft > 0 {
			return fade(d / soft)
		}
		return pr.edge(d/(f.g*s), 0.75)
	}}
}

// path returns a line of a width, µm, along points of the frame.
func (pr *profile) path(f *frame, points [][2]float64, width float64) shape {
	b := box{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, at := range points {
		b = box{min(b.p0, at[0]), min(b.q0, at[1]), max(b.p1, at[0]), max(b.q1, at[1])}
	}
	b = box{b.p0 - width/2, b.q0 - width/2, b.p1 + width/2, b.q1 + width/2}
	return shape{b, func(p, q, s float64) float64 {
		best := math.Inf(1)
		for i := 1; i < len(points); i++ {
			best = min(best, segmentDistance2(p, q, points[i-1], points[i]))
		}
		g := 1 / (f.g * s)
		return pr.line(math.Sqrt(best)*g, width/2*g, 0.75)
	}}
}

// segmentDistance2 returns the squared distance from (p, q) to a segment.
func segmentDistance2(p, q float64, a, b [2]float64) float64 {
	dx, dy := b[0]-a[0], b[1]-a[1]
	t := 0.0
	if l := dx*dx + dy*dy; l > 0 {
		t = min(max(((p-a[0])*dx+(q-a[1])*dy)/l, 0), 1)
	}
	ex, ey := p-a[0]-t*dx, q-a[1]-t*dy
	return ex*ex + ey*ey
}
