package fit

import (
	"math"

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
	eBlur
	eShadow
	eReach // logarithm of ℓ
	eShape // share of the wedge in the shadow
	eColumns
	eTurn   = eColumns     // changes a segment's picture as place does
	eTrend  = eColumns + 1 // of κ along the edge, over half of it: as shadow does
	eParams = eColumns + 2

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

	edgeSteps = 14
	cycle     = 6    // last steps looked at when they don't settle
	still     = 0.05 // step that settles nothing more, standard deviations from noise
	settling  = 2    // steps in which the levels, still far off, are settled before the line moves
)

// An edgeModel is the state of a fit along one edge.
type edgeModel struct {
	b         *band
	from      Line // where the edge was looked for
	common    [eCommon]float64
	typical   [eCommon]prior
	own       [][eOwn]float64
	half      float64    // µm, half of the edge's length
	straight  float64    // µm, what of it takes part
	contrast  float64    // typical step, for what slopes are typical
	unsettled [2]float64 // variance of place and slope over the last steps, where they didn't settle
	unshaded  bool       // the edge casts no shadow

	chain                  // of the last step
	sds   [eCommon]float64 // of the common parameters, once solved
	sums  *gram
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
	m := &edgeModel{b: b, unshaded: unshaded, own: make([][eOwn]float64, n), chain: newChain(n, eCommon), sums: new(gram)}
	m.common = [eCommon]float64{eBlur - eOwn: blur, eReach - eOwn: math.Log(reachTypical)}
	m.typical = [eCommon]prior{
		eBlur - eOwn: {blur, blurSpread * blur}, eShadow - eOwn: {0, shadowTypical}, eTrend - eOwn: {0, trendTypical},
		eReach - eOwn: {math.Log(reachTypical), reachSpread},
		eShape - eOwn: {0, shapeTypical},
	}
	m.damped = true
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
	var lasts [][eCommon]float64
	m.unsettled = [2]float64{}
	var swing relaxation
	for step := range edgeSteps {
		m.linearise(step < settle)
		d, sd, ok := m.step()
		if !ok {
			return nil, ErrNoEdge
		}
		done := step >= settle && settled(d, sd)
		by := swing.next(d[ePlace-eOwn], d[eTurn-eOwn]*m.half)
		for p := range d {
			d[p] *= by
		}
		m.apply(d)
		if math.Abs(m.common[ePlace-eOwn]) > insideSigmas*blur+shadowPx*b.um {
			return nil, ErrNoEdge
		}
		if done {
			return m.edge()
		}
		if step >= edgeSteps-cycle {
			lasts = append(lasts, m.common)
		}
	}
	m.settleAmong(lasts)
	m.linearise(true)
	return m.edge()
}

// linearise evaluates the segments, twice where their levels are still far off, and weighs them.
func (m *edgeModel) linearise(twice bool) {
	for i := range m.b.segments {
		m.reduce(i)
		if twice {
			m.reduce(i)
		}
	}
	m.weigh()
}

// settleAmong takes the mean of the last steps where they go round and round: how far they go is then
// not known either.
func (m *edgeModel) settleAmong(steps [][eCommon]float64) {
	n := float64(len(steps))
	var mean, sq [eCommon]float64
	for _, c := range steps {
		for p, v := range c {
			mean[p] += v / n
		}
	}
	for _, c := range steps {
		for p, v := range c {
			sq[p] += (v - mean[p]) * (v - mean[p]) / (n - 1)
		}
	}
	m.common = mean
	m.unsettled = [2]float64{sq[ePlace-eOwn], sq[eTurn-eOwn]}
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

	sums := m.sums
	sums.reset(eColumns)
	for k, u := range sg.u {
		x := u - place
		if x < -inward || x > outward {
			continue
		}
		t := x / sigma
		cdf, pdf := normal(t)
		rise := x*cdf + sigma*pdf
		in, out := own[eIn], own[eOut]
		fall, lit := x-rise, cdf
		dx := (out-in)*pdf/sigma + own[eSlopeIn]*(1-cdf) + own[eSlopeOut]*cdf
		blur := -(out-in)*pdf*t/sigma + (own[eSlopeOut]-own[eSlopeIn])*pdf
		// What lies about an edge is the less like the model the farther it is.
		off := unlike * m.contrast * x / m.b.um
		w := math.Sqrt(1 / (sg.v[k] + off*off))
		row := sums.n
		if !m.unshaded {
			soft := exponential(x, t, pdf, sigma, reach)
			hard := triangle(x, t, cdf, pdf, rise, sigma, wedge*reach)
			e := soft.v + shape*(hard.v-soft.v)
			de := soft.dx + shape*(hard.dx-soft.dx)
			ds := soft.dsigma + shape*(hard.dsigma-soft.dsigma)
			dl := soft.dreach + shape*(hard.dreach-soft.dreach)
			lit -= kappa * e
			dx -= out * kappa * de
			blur -= out * kappa * ds
			sums.col[eShadow][row] = -w * out * e
			sums.col[eReach][row] = -w * out * kappa * dl
			sums.col[eShape][row] = -w * out * kappa * (hard.v - soft.v)
		}
		sums.rest[row] = w * (sg.z[k] - (in*(1-cdf) + out*lit + own[eSlopeIn]*fall + own[eSlopeOut]*rise))
		sums.col[eIn][row], sums.col[eOut][row] = w*(1-cdf), w*lit
		sums.col[eSlopeIn][row], sums.col[eSlopeOut][row] = w*fall, w*rise
		sums.col[ePlace][row], sums.col[eBlur][row] = -w*dx, w*blur
		if sums.n++; sums.n == gramRows {
			sums.flush()
		}
	}
	sums.flush()

	var h [eParams * eParams]float64
	var g [eParams]float64
	sums.expand([]column{
		eIn: {eIn, 1}, eOut: {eOut, 1}, eSlopeIn: {eSlopeIn, 1}, eSlopeOut: {eSlopeOut, 1},
		ePlace: {ePlace, 1}, eTurn: {ePlace, sg.s}, eBlur: {eBlur, 1},
		eShadow: {eShadow, 1}, eTrend: {eShadow, along}, eReach: {eReach, 1}, eShape: {eShape, 1},
	}, h[:], g[:])
	for _, p := range [2]int{eSlopeIn, eSlopeOut} {
		h[p*eParams+p] += 1 / (prior * prior)
		g[p] -= own[p] / (prior * prior)
	}
	if h[eIn*eParams+eIn] == 0 || h[eOut*eParams+eOut] == 0 {
		m.blank(i)
		return
	}
	eliminate(h[:], g[:], eOwn, eParams)
	var step [eOwn]float64
	backSubstitute(h[:], g[:], eParams, step[:])
	for p, v := range step {
		own[p] += v
	}
	m.set(i, h[:], g[:], eParams)
}

