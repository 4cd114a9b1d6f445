package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/geom"
)

// The picture of an edge, segment by segment. Inside it has a level with a slope. Outside lies a
// surface whose own level changes along the edge (traces, flux), in the shadow of the body: near
// its foot a surface sees only part of the light, 1 - κ·E(u) of it at distance u, where E falls
// from 1 to 0 over a length ℓ. All of it is blurred by a Gaussian. With Φ, φ at t = x/σ and x the
// distance outward from the edge,
//
//	z = in (1-Φ) + out (Φ - κE) + slopes.
//
// E is between an exponential (light from a ring) and a wedge (the pupil cut by a straight wall).
// Without the shadow a dark die on a dark ground, which only darkens towards its foot, would be
// found where the ground has turned bright, pixels away. A negative κ is the gloss of a film of
// flux that rises to the edge.
//
// Place, slope, σ, κ, ℓ and E's shape are common to the edge; levels belong to the segment and
// are eliminated from its normal equations (Schur's complement).
const (
	eIn = iota // of the segment
	eOut
	eSlopeIn
	eSlopeOut
	ePlace // of the edge
	eTurn
	eBlur
	eShadow
	eReach // logarithm of ℓ
	eShape // share of the wedge in the shadow
	eTrend // of κ along the edge, over half of it
	eParams

	eOwn    = ePlace
	eCommon = eParams - eOwn
)

const (
	insideSigmas = 5.0 // window inward, in blurs
	windowPx     = 2.0 // and this much more to both sides
	shadowPx     = 8.0 // and this much more outward
	slopeTypical = 0.02
	unlike       = 0.01 // departure of the surroundings from the model, of the contrast per pixel from the edge

	shadowTypical = 0.5 // κ: a surface at the foot of a wall sees half of the sky
	trendTypical  = 0.2 // its change from the middle of an edge to the end
	shapeTypical  = 0.4
	wedge         = 2.0  // reach of the wedge over that of the exponential
	reachTypical  = 50.0 // µm
	reachSpread   = 0.8  // of its logarithm
	blurSpread    = 0.15 // of the blur against what the marks show

	edgeSteps   = 14
	settling    = 4 // steps in which the levels, still far off, are settled before the line moves
	edgeTukey   = 4.5
	minSegments = 8
)

// An edgeModel is the state of a fit along one edge.
type edgeModel struct {
	b        *band
	from     Line // where the edge was looked for
	common   [eCommon]float64
	typical  [eCommon]prior
	own      [][eOwn]float64
	half     float64 // µm, half of the edge's length
	straight float64 // µm, what of it takes part
	contrast float64 // typical step, for what slopes are typical
	unshaded bool    // the edge casts no shadow

	// Of the last step:
	info   [][eCommon][eCommon]float64 // reduced information of each segment
	score  [][eCommon]float64
	weight []float64
	place  []float64        // one step of each segment's own place from the common line, µm
	sd     []float64        // its standard deviation from noise, µm
	sds    [eCommon]float64 // of the common parameters, once solved
	rough  float64          // variance of the places beyond noise, µm²
}

// A prior is what a parameter is without the picture; sd 0 means that nothing is known.
type prior struct{ mean, sd float64 }

// fitStretches fits the model to the band around its line, leaving out corner µm at each end;
// unshaded leaves out the shadow.
func (b *band) fitStretches(blur, corner float64, unshaded bool) (*Edge, error) {
	n := len(b.segments)
	if n < minSegments {
		return nil, ErrNoEdge
	}
	m := &edgeModel{
		b: b, unshaded: unshaded, own: make([][eOwn]float64, n),
		info: make([][eCommon][eCommon]float64, n), score: make([][eCommon]float64, n),
		weight: make([]float64, n), place: make([]float64, n), sd: make([]float64, n),
	}
	m.common = [eCommon]float64{eBlur - eOwn: blur, eReach - eOwn: math.Log(reachTypical)}
	m.typical = [eCommon]prior{
		eBlur - eOwn: {blur, blurSpread * blur}, eShadow - eOwn: {0, shadowTypical}, eTrend - eOwn: {0, trendTypical},
		eReach - eOwn: {math.Log(reachTypical), reachSpread},
		eShape - eOwn: {0, shapeTypical},
	}
	m.half = max(math.Abs(b.segments[0].s), math.Abs(b.segments[n-1].s))
	m.straight = m.half - corner
	steps := make([]float64, n)
	for i := range b.segments {
		in, out := b.segments[i].levels(blur)
		m.own[i][eIn], m.own[i][eOut] = in, out
		steps[i] = math.Abs(out - in)
	}
	m.contrast = median(steps)
	if m.contrast == 0 {
		return nil, ErrNoEdge
	}
	return m.solve(settling)
}

