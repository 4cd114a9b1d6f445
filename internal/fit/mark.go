package fit

import (
	"errors"
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
)

// A Mark is a fitted mark, disc or ring.
type Mark struct {
	Centre geom.ScopePoint
	Cov    [2][2]float64 // of the centre, µm²

	Grow     geom.Length // how far the outline lies outside the drawn one
	UGrow    geom.Length
	Blur     geom.Length // sigma of the point spread on the object, the pixel's square included
	Contrast float64     // level of the mark minus that of its ground, DN
	UContr   float64
	Misfit   float64 // root of the reduced chi-square; 1 when noise explains all
	Used     float64 // mean weight of the pixels: 1 when none was set aside
}

// Parameters of a mark's model.
const (
	markX = iota
	markY
	markGrow
	markBlur
	markBase
	markAmp
	markGx
	markGy
	markParams
)

// FitMark fits a mark of the given shape, turned counter-clockwise by turn, to px. The start is
// the mark's place relative to px.Origin and must be right to about half the mark's narrowest
// part; blur is the start for the point spread.
//
// The levels of mark and ground multiply a common light that slopes linearly, so that uneven
// light doesn't pull the centre. The outline may have grown or shrunk evenly (etching, firing);
// by symmetry that doesn't move the centre.
func FitMark(px *Pixels, shape *part.Marks, turn geom.Angle, start geom.ScopePoint, blur geom.Length) (*Mark, error) {
	if px.Len() == 0 {
		return nil, errTooFew
	}
	cover, size, err := coverage(shape, turn)
	if err != nil {
		return nil, err
	}
	m := func(p []float64, x, y float64, d []float64) float64 {
		sigma := math.Abs(p[markBlur])
		c := cover(x-p[markX], y-p[markY], p[markGrow], sigma)
		light := 1 + p[markGx]*x + p[markGy]*y
		level := p[markBase] + p[markAmp]*c.v
		a := p[markAmp] * light
		d[markX], d[markY], d[markGrow], d[markBlur] = -a*c.dx, -a*c.dy, a*c.dgrow, a*c.dsigma
		d[markBase], d[markAmp] = light, light*c.v
		d[markGx], d[markGy] = level*x, level*y
		return level * light
	}

	px = outlined(px, start, blur, cover)
	p := make([]float64, markParams)
	p[markX], p[markY] = float64(start.X-px.Origin.X), float64(start.Y-px.Origin.Y)
	p[markBlur] = blur.Um()
	p[markBase], p[markAmp] = startLevels(px, func(x, y float64) float64 {
		return cover(x-p[markX], y-p[markY], 0, blur.Um()).v
	})
	if p[markAmp] == 0 {
		return nil, errors.New("no contrast")
	}
	// The outline of a mark is made to a fraction of its narrowest part; without this a hidden
	// edge would let the fit grow without bound.
	prior := make([]float64, markParams)
	prior[markGrow] = 1 / (0.1 * size * 0.1 * size)
	um := blur.Um()
	level := math.Abs(p[markAmp])
	tol := []float64{1e-3 * um, 1e-3 * um, 5e-3 * um, 5e-3 * um, 0.01 * level, 0.01 * level, math.Inf(1), math.Inf(1)}
	s, err := solve(px, m, p, prior, tol)
	if err != nil {
		return nil, err
	}
	return &Mark{
		Centre: geom.ScopePoint{X: px.Origin.X + geom.Length(s.p[markX]), Y: px.Origin.Y + geom.Length(s.p[markY])},
		Cov: [2][2]float64{
			{s.cov.At(markX, markX), s.cov.At(markX, markY)},
			{s.cov.At(markX, markY), s.cov.At(markY, markY)},
		},
		Grow: geom.Length(s.p[markGrow]), UGrow: geom.Length(math.Sqrt(s.cov.At(markGrow, markGrow))),
		Blur:     geom.Length(math.Abs(s.p[markBlur])),
		Contrast: s.p[markAmp], UContr: math.Sqrt(s.cov.At(markAmp, markAmp)),
		Misfit: s.misfit, Used: s.used,
	}, nil
}

// outlined keeps the pixels near the outline, where its place shows, and a few of the rest, which
// only tell levels.
func outlined(px *Pixels, start geom.ScopePoint, blur geom.Length, cover func(x, y, grow, sigma float64) covered) *Pixels {
	const (
		wider = 2.5  // blurs, for a start that is off
		near  = 3e-3 // coverage nearer to 0 or 1 is far from the outline
		few   = 4
	)
	x0, y0 := float64(start.X-px.Origin.X), float64(start.Y-px.Origin.Y)
	i := -1
	return px.where(func(x, y float64) bool {
		if i++; i%few == 0 {
			return true
		}
		v := cover(x-x0, y-y0, 0, wider*blur.Um()).v
		return v > near && v < 1-near
	})
}

