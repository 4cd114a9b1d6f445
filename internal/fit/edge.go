package fit

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/geom"
)

// An Edge is a straight edge fitted near a line: u = Offset + Slope·s in that line's frame.
type Edge struct {
	Line   Line        // the fitted line, Mid beside the start line's
	Offset geom.Length // along the start line's normal
	Slope  float64
	Cov    [2][2]float64 // of (Offset µm, Slope)

	Blur     geom.Length // sigma of the point spread, the pixel's square included
	Contrast float64     // level outside minus level inside, DN: the median along the edge
	Used     float64     // share of the edge that entered the fit
	Rms      geom.Length // scatter of the edge about the fitted line, over what was used
	Clean    bool        // noise alone explains the picture of the edge
	Profile  []EdgePoint
}

// An EdgePoint is the edge's place over one short stretch.
type EdgePoint struct {
	S, U geom.Length // in the fitted line's frame
	Sd   geom.Length // standard deviation of U from noise
	Used bool
}

// An EdgeWindow says where to look for an edge.
type EdgeWindow struct {
	Half     geom.Length // half of the stretch along the line
	SearchPx float64     // how far from the line the edge may lie
	Blur     geom.Length // start for the point spread; 0 means 1.2 px
}

// ErrNoEdge means that no straight edge was seen in the window.
var ErrNoEdge = errors.New("no straight edge")

const (
	stepPx        = 12  // length of a segment: long enough to average noise, short against a chip
	reachSigmas   = 5.0 // window to each side of the edge, in blurs
	reachExtraPx  = 2.0
	cleanSigmas   = 12.0 // the same when noise alone explains the edge
	cleanMisfit   = 1.12
	slopeTypical  = 0.02 // change of light across an edge, of its contrast per pixel
	minUsedPoints = 6
)

// FitEdge finds the straight edge near line and fits it on raw pixels.
//
// The edge is first found as the line along which the level steps most consistently. Then each
// short segment gets its own levels and light slopes (traces, flux and shadow change along an
// edge), one point spread serves all, and a robust line through the segments' places shrugs off
// chips. Where that shows nothing but noise, one model with common levels is fitted to all
// pixels: the maximum-likelihood estimate.
//
// It returns ErrNoEdge when the picture shows none there.
func FitEdge(src Source, line Line, win EdgeWindow) (*Edge, error) {
	um := src.Plane.UmPerPx()
	blurPx := win.Blur.Um() / um
	if blurPx == 0 {
		blurPx = 1.2
	}
	blurPx = min(max(blurPx, 0.5), 6)

	reach := win.SearchPx + reachSigmas*blurPx + reachExtraPx
	b := newBand(src, line, win.Half, reach, stepPx)
	if len(b.segments) < minUsedPoints {
		return nil, ErrNoEdge
	}
	offset, slope, ok := b.search(win.SearchPx*um, win.Half.Um(), blurPx*um)
	if !ok {
		return nil, ErrNoEdge
	}

	// Twice, because the first pass corrects the line and the blur that the second starts from.
	var e *Edge
	at := line.Moved(geom.Length(offset), slope)
	for range 2 {
		reach = max(reachSigmas, cleanSigmas)*blurPx + reachExtraPx
		b = newBand(src, at, win.Half, reach, stepPx)
		var err error
		if e, err = b.fitLocal(blurPx * um); err != nil {
			return nil, err
		}
		at, blurPx = e.Line, min(max(e.Blur.Um()/um, 0.4), 8)
	}
	if c := b.fitClean(e); c != nil {
		e = c
	}
	e.Offset, e.Slope = e.Line.In(line)
	return e, nil
}

// search looks for the line along which the level steps most consistently, among offsets within
// ±range and slopes that move the ends by as much. A segment's vote is capped, so that a few
// bright capacitors or glints don't outvote an edge that is seen everywhere.
func (b *band) search(rangeUm, halfUm, sigma float64) (offset, slope float64, ok bool) {
	step := 0.5 * b.um
	n := int(rangeUm/step) + 1
	votes := make([][]float64, len(b.segments))
	s := make([]float64, len(b.segments))
	wide := 2*n + 1
	for i := range b.segments {
		sg := &b.segments[i]
		s[i] = sg.s
		v := make([]float64, 2*wide+1) // offsets -2n-1 .. 2n+1 steps: an edge turned may run past ±n
		for k := range v {
			v[k] = sg.stepAt(float64(k-wide)*step, sigma)
		}
		votes[i] = v
	}
	capVotes(votes)
	best := 0.0
	for a := -n; a <= n; a++ {
		for t := -n; t <= n; t++ {
			sum, pos, neg := 0.0, 0.0, 0.0
			for i := range votes {
				k := wide + int(math.Round(float64(a)+float64(t)*s[i]/halfUm))
				if k < 0 || k > 2*wide {
					continue
				}
				if v := votes[i][k]; v > 0 {
					pos += v
				} else {
					neg -= v
				}
			}
			// An edge is darker or brighter outside all along, with rare exceptions.
			sum = max(pos, neg) - min(pos, neg)
			sum *= 1 - 0.02*math.Abs(float64(t))/float64(n+1) // of equals, the straightest
			if sum > best {
				best, offset, slope = sum, float64(a)*step, float64(t)*step/halfUm
			}
		}
	}
	return offset, slope, best > 0
}