// solve takes steps from where the model stands; in the first settle of them the levels, still far
// off, move twice.
func (m *edgeModel) solve(settle int) (*Edge, error) {
	b, blur := m.b, m.typical[eBlur-eOwn].mean
	for step := range edgeSteps {
		for i := range b.segments {
			m.reduce(i)
			if step < settle {
				m.reduce(i)
			}
		}
		m.weigh()
		d, ok := m.step()
		if !ok {
			return nil, ErrNoEdge
		}
		m.apply(d)
		if math.Abs(m.common[ePlace-eOwn]) > insideSigmas*blur+shadowPx*b.um {
			return nil, ErrNoEdge
		}
		if step >= settle && math.Abs(d[ePlace-eOwn]) < 1e-3*b.um && math.Abs(d[eBlur-eOwn]) < 1e-3*b.um {
			break
		}
	}
	return m.edge()
}

// reduce fills segment i's reduced information and score, and moves its own levels by the step
// that belongs to common parameters held: the elimination has it at hand.
func (m *edgeModel) reduce(i int) {
	sg := &m.b.segments[i]
	c := &m.common
	place := c[ePlace-eOwn] + c[eTurn-eOwn]*sg.s
	along := sg.s / m.half
	sigma, kappa, reach := c[eBlur-eOwn], c[eShadow-eOwn]+along*c[eTrend-eOwn], math.Exp(c[eReach-eOwn])
	shape := c[eShape-eOwn]
	inward := insideSigmas*sigma + windowPx*m.b.um
	outward := inward + shadowPx*m.b.um
	prior := slopeTypical * m.contrast / m.b.um
	own := &m.own[i]

	var h [eParams][eParams]float64
	var g [eParams]float64
	var step [eOwn]float64
	for k, u := range sg.u {
		x := u - place
		if x < -inward || x > outward {
			continue
		}
		t := x / sigma
		cdf, pdf := normal(t)
		rise := x*cdf + sigma*pdf
		soft := exponential(x, t, pdf, sigma, reach)
		hard := triangle(x, t, cdf, pdf, rise, sigma, wedge*reach)
		e := soft.v + shape*(hard.v-soft.v)
		de := soft.dx + shape*(hard.dx-soft.dx)
		ds := soft.dsigma + shape*(hard.dsigma-soft.dsigma)
		dl := soft.dreach + shape*(hard.dreach-soft.dreach)
		in, out := own[eIn], own[eOut]
		fall := x - rise
		lit := cdf - kappa*e
		r := sg.z[k] - (in*(1-cdf) + out*lit + own[eSlopeIn]*fall + own[eSlopeOut]*rise)
		dx := -in*pdf/sigma + out*(pdf/sigma-kappa*de) + own[eSlopeIn]*(1-cdf) + own[eSlopeOut]*cdf
		d := [eParams]float64{
			eIn: 1 - cdf, eOut: lit, eSlopeIn: fall, eSlopeOut: rise,
			ePlace: -dx, eTurn: -dx * sg.s,
			eBlur:   -(out-in)*pdf*t/sigma - out*kappa*ds + (own[eSlopeOut]-own[eSlopeIn])*pdf,
			eShadow: -out * e, eTrend: -out * e * along,
			eReach: -out * kappa * dl,
			eShape: -out * kappa * (hard.v - soft.v),
		}
		if m.unshaded {
			d[eShadow], d[eTrend] = 0, 0
		}
		// What lies about an edge is the less like the model the farther it is.
		off := unlike * m.contrast * x / m.b.um
		w := 1 / (1/sg.w[k] + off*off)
		for p := range eParams {
			wd := w * d[p]
			g[p] += wd * r
			for q := p; q < eParams; q++ {
				h[p][q] += wd * d[q]
			}
		}
	}
	for _, p := range [2]int{eSlopeIn, eSlopeOut} {
		h[p][p] += 1 / (prior * prior)
		g[p] -= own[p] / (prior * prior)
	}
	if h[eIn][eIn] == 0 || h[eOut][eOut] == 0 {
		m.info[i], m.score[i] = [eCommon][eCommon]float64{}, [eCommon]float64{}
		return
	}
	eliminate(&h, &g)
	for p := eOwn - 1; p >= 0; p-- {
		v := g[p]
		for q := p + 1; q < eOwn; q++ {
			v -= h[p][q] * step[q]
		}
		step[p] = v / h[p][p]
		own[p] += step[p]
	}
	for p := range eCommon {
		m.score[i][p] = g[eOwn+p]
		for q := range eCommon {
			m.info[i][p][q] = h[eOwn+min(p, q)][eOwn+max(p, q)]
		}
	}
}

