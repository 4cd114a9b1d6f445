package fit

import (
	"errors"
	"math"
	"slices"

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
	Dof      float64 // degrees of freedom by which Cov is known; infinite where noise gives it

	// beyond is the variance of the centre along an axis as the scatter from block to block shows it,
	// over that from noise; dof is by how many degrees of freedom it is known.
	beyond, dof float64

	origin geom.ScopePoint // of the fit's parameters
	p      []float64
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

// What a rough fit looks at: so far from the outline, in blurs at the start, for a start that is off,
// and what the fit that follows it looks at, in blurs as found: beyond, a shift of the outline shows
// no more. Of the pixels farther off, which only tell levels, few are enough: on mottled ground levels
// from near the outline are better.
const (
	roughReach, fineReach = 7.0, 4.0
	roughFew, fineFew     = 4, 6 // one of how many
)

// SeeMark fits a mark of the given shape, turned counter-clockwise by turn, to px, of which a
// fourth will do. The start is the mark's place relative to px.Origin and must be right to about half
// the mark's narrowest part; blur is the start for the point spread.
//
// The levels of mark and ground multiply a common light that slopes linearly, so that uneven
// light doesn't pull the centre. The outline may have grown or shrunk evenly (etching, firing);
// by symmetry that doesn't move the centre.
func SeeMark(px *Pixels, shape *part.Marks, turn geom.Angle, at geom.ScopePoint, blur geom.Length) (*Mark, error) {
	if px.Len() == 0 {
		return nil, errTooFew
	}
	o, err := outlineOf(shape, turn)
	if err != nil {
		return nil, err
	}
	p := make([]float64, markParams)
	p[markX], p[markY] = float64(at.X-px.Origin.X), float64(at.Y-px.Origin.Y)
	p[markBlur] = blur.Um()
	px = o.near(px, p, roughReach*blur.Um(), roughFew)
	p[markBase], p[markAmp] = levelsOf(px, func(x, y float64) float64 {
		return o.cover(x-p[markX], y-p[markY], 0, blur.Um()).v
	})
	if p[markAmp] == 0 {
		return nil, errors.New("no contrast")
	}
	return o.fit(px, start{p: p})
}

// FitMark fits a mark from where [SeeMark] has seen it, to all pixels.
func FitMark(px *Pixels, shape *part.Marks, turn geom.Angle, seen *Mark) (*Mark, error) {
	if px.Len() == 0 {
		return nil, errTooFew
	}
	o, err := outlineOf(shape, turn)
	if err != nil {
		return nil, err
	}
	p := slices.Clone(seen.p)
	dx, dy := float64(px.Origin.X-seen.origin.X), float64(px.Origin.Y-seen.origin.Y)
	p[markX] -= dx
	p[markY] -= dy
	// The light counts from the origin.
	at := 1 + p[markGx]*dx + p[markGy]*dy
	p[markBase] *= at
	p[markAmp] *= at
	p[markGx] /= at
	p[markGy] /= at
	return o.fit(o.near(px, p, fineReach*math.Abs(p[markBlur]), fineFew), start{p: p, scale: max(seen.Misfit, 1)})
}

// evenSigmas is how far the scatter of marks may lie above what noise gives, in what that may by chance.
const evenSigmas = 3.0

// Even reports whether noise explains the scatter that marks of one picture show along themselves. The
// ground's grain, which runs on from pixel to pixel, moves a mark by much before it shows in the misfit.
func Even(marks []*Mark) bool {
	sum, dof := 0.0, 0.0
	for _, m := range marks {
		sum += m.dof * m.beyond
		dof += m.dof
	}
	return sum <= dof+evenSigmas*math.Sqrt(2*dof)
}

// scattered returns the mark with the covariance that its scatter shows.
func (m *Mark) scattered() *Mark {
	out := *m
	out.Dof = m.dof
	if m.Misfit < noiseMisfit { // else it is
		for i := range 2 {
			for k := range 2 {
				out.Cov[i][k] *= max(1, m.beyond)
			}
		}
	}
	return &out
}

// An outline is the drawn outline of a mark.
type outline struct {
	cover func(x, y, grow, sigma float64) covered
	away  func(x, y float64) float64 // how far outward of it a place lies, µm; in corners along an axis
	thin  float64                    // narrowest part, µm
}

func outlineOf(shape *part.Marks, turn geom.Angle) (outline, error) {
	cover, thin, err := coverage(shape, turn)
	return outline{cover, distance(shape, turn), thin}, err
}

// fit fits the mark's model to the pixels.
func (o outline) fit(px *Pixels, from start) (*Mark, error) {
	m := func(p, x, y, z []float64, d *[gramColumns][gramRows]float64) {
		sigma, base, amp := math.Abs(p[markBlur]), p[markBase], p[markAmp]
		for i, x := range x {
			y := y[i]
			c := o.cover(x-p[markX], y-p[markY], p[markGrow], sigma)
			light := 1 + p[markGx]*x + p[markGy]*y
			level := base + amp*c.v
			a := amp * light
			d[markX][i], d[markY][i], d[markGrow][i], d[markBlur][i] = -a*c.dx, -a*c.dy, a*c.dgrow, a*c.dsigma
			d[markBase][i], d[markAmp][i] = light, light*c.v
			d[markGx][i], d[markGy][i] = level*x, level*y
			z[i] = level * light
		}
	}
	// The outline of a mark is made to a fraction of its narrowest part; without this a hidden
	// edge would let the fit grow without bound.
	from.prior = make([]float64, markParams)
	from.prior[markGrow] = 1 / (0.1 * o.thin * 0.1 * o.thin)
	s, err := solve(px, m, from)
	if err != nil {
		return nil, err
	}
	cov := func(a, b int) float64 { return s.cov[a*markParams+b] }
	return &Mark{
		Centre: geom.ScopePoint{X: px.Origin.X + geom.Length(s.p[markX]), Y: px.Origin.Y + geom.Length(s.p[markY])},
		Cov:    [2][2]float64{{cov(markX, markX), cov(markX, markY)}, {cov(markX, markY), cov(markY, markY)}},
		Grow:   geom.Length(s.p[markGrow]), UGrow: geom.Length(math.Sqrt(cov(markGrow, markGrow))),
		Blur:     geom.Length(math.Abs(s.p[markBlur])),
		Contrast: s.p[markAmp], UContr: math.Sqrt(cov(markAmp, markAmp)),
		Misfit: s.misfit, Used: s.used, Dof: math.Inf(1),
		beyond: (s.beyond[markX] + s.beyond[markY]) / 2, dof: s.dof[markX] + s.dof[markY],
		origin: px.Origin, p: s.p,
	}, nil
}

// near keeps the pixels within reach of the outline where p has it, and a few of the rest.
func (o outline) near(px *Pixels, p []float64, reach float64, few int) *Pixels {
	i := -1
	return px.where(func(x, y float64) bool {
		i++
		return i%few == 0 || math.Abs(o.away(x-p[markX], y-p[markY])-p[markGrow]) <= reach
	})
}

// levelsOf solves the two levels by least squares for a coverage known roughly.
func levelsOf(px *Pixels, cover func(x, y float64) float64) (base, amp float64) {
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

// distance returns how far outward of a mark's outline a place is, µm: the larger of the distances
// along the mark's axes, where it isn't round.
func distance(shape *part.Marks, turn geom.Angle) func(x, y float64) float64 {
	sin, cos := math.Sincos(turn.Rad())
	switch shape.Shape {
	case part.Cross:
		l, w := 500*shape.LengthMm, 500*shape.ArmWidthMm
		return func(x, y float64) float64 {
			u, v := math.Abs(cos*x+sin*y), math.Abs(cos*y-sin*x)
			return min(max(u-l, v-w), max(u-w, v-l))
		}
	case part.Square:
		l := 500 * shape.LengthMm
		return func(x, y float64) float64 {
			return max(math.Abs(cos*x+sin*y), math.Abs(cos*y-sin*x)) - l
		}
	case part.Ring:
		outer, inner := 500*shape.DiameterMm, 500*shape.InnerMm
		return func(x, y float64) float64 {
			r := math.Sqrt(x*x + y*y)
			return max(r-outer, inner-r)
		}
	}
	r := 500 * shape.DiameterMm
	return func(x, y float64) float64 { return math.Sqrt(x*x+y*y) - r }
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
	out, sign := u, per
	if u < 0 {
		out, sign = -u, -per
	}
	// Most places feel one edge at most.
	r := (a - out) * per
	if r <= -normalReach {
		return edge1{}
	}
	cr, pr := 1.0, 0.0
	if r < normalReach {
		cr, pr = normal(r)
	}
	l := (a + out) * per
	if l >= normalReach {
		return edge1{cr, -pr * sign, pr * per, -(pr * r) * per}
	}
	cl, pl := normal(l)
	return edge1{cr + cl - 1, (pl - pr) * sign, (pl + pr) * per, -(pr*r + pl*l) * per}
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
	rho := math.Sqrt(x*x + y*y)
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