// stepAt is the level within two blurs outside u minus that inside.
func (sg *segment) stepAt(u, sigma float64) float64 {
	w := 2 * sigma
	var out, in, nOut, nIn float64
	for i, ui := range sg.u {
		switch d := ui - u; {
		case d < -w || d > w:
		case d > 0:
			out += sg.z[i]
			nOut++
		default:
			in += sg.z[i]
			nIn++
		}
	}
	if nOut == 0 || nIn == 0 {
		return 0
	}
	return out/nOut - in/nIn
}

// capVotes limits each vote to the median of the segments' largest ones.
func capVotes(votes [][]float64) {
	largest := make([]float64, len(votes))
	for i, v := range votes {
		for _, x := range v {
			largest[i] = max(largest[i], math.Abs(x))
		}
	}
	limit := median(largest)
	for _, v := range votes {
		for k := range v {
			v[k] = min(max(v[k], -limit), limit)
		}
	}
}

// fitLocal fits each segment with its own levels and then the robust line through them.
func (b *band) fitLocal(sigma float64) (*Edge, error) {
	var pts []place
	for range 3 {
		pts = pts[:0]
		var sum, weight float64
		for i := range b.segments {
			p, ok := b.segments[i].fit(sigma, b.um)
			if !ok {
				continue
			}
			pts = append(pts, p)
			// The common point spread: a weighted mean of the segments' steps towards theirs.
			sum += p.dsigma / p.varSigma
			weight += 1 / p.varSigma
		}
		if len(pts) < minUsedPoints {
			return nil, ErrNoEdge
		}
		step := sum / weight
		sigma = min(max(sigma+step, 0.6*sigma, 0.35*b.um), 1.6*sigma)
	}
	ln, err := fitLine(pts, b.um)
	if err != nil {
		return nil, err
	}
	e := &Edge{
		Line: b.line.Moved(geom.Length(ln.a), ln.b), Cov: ln.cov, Blur: geom.Length(sigma),
		Used: float64(ln.used) / float64(len(b.segments)), Rms: geom.Length(ln.rms),
	}
	steps := make([]float64, 0, len(pts))
	for i, p := range pts {
		e.Profile = append(e.Profile, EdgePoint{
			S: geom.Length(p.s), U: geom.Length(p.d - ln.a - ln.b*p.s),
			Sd: geom.Length(math.Sqrt(p.varD)), Used: ln.w[i] > 0,
		})
		steps = append(steps, p.step)
	}
	e.Contrast = median(steps)
	return e, nil
}

// fitClean fits one model with common levels and linear light to all pixels of the band. It
// returns nil when noise doesn't explain what is seen.
func (b *band) fitClean(local *Edge) *Edge {
	var px Pixels
	offset, slope := local.Line.In(b.line)
	reach := cleanSigmas * local.Blur.Um()
	for i := range b.segments {
		sg := &b.segments[i]
		for k, u := range sg.u {
			if math.Abs(u-offset.Um()-slope*sg.s) <= reach {
				px.X, px.Y, px.Z = append(px.X, sg.s), append(px.Y, u), append(px.Z, sg.z[k])
				px.Weight, px.Block = append(px.Weight, sg.w[k]), append(px.Block, int32(i))
			}
		}
	}
	const (
		cOffset = iota
		cSlope
		cBlur
		cIn
		cOut
		cAlong
		cAcross
		cParams
	)
	m := func(p []float64, s, u float64, d []float64) float64 {
		sigma := math.Abs(p[cBlur])
		t := (u - p[cOffset] - p[cSlope]*s) / sigma
		cdf, pdf := normal(t)
		light := 1 + p[cAlong]*s + p[cAcross]*u
		level := p[cIn] + (p[cOut]-p[cIn])*cdf
		if d != nil {
			k := -(p[cOut] - p[cIn]) * pdf / sigma * light
			d[cOffset], d[cSlope], d[cBlur] = k, k*s, k*t
			d[cIn], d[cOut] = (1-cdf)*light, cdf*light
			d[cAlong], d[cAcross] = level*s, level*u
		}
		return level * light
	}
	p := make([]float64, cParams)
	p[cOffset], p[cSlope], p[cBlur] = offset.Um(), slope, local.Blur.Um()
	base, amp := startLevels(&px, func(s, u float64) float64 {
		cdf, _ := normal((u - p[cOffset] - p[cSlope]*s) / p[cBlur])
		return cdf
	})
	p[cIn], p[cOut] = base, base+amp
	half := 1.0
	for i := range px.X {
		half = max(half, math.Abs(px.X[i]))
	}
	um, inf := b.um, math.Inf(1)
	sol, err := solve(&px, m, p, nil, []float64{1e-3 * um, 1e-3 * um / half, 5e-3 * um, inf, inf, inf, inf})
	if err != nil || sol.misfit > cleanMisfit || sol.used < 0.9 {
		return nil
	}
	e := *local
	e.Clean = true
	e.Line = b.line.Moved(geom.Length(sol.p[cOffset]), sol.p[cSlope])
	e.Cov = [2][2]float64{
		{sol.cov.At(0, 0), sol.cov.At(0, 1)},
		{sol.cov.At(0, 1), sol.cov.At(1, 1)},
	}
	e.Blur = geom.Length(math.Abs(sol.p[cBlur]))
	e.Contrast = sol.p[cOut] - sol.p[cIn]
	return &e
}