// eliminate takes the segment's own parameters out of the upper triangle of h and out of g. The
// rows of h that belong to them keep what back-substitution needs.
func eliminate(h *[eParams][eParams]float64, g *[eParams]float64) {
	for p := range eOwn {
		for q := p + 1; q < eParams; q++ {
			f := h[p][q] / h[p][p]
			if f == 0 {
				continue
			}
			g[q] -= f * g[p]
			for r := q; r < eParams; r++ {
				h[q][r] -= f * h[p][r]
			}
		}
	}
}

// weigh gives each segment its weight: less where the edge itself is rough, none where its place
// contradicts its neighbours' (chips, glints, dust).
func (m *edgeModel) weigh() {
	n := len(m.place)
	abs, vars := make([]float64, 0, n), make([]float64, 0, n)
	for i := range m.place {
		s := m.info[i][0][0]
		if s <= 0 {
			m.place[i], m.sd[i] = 0, math.Inf(1)
			continue
		}
		m.place[i], m.sd[i] = m.score[i][0]/s, 1/math.Sqrt(s)
		abs, vars = append(abs, math.Abs(m.place[i])), append(vars, 1/s)
	}
	if len(abs) < minSegments {
		return
	}
	scatter := 1.4826 * median(abs)
	m.rough = max(0, scatter*scatter-median(vars))
	for i := range m.place {
		v := m.sd[i]*m.sd[i] + m.rough
		m.weight[i] = robustWeight(m.place[i]/math.Sqrt(v), edgeTukey, true) / (1 + m.rough*m.info[i][0][0])
		if math.IsInf(v, 1) || math.Abs(m.b.segments[i].s) > m.straight {
			m.weight[i] = 0
		}
	}
}

// priors returns the information of what is typical and its pull.
func (m *edgeModel) priors() (h, g [eCommon]float64) {
	for p, t := range m.typical {
		if t.sd > 0 {
			h[p] = 1 / (t.sd * t.sd)
			g[p] = h[p] * (t.mean - m.common[p])
		}
	}
	return h, g
}

// total sums information and score over the segments, with the priors.
func (m *edgeModel) total() (*mat.SymDense, *mat.VecDense) {
	ph, pg := m.priors()
	h, g := mat.NewSymDense(eCommon, nil), mat.NewVecDense(eCommon, nil)
	for p := range eCommon {
		gp := pg[p]
		for i, w := range m.weight {
			gp += w * m.score[i][p]
		}
		g.SetVec(p, gp)
		for q := p; q < eCommon; q++ {
			v := 0.0
			if p == q {
				v = ph[p]
			}
			for i, w := range m.weight {
				v += w * m.info[i][p][q]
			}
			h.SetSym(p, q, v)
		}
	}
	return h, g
}

func (m *edgeModel) step() (d [eCommon]float64, ok bool) {
	h, g := m.total()
	var chol mat.Cholesky
	x := mat.NewVecDense(eCommon, nil)
	if !chol.Factorize(h) || chol.SolveVecTo(x, g) != nil {
		return d, false
	}
	for p := range d {
		d[p] = x.AtVec(p)
		if math.IsNaN(d[p]) {
			return d, false
		}
	}
	return d, true
}

// apply takes the step, shortened where it would leave what is sensible.
func (m *edgeModel) apply(d [eCommon]float64) {
	c := &m.common
	c[ePlace-eOwn] += min(max(d[ePlace-eOwn], -2*m.b.um), 2*m.b.um)
	c[eTurn-eOwn] += d[eTurn-eOwn]
	c[eBlur-eOwn] = min(max(c[eBlur-eOwn]+d[eBlur-eOwn], 0.6*c[eBlur-eOwn], 0.35*m.b.um), 1.6*c[eBlur-eOwn])
	c[eShadow-eOwn] = min(max(c[eShadow-eOwn]+min(max(d[eShadow-eOwn], -0.3), 0.3), -3), 1)
	c[eShape-eOwn] = min(max(c[eShape-eOwn]+d[eShape-eOwn], -0.3), 1.3)
	c[eTrend-eOwn] = min(max(c[eTrend-eOwn]+d[eTrend-eOwn], -1), 1)
	c[eReach-eOwn] = min(max(c[eReach-eOwn]+min(max(d[eReach-eOwn], -0.5), 0.5), math.Log(m.b.um)), math.Log(30*m.b.um))
}