// weigh sets aside what lies in the corners, too.
func (m *edgeModel) weigh() {
	m.chain.weigh()
	for i := range m.weight {
		if math.Abs(m.b.segments[i].s) > m.straight {
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
func (m *edgeModel) total() (h [eCommon * eCommon]float64, g [eCommon]float64) {
	known, g := m.priors()
	for p, v := range known {
		h[p*eCommon+p] = v
	}
	m.chain.total(h[:], g[:])
	return h, g
}

// step returns the step of the common parameters and the standard deviations that noise leaves them.
func (m *edgeModel) step() (d, sd [eCommon]float64, ok bool) {
	h, d := m.total()
	if !cholesky(h[:], eCommon) {
		return d, sd, false
	}
	choleskySolve(h[:], eCommon, d[:])
	var inv [eCommon * eCommon]float64
	choleskyInverse(h[:], eCommon, inv[:])
	for p := range sd {
		sd[p] = math.Sqrt(inv[p*eCommon+p])
	}
	return d, sd, finite(d[:])
}

// settled reports whether a step moves nothing that matters.
func settled(d, sd [eCommon]float64) bool {
	for _, p := range [...]int{ePlace - eOwn, eTurn - eOwn, eBlur - eOwn} {
		if math.Abs(d[p]) > still*sd[p] {
			return false
		}
	}
	return true
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

// edge reports the fit. Its covariance is robust to what runs on along the edge; what isn't known
// of the typical values adds to it.
func (m *edgeModel) edge() (*Edge, error) {
	n, used := len(m.weight), m.used()
	var sum, weight float64
	for i, w := range m.weight {
		// A segment broken off with a corner sees no edge and says nothing of its scatter.
		known := w * m.knows(i)
		sum += known * m.place[i] * m.place[i]
		weight += known
	}
	if used < minSegments {
		return nil, ErrNoEdge
	}
	h, _ := m.total()
	var inv [eCommon * eCommon]float64
	if !cholesky(h[:], eCommon) {
		return nil, ErrNoEdge
	}
	choleskyInverse(h[:], eCommon, inv[:])
	known, _ := m.priors()
	full := m.scatter(inv[:], known[:])
	c := m.common
	e := &Edge{
		Line:     m.b.line.Moved(geom.Length(c[ePlace-eOwn]), c[eTurn-eOwn]),
		Blur:     geom.Length(c[eBlur-eOwn]),
		Contrast: m.medianStep(), Used: float64(used) / float64(n), Agree: m.agree(),
		Rms: geom.Length(math.Sqrt(sum / weight)),
		Cov: errs(inv[:], full, eCommon, eTurn-eOwn),
	}
	for p, v := range m.unsettled {
		e.Cov[p][p] += v
	}
	e.model = m
	for p := range m.sds {
		m.sds[p] = math.Sqrt(max(full[p*eCommon+p], inv[p*eCommon+p]))
	}
	for i := range m.weight {
		e.Profile = append(e.Profile, EdgePoint{
			S: geom.Length(m.b.segments[i].s), U: geom.Length(m.place[i]),
			Sd: geom.Length(m.sd[i]), Used: m.weight[i] > 0,
		})
	}
	return e, nil
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
