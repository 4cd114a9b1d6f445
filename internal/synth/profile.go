package synth

import "math"

// A profile is how an outline looks through a Gaussian blur and square pixels: the share of a
// pixel's light that comes from inside, by the signed distance from the outline to the pixel's
// centre, px, positive inside.
//
// Along the normal (nx, ny) the pixel's square is the convolution of two boxes of widths |nx|
// and |ny|. The result is in closed form for edges along the pixels (one box) and along their
// diagonals (a triangle); in between it is taken linear in k = nx⁴ + ny⁴, in which the square's
// fourth cumulant is linear, so what is left is of sixth order and symmetric about the edge.
type profile struct {
	reach    float64 // px; beyond it nothing is left of the blur
	along    []float32
	diagonal []float32
	bell     []float32 // normal density with the variance of blur and pixel together
	variance float64   // of blur and pixel together, px²
}

const profileSteps = 64 // table entries a px; linear between them: error below 3e-5/σ²

func newProfile(sigma float64) *profile {
	p := &profile{reach: 5*sigma + 1, variance: sigma*sigma + 1.0/12}
	n := int(math.Ceil(2*p.reach*profileSteps)) + 2
	for i := range n {
		d := float64(i)/profileSteps - p.reach
		const w = math.Sqrt2 / 2
		p.along = append(p.along, float32(ramp(d+0.5, sigma)-ramp(d-0.5, sigma)))
		p.diagonal = append(p.diagonal, float32((ramp2(d+w, sigma)-2*ramp2(d, sigma)+ramp2(d-w, sigma))/(w*w)))
		p.bell = append(p.bell, float32(math.Exp(-d*d/(2*p.variance))/math.Sqrt(2*math.Pi*p.variance)))
	}
	return p
}

// ramp is the integral of a blurred step.
func ramp(x, sigma float64) float64 {
	return x*normalCDF(x/sigma) + sigma*normalPDF(x/sigma)
}

// ramp2 is the integral of ramp.
func ramp2(x, sigma float64) float64 {
	return ((x*x+sigma*sigma)*normalCDF(x/sigma) + x*sigma*normalPDF(x/sigma)) / 2
}

func normalPDF(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }
func normalCDF(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }

// edge returns the share of light from inside a straight edge.
func (p *profile) edge(d, k float64) float64 {
	if d >= p.reach {
		return 1
	}
	if d <= -p.reach {
		return 0
	}
	t := (d + p.reach) * profileSteps
	i := int(t)
	f := float32(t - float64(i))
	a := p.along[i] + f*(p.along[i+1]-p.along[i])
	b := p.diagonal[i] + f*(p.diagonal[i+1]-p.diagonal[i])
	return float64(b + float32(2*k-1)*(a-b))
}

// round returns the share of light from inside an outline of the given curvature, 1/px,
// positive where it bulges outward. With t = σ² the blur solves the heat equation; its
// solution beside a circle, in powers of the curvature κ, begins
//
//	Φ(d/σ) − (κσ²/2 + 3κ²σ²d/8) φσ(d) + O(κ³σ³).
func (p *profile) round(d, k, curvature float64) float64 {
	c := p.edge(d, k)
	if c == 0 || c == 1 || curvature == 0 {
		return c
	}
	t := (d + p.reach) * profileSteps
	i := int(t)
	bell := float64(p.bell[i]) + (t-float64(i))*float64(p.bell[i+1]-p.bell[i])
	c -= curvature * p.variance * (0.5 + 0.375*curvature*d) * bell
	return min(max(c, 0), 1)
}

// line returns the share of light from a line of half width w whose middle is at distance d.
func (p *profile) line(d, w, k float64) float64 {
	return max(p.edge(w-d, k)+p.edge(w+d, k)-1, 0)
}