// edge reports the fit. Roughness and texture run on from one segment to the next, so the
// covariance is that of Newey & West (Econometrica 55 (1987) 703) with Bartlett weights over
// the lags, which is robust to that; what isn't known of the typical values adds to it.
func (m *edgeModel) edge() (*Edge, error) {
	n := len(m.weight)
	used := 0
	var sum, weight float64
	for i, w := range m.weight {
		if w > 0 {
			used++
			// A segment broken off with a corner sees no edge and says nothing of its scatter.
			known := w * m.info[i][0][0]
			sum += known * m.place[i] * m.place[i]
			weight += known
		}
	}
	if used < minSegments {
		return nil, ErrNoEdge
	}
	h, _ := m.total()
	var chol mat.Cholesky
	inv := mat.NewSymDense(eCommon, nil)
	if !chol.Factorize(h) || chol.InverseTo(inv) != nil {
		return nil, ErrNoEdge
	}
	meat := mat.NewDense(eCommon, eCommon, nil)
	known, _ := m.priors()
	for p, h := range known {
		meat.Set(p, p, h)
	}
	lags := int(math.Ceil(1.5 * math.Sqrt(float64(n))))
	for lag := 0; lag <= lags; lag++ {
		bartlett := 1 - float64(lag)/float64(lags+1)
		for i := lag; i < n; i++ {
			w := bartlett * m.weight[i] * m.weight[i-lag]
			for p := range eCommon {
				for q := range eCommon {
					v := m.score[i][p] * m.score[i-lag][q]
					if lag > 0 {
						v += m.score[i-lag][p] * m.score[i][q]
					}
					meat.Set(p, q, meat.At(p, q)+w*v)
				}
			}
		}
	}
	var left, full mat.Dense
	left.Mul(inv, meat)
	full.Mul(&left, inv)
	small := float64(used) / max(1, float64(used-eCommon)) * shortSeries(float64(lags+1)/float64(n))
	c := m.common
	e := &Edge{
		Line:     m.b.line.Moved(geom.Length(c[ePlace-eOwn]), c[eTurn-eOwn]),
		Blur:     geom.Length(c[eBlur-eOwn]),
		Contrast: m.medianStep(), Used: float64(used) / float64(n), Agree: m.agree(),
		Rms: geom.Length(math.Sqrt(sum / weight)),
	}
	for p := range 2 {
		for q := range 2 {
			e.Cov[p][q] = full.At(p, q) * small
		}
		e.Cov[p][p] = max(e.Cov[p][p], inv.At(p, p)) // never better than without correlation
	}
	e.model = m
	for p := range m.sds {
		m.sds[p] = math.Sqrt(max(full.At(p, p)*small, inv.At(p, p)))
	}
	for i := range m.weight {
		e.Profile = append(e.Profile, EdgePoint{
			S: geom.Length(m.b.segments[i].s), U: geom.Length(m.place[i]),
			Sd: geom.Length(m.sd[i]), Used: m.weight[i] > 0,
		})
	}
	return e, nil
}

// shortSeries is by how much a covariance with Bartlett weights must grow for 1.96 standard
// deviations to hold 95 %, when the lags span the share b of the series: Kiefer & Vogelsang,
// Econometric Theory 21 (2005) 1130, table 1 (coefficients from memory).
func shortSeries(b float64) float64 {
	f := (1.96 + 2.9694*b + 0.416*b*b - 0.5324*b*b*b) / 1.96
	return f * f
}

// agree returns the share of the segments in which the level steps the way it does in most, by
// at least a quarter of the typical step. Where there is no edge but the ends of traces, hardly
// half do.
func (m *edgeModel) agree() float64 {
	sum := 0.0
	for _, o := range m.own {
		sum += min(max(o[eOut]-o[eIn], -m.contrast), m.contrast)
	}
	n := 0
	for _, o := range m.own {
		if (o[eOut]-o[eIn])*sum > 0 && math.Abs(o[eOut]-o[eIn]) > m.contrast/4 {
			n++
		}
	}
	return float64(n) / float64(len(m.own))
}

func (m *edgeModel) medianStep() float64 {
	steps := make([]float64, len(m.own))
	for i, o := range m.own {
		steps[i] = o[eOut]*(1-m.common[eShadow-eOwn]) - o[eIn]
	}
	return median(steps)
}

// levels estimates the levels well inside and well outside u = 0.
func (sg *segment) levels(sigma float64) (in, out float64) {
	var nIn, nOut float64
	for i, u := range sg.u {
		switch {
		case u < -sigma && u > -4*sigma:
			in += sg.z[i]
			nIn++
		case u > sigma && u < 4*sigma:
			out += sg.z[i]
			nOut++
		}
	}
	if nIn == 0 || nOut == 0 {
		return 0, 0
	}
	return in / nIn, out / nOut
}
