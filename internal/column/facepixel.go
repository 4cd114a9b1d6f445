package column

import (
	"math"
	"slices"

	"plumbsquare/internal/picture"
)

// A facePixel is a pixel near a face's edge as it is seen from the centre about which the pixels are
// laid: lengths in px on the object.
type facePixel struct {
	rho      float64 // distance from the centre
	cos, sin float64 // direction
	bend     float64 // 1/2rho
	around   float64 // direction in sectors, counter-clockwise from +u
	z        float64 // level, DN
	a, b     float64 // levels that face and ground would have there
}

// lay places the pixel at (u, v) from the centre.
func (p *facePixel) lay(u, v float64) {
	p.rho = math.Sqrt(u*u + v*v)
	sum := math.Abs(u) + math.Abs(v)
	over := 1 / (p.rho*sum + 1e-300) // one quotient for two
	p.cos, p.sin, p.bend = u*sum*over, v*sum*over, sum*over/2
	p.around = diamond(u, v*p.rho*over) * (sectors / 4.0)
}

// distance is how far the pixel lies from a centre moved by (x, y), a small part of rho.
func (p *facePixel) distance(x, y float64) float64 {
	aside := p.sin*x - p.cos*y
	return p.rho - (p.cos*x + p.sin*y) + aside*aside*p.bend
}

// lay lays the pixels about a centre moved by (x, y).
func (f *discFitter) lay(x, y float64) {
	for i := range f.px {
		p := &f.px[i]
		p.lay(p.rho*p.cos-x, p.rho*p.sin-y)
	}
}

// gather collects the pixels from the edge's inner band outward to where the ground's levels end,
// and lays them about (x, y).
func (f *discFitter) gather(x, y, r float64, j [2][2]float64) {
	inner := max(0, r-f.band()-slackPx)
	if f.uneven {
		inner = max(0, r-levelGap*f.sigma-f.groundPx-slackPx)
	}
	outer := r + levelGap*f.sigma + f.groundPx + slackPx/2
	x0, x1 := max(0, int(x-outer)), min(f.g.W-1, int(x+outer)+1)
	y0, y1 := max(0, int(y-outer)), min(f.g.H-1, int(y+outer)+1)
	middle, half := (inner*inner+outer*outer)/2, (outer*outer-inner*inner)/2
	every := max(1, f.every)
	ux, vx := j[0][0]*float64(every), j[1][0]*float64(every)
	n := 0
	for yy := y0; yy <= y1; yy++ {
		row := f.g.Pix[yy*f.g.W : (yy+1)*f.g.W]
		// Rows start one after the other, so that the pixels used lie evenly.
		first := x0 + (2*yy)%every
		dx, dy := float64(first)-x, float64(yy)-y
		u, v := j[0][0]*dx+j[0][1]*dy, j[1][0]*dx+j[1][1]*dy
		f.px = slices.Grow(f.px[:n], (x1-first)/every+2)
		px := f.px[:cap(f.px)]
		for xx := first; xx <= x1; xx += every {
			// No branch: where the band begins and ends can't be foretold.
			p := &px[n]
			p.cos, p.sin, p.z = u, v, float64(row[xx])
			in := 0
			if math.Abs(u*u+v*v-middle) < half {
				in = 1
			}
			n += in
			u += ux
			v += vx
		}
	}
	f.px = f.px[:n]
	for i := range f.px {
		p := &f.px[i]
		p.lay(p.cos, p.sin)
	}
}

// An estimate is a disc's centre, px on the object from where the pixels are laid, and radius.
type estimate struct{ x, y, r float64 }

// measureLevels gives every stride-th pixel the levels of face and ground that belong to it.
func (f *discFitter) measureLevels(d *disc, e *estimate, lx, ly float64, stride int) {
	var ground, face levelsAround
	f.measureAround(&ground, &face, e.x, e.y, e.r, lx, ly, stride)
	d.ground = 0
	for k := range sectors {
		d.ground += ground[k] / sectors
	}
	for i := 0; i < len(f.px); i += stride {
		p := &f.px[i]
		light := 1 + lx*(p.rho*p.cos-e.x) + ly*(p.rho*p.sin-e.y)
		p.a = d.inside * light
		if f.flat {
			p.b = ground[0] * light
			continue
		}
		k, w := middles(p.around)
		p.b = ground[k] + w*(ground[k+1]-ground[k])
		if f.uneven {
			p.a = face[k] + w*(face[k+1]-face[k])
		}
	}
}

