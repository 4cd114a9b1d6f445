package column

import "math"

// An edgeProfile is how a face gives way to its ground across the edge: a pixel at distance t
// (px) outside of the edge's place has the level a·face(t) + b·ground(t), a and b being the
// levels of face and ground.
//
// For a sharp edge face is the blurred step and ground its complement. Real end faces have a
// worn or rounded rim, darker than the face: then face falls earlier than ground rises.
type edgeProfile struct {
	first float64 // place of the first knot, px outside of the edge
	knots []profileKnot

	// steepest is how far outside of the edge's place, px, light falls most steeply.
	steepest float64
}

type profileKnot struct{ a, b, da, db float64 }

const profileStep = 1.0 / 16 // px between knots

// newProfile makes room for knots over the band that the fit uses.
func newProfile(sigma float64) *edgeProfile {
	n := int(2*(bandSigma*sigma+1)/profileStep) + 2
	return &edgeProfile{first: -float64(n/2) * profileStep, knots: make([]profileKnot, n)}
}

// place is where knot i lies, px outside of the edge.
func (p *edgeProfile) place(i int) float64 { return p.first + float64(i)*profileStep }

// sharpProfile is the profile of a step blurred by sigma.
func sharpProfile(sigma float64) *edgeProfile {
	p := newProfile(sigma)
	for i := range p.knots {
		cdf, pdf := normal(-p.place(i) / sigma)
		p.knots[i] = profileKnot{cdf, 1 - cdf, -pdf / sigma, pdf / sigma}
	}
	return p
}

// A rimSample is one pixel near the edge of a face already fitted.
type rimSample struct {
	t    float64 // px outside of the edge
	a, b float64 // levels of face and ground there
	z    float64
}

const (
	rimBin   = 0.25 // px
	rimReach = 8.0  // px from the edge at which profiles are measured at most
	rimMax   = 4.0  // px: widest rim looked for
)

// measureProfile learns the profile from pixels of many faces. The ground is taken to begin
// sharply width px outside of the edge's place, where the drawing has the column's wall; what the
// face and its rim contribute is free.
func measureProfile(samples []rimSample, sigma, width float64) *edgeProfile {
	reach := min(rimReach, bandSigma*sigma+1)
	n := int(2*reach/rimBin) + 1
	type bin struct{ n, aa, az, ab, bb, bz, zz float64 }
	bins := make([]bin, n)
	for _, s := range samples {
		k := int((s.t + reach) / rimBin)
		if s.t < -reach || k >= n {
			continue
		}
		q := &bins[k]
		q.n++
		q.aa += s.a * s.a
		q.az += s.a * s.z
		q.ab += s.a * s.b
		q.bb += s.b * s.b
		q.bz += s.b * s.z
		q.zz += s.z * s.z
	}
	centre := func(k int) float64 { return (float64(k)+0.5)*rimBin - reach }
	face := make([]float64, n)
	for k := range bins {
		q := &bins[k]
		g, _ := normal((centre(k) - width) / sigma)
		if q.n < 20 || q.aa == 0 {
			face[k], _ = normal(-centre(k) / sigma)
			continue
		}
		face[k] = (q.az - g*q.ab) / q.aa
	}
	p := newProfile(sigma)
	for i := range p.knots {
		t := p.place(i)
		g, pdf := normal((t - width) / sigma)
		a, da := interpolate(face, (t+reach)/rimBin-0.5)
		p.knots[i] = profileKnot{a, g, da / rimBin, pdf / sigma}
	}
	p.findSteepest(samples)
	return p
}

// findSteepest sets steepest for the mean levels of face and ground.
func (p *edgeProfile) findSteepest(samples []rimSample) {
	var a, b float64
	for _, s := range samples {
		a += s.a
		b += s.b
	}
	best := 0.0
	for i, k := range p.knots {
		if t := p.place(i); math.Abs(t) <= steepestReach && math.Abs(a*k.da+b*k.db) > best {
			best, p.steepest = math.Abs(a*k.da+b*k.db), t
		}
	}
}

// steepestReach bounds where the steepest fall is looked for, px.
const steepestReach = 2.0

// interpolate reads v at index u by a cubic through four neighbours (Catmull & Rom), and its
// slope per index. Beyond the ends it is constant.
func interpolate(v []float64, u float64) (value, slope float64) {
	at := func(i int) float64 { return v[min(max(i, 0), len(v)-1)] }
	if u <= 0 || u >= float64(len(v)-1) {
		return at(int(u)), 0
	}
	i := int(u)
	w := u - float64(i)
	p0, p1, p2, p3 := at(i-1), at(i), at(i+1), at(i+2)
	c1 := (p2 - p0) / 2
	c2 := p0 - 2.5*p1 + 2*p2 - p3/2
	c3 := (p3-p0)/2 + 1.5*(p1-p2)
	return p1 + w*(c1+w*(c2+w*c3)), c1 + w*(2*c2+3*w*c3)
}