// startLevels solves the two levels by least squares for a coverage known roughly.
func startLevels(px *Pixels, cover func(x, y float64) float64) (base, amp float64) {
	var n, sc, scc, sz, scz float64
	for i := range px.X {
		c := cover(px.X[i], px.Y[i])
		n++
		sc += c
		scc += c * c
		sz += px.Z[i]
		scz += c * px.Z[i]
	}
	det := n*scc - sc*sc
	if det <= 0 {
		return sz / n, 0
	}
	amp = (n*scz - sc*sz) / det
	return (sz - amp*sc) / n, amp
}

// A covered is the blurred coverage at a point with its derivatives by the point's place, by an
// even growth of the outline and by the blur.
type covered struct{ v, dx, dy, dgrow, dsigma float64 }

// coverage returns the blurred coverage of a mark as a function of the place from its centre, µm,
// and its narrowest part, µm.
func coverage(shape *part.Marks, turn geom.Angle) (func(x, y, grow, sigma float64) covered, float64, error) {
	sin, cos := math.Sincos(turn.Rad())
	half := func(mm float64) float64 { return (geom.Length(mm) * geom.Millimetre).Um() / 2 }
	turned := func(c covered) covered {
		c.dx, c.dy = cos*c.dx-sin*c.dy, sin*c.dx+cos*c.dy
		return c
	}
	switch shape.Shape {
	case part.Cross:
		l, w := half(shape.LengthMm), half(shape.ArmWidthMm)
		return func(x, y, grow, sigma float64) covered {
			u, v := cos*x+sin*y, cos*y-sin*x
			lu, wu := bar(u, l+grow, sigma), bar(u, w+grow, sigma)
			lv, wv := bar(v, l+grow, sigma), bar(v, w+grow, sigma)
			// Two bars less the square in which they overlap: one bar and the other's two ends.
			e := edge1{lv.v - wv.v, lv.du - wv.du, lv.da - wv.da, lv.ds - wv.ds}
			return turned(covered{
				lu.v*wv.v + wu.v*e.v,
				lu.du*wv.v + wu.du*e.v,
				lu.v*wv.du + wu.v*e.du,
				lu.da*wv.v + lu.v*wv.da + wu.da*e.v + wu.v*e.da,
				lu.ds*wv.v + lu.v*wv.ds + wu.ds*e.v + wu.v*e.ds,
			})
		}, 2 * w, nil
	case part.Square:
		l := half(shape.LengthMm)
		return func(x, y, grow, sigma float64) covered {
			u, v := cos*x+sin*y, cos*y-sin*x
			return turned(product(bar(u, l+grow, sigma), bar(v, l+grow, sigma)))
		}, 2 * l, nil
	case part.Disc:
		r := half(shape.DiameterMm)
		return func(x, y, grow, sigma float64) covered {
			return disc(x, y, r+grow, sigma)
		}, 2 * r, nil
	case part.Ring:
		outer, inner := half(shape.DiameterMm), half(shape.InnerMm)
		return func(x, y, grow, sigma float64) covered {
			hole := disc(x, y, inner-grow, sigma)
			hole.dgrow = -hole.dgrow
			return sum(disc(x, y, outer+grow, sigma), covered{}, -1, hole)
		}, min(outer-inner, 2*inner), nil
	}
	return nil, 0, errors.New("fit: no such mark shape: " + string(shape.Shape))
}

// edge1 holds a one-dimensional bar -a..a blurred by sigma, with its derivatives.
type edge1 struct{ v, du, da, ds float64 }

func bar(u, a, sigma float64) edge1 {
	per := 1 / sigma
	r, l := (a-u)*per, (a+u)*per
	cr, pr := normal(r)
	cl, pl := normal(l)
	return edge1{cr + cl - 1, (pl - pr) * per, (pl + pr) * per, -(pr*r + pl*l) * per}
}

func product(a, b edge1) covered {
	return covered{a.v * b.v, a.du * b.v, a.v * b.du, a.da*b.v + a.v*b.da, a.ds*b.v + a.v*b.ds}
}

func sum(a, b covered, k float64, c covered) covered {
	return covered{a.v + b.v + k*c.v, a.dx + b.dx + k*c.dx, a.dy + b.dy + k*c.dy,
		a.dgrow + b.dgrow + k*c.dgrow, a.dsigma + b.dsigma + k*c.dsigma}
}

// disc returns the coverage of a blurred disc of radius r: the straight edge with the first term
// in the curvature, Φ(t) - (σ/2ρ) φ(t) with t = (r-ρ)/σ, exact to order (σ/r)². It follows from
// the heat equation: on a curved front the Laplacian has the extra term (1/ρ) ∂/∂ρ.
func disc(x, y, r, sigma float64) covered {
	rho := math.Hypot(x, y)
	t := (r - rho) / sigma
	cdf, pdf := normal(t)
	if pdf == 0 || rho == 0 {
		return covered{v: cdf}
	}
	k := sigma / (2 * r) // the curvature that matters is the outline's own
	v := cdf - k*pdf
	dt := pdf * (1 + k*t)
	dr := -dt / sigma
	return covered{v, dr * x / rho, dr * y / rho, dt/sigma + pdf*k/r, -dt*t/sigma - pdf*k/sigma}
}