// band is how far from an edge its pixels are scored, px.
func (f *discFitter) band() float64 {
	if f.uneven {
		return ballBand * f.sigma
	}
	return bandSigma * f.sigma
}

// A sharpness tells 1 over the standard deviation of a pixel by its level.
type sharpness struct {
	perDN float64
	at    [1024]float64
}

func sharpnessOf(n picture.Noise, fullScale int) *sharpness {
	s := new(sharpness)
	s.perDN = float64(len(s.at)) / float64(fullScale+1)
	for i := range s.at {
		s.at[i] = 1 / math.Sqrt(n.Var((float64(i)+0.5)/s.perDN))
	}
	return s
}

func (s *sharpness) of(dn float64) float64 {
	i := int(dn * s.perDN)
	if i < 0 {
		i = 0
	}
	if i >= len(s.at) {
		i = len(s.at) - 1
	}
	return s.at[i]
}

// A score is what one pass over the pixels gives: normal equations (h in the order of invert3)
// and residuals over their noise.
type score struct {
	h           [6]float64
	g           [3]float64
	n, abs, chi float64 // count, sum of the absolute values, weighted sum of squares
	loss        float64 // sum of the squares, each bounded
}

// score passes over every stride-th pixel near the edge. Residuals beyond bound lose weight,
// beyond twice the bound all of it.
func (f *discFitter) score(e *estimate, stride int, bound float64) (q score) {
	cut := 1 / (4 * bound * bound)
	lossBound := 9 * max(1, f.misfit*f.misfit)
	// Knots of the band that the edge's light reaches.
	knots, first := f.edge.knots, f.edge.first
	band := f.band()
	from := max(0, int((-band-first)/profileStep+0.5))
	knots = knots[from:min(len(knots), int((band-first)/profileStep+0.5)+1)]
	first += float64(from) * profileStep
	sharp := f.sharp
	f.pulls = slices.Grow(f.pulls[:0], len(f.px))
	pulls, n := f.pulls[:len(f.px)], 0
	var sum, loss, chi float64
	for i := 0; i < len(f.px); i += stride {
		p := &f.px[i]
		t := p.distance(e.x, e.y) - e.r - first
		k := int(t*(1/profileStep) + 0.5)
		if uint(k) >= uint(len(knots)) {
			continue
		}
		t -= float64(k) * profileStep
		l := &knots[k]
		slope := p.a*l.da + p.b*l.db
		model := p.a*l.a + p.b*l.b + t*slope
		s := sharp.of(model)
		res := (p.z - model) * s
		e2 := res * res
		sum += math.Abs(res)
		if e2 > lossBound {
			loss += lossBound
		} else {
			loss += e2
		}
		rw := 1 - e2*cut
		if rw < 0 {
			rw = 0
		}
		rw *= rw
		chi += rw * e2
		slope *= s // over the noise, as the residual
		w := -rw * slope
		pulls[n] = pull{p.cos, p.sin, w * res, -w * slope}
		n++
	}
	q.n, q.abs, q.loss, q.chi = float64(n), sum, loss, chi
	q.add(pulls[:n])
	return q
}

// A pull is what a pixel adds to the normal equations: in which direction, how much, how firmly.
type pull struct{ cos, sin, g, h float64 }

func (q *score) add(pulls []pull) {
	var g0, g1, g2, h0, h1, h2, h4, h5 float64
	for i := range pulls {
		p := &pulls[i]
		g0 += p.g * p.cos
		g1 += p.g * p.sin
		g2 += p.g
		hx, hy := p.h*p.cos, p.h*p.sin
		h0 += hx * p.cos
		h1 += hx * p.sin
		h2 += hx
		h4 += hy
		h5 += p.h
	}
	q.g, q.h = [3]float64{g0, g1, g2}, [6]float64{h0, h1, h2, h5 - h0, h4, h5}
}