// A place is where the edge lies in one segment.
type place struct {
	s, d, varD       float64 // µm, µm²
	step             float64 // level outside minus inside, DN
	dsigma, varSigma float64 // by how much this segment would change the point spread, µm
}

// fit fits one segment with a given point spread: place, two levels, and a slope of the light on
// each side that is held near 0 by what is typical.
func (sg *segment) fit(sigma, um float64) (place, bool) {
	const (
		fPlace = iota
		fSigma
		fIn
		fOut
		fSlopeIn
		fSlopeOut
		n
	)
	in, out := sg.levels(sigma)
	step := out - in
	if step == 0 {
		return place{}, false
	}
	p := [n]float64{fIn: in, fOut: out, fSigma: sigma}
	reach := reachSigmas*sigma + reachExtraPx*um
	h := mat.NewSymDense(n, nil)
	g := mat.NewVecDense(n, nil)
	dp := mat.NewVecDense(n, nil)
	var chol mat.Cholesky
	prior := slopeTypical * math.Abs(step) / um
	var chi2, cells float64
	for range 5 {
		h.Zero()
		g.Zero()
		chi2, cells = 0, 0
		raw := h.RawSymmetric().Data
		gr := g.RawVector().Data
		for i, u := range sg.u {
			if math.Abs(u-p[fPlace]) > reach {
				continue
			}
			t := (u - p[fPlace]) / sigma
			cdf, pdf := normal(t)
			x := u - p[fPlace]
			a, b := p[fIn]+p[fSlopeIn]*x, p[fOut]+p[fSlopeOut]*x
			k := -(b - a) * pdf / sigma
			d := [n]float64{k, k * t, 1 - cdf, cdf, (1 - cdf) * x, cdf * x}
			r := sg.z[i] - (a + (b-a)*cdf)
			w := sg.w[i]
			chi2 += w * r * r
			cells++
			for ia, da := range d {
				gr[ia] += w * r * da
				for ib := ia; ib < n; ib++ {
					raw[ia*n+ib] += w * da * d[ib]
				}
			}
		}
		if cells < 2*n {
			return place{}, false
		}
		for _, i := range [2]int{fSlopeIn, fSlopeOut} {
			raw[i*n+i] += 1 / (prior * prior)
			gr[i] -= p[i] / (prior * prior)
		}
		// The point spread belongs to all segments: held here, and its wish is reported.
		raw[fSigma*n+fSigma] += 1 / (0.2 * sigma * 0.2 * sigma)
		if !chol.Factorize(h) || chol.SolveVecTo(dp, g) != nil {
			return place{}, false
		}
		for i := range p {
			if i != fSigma {
				p[i] += dp.AtVec(i)
			}
		}
		if math.Abs(p[fPlace]) > reach {
			return place{}, false
		}
	}
	inv := mat.NewSymDense(n, nil)
	if chol.InverseTo(inv) != nil {
		return place{}, false
	}
	s2 := max(1, chi2/(cells-n))
	return place{
		s: sg.s, d: p[fPlace], varD: inv.At(fPlace, fPlace) * s2, step: p[fOut] - p[fIn],
		dsigma: dp.AtVec(fSigma), varSigma: inv.At(fSigma, fSigma) * s2,
	}, true
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
