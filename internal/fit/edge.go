package fit

import (
	"cmp"
	"errors"
	"math"
	"slices"

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
	Agree    float64     // share of the edge along which the level steps as it does on the whole
	Rms      geom.Length // scatter of the edge about the fitted line, over what was used
	Clean    bool        // noise alone explains the picture of the edge
	Profile  []EdgePoint

	model *edgeModel // the fit itself, for Together; nil where none but noise was to be modelled
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
	Corner   geom.Length // at each end, where two walls cast shadow: only a clean edge is used there
	SearchPx float64     // how far from the line the edge may lie
	Blur     geom.Length // start for the point spread; 0 means 1.2 px
	BestOnly bool        // fit only the edge that stands out most
	// Unshaded says that no wall stands on what lies outside, so there is no shadow to fit: the
	// edge of the substrate over what lies far below.
	Unshaded bool
}

// ErrNoEdge means that no straight edge was seen in the window.
var ErrNoEdge = errors.New("no straight edge")

const (
	stepPx      = 12   // length of a segment: long enough to average noise, short against a chip
	cleanSigmas = 12.0 // window to each side where noise alone explains the edge, in blurs
	cleanMisfit = 1.12

	// How far from a line that was seen its level may bend, so that cells there are narrow.
	fineSigmas, finePx = 4.0, 1.0

	raggedSigmas = 4.0 // scatter of a clean edge's segments beyond noise, in what that may be by chance
)

// FitEdges finds the straight edges near line and fits them on raw pixels, the best seen first;
// an edge with a rim beside it gives two or three, and what else is known must choose.
//
// Edges are first found as the lines along which the level steps most consistently. Then each
// short segment gets its own levels and light slopes (traces and flux change along an edge), one
// point spread and one shadow serve all, and a segment whose place contradicts the others' is set
// aside (chips, glints). Where noise alone explains what is seen, one model with common levels is
// fitted to all pixels: the maximum-likelihood estimate.
//
// It returns ErrNoEdge when the picture shows none there.
func FitEdges(src Source, line Line, win EdgeWindow) ([]*Edge, error) {
	um := src.Plane.UmPerPx()
	blurPx := win.Blur.Um() / um
	if blurPx == 0 {
		blurPx = 1.2
	}
	blurPx = min(max(blurPx, 0.5), 6)

	b := newBand(src, line, win.Half, extent{px: win.SearchPx + insideSigmas*blurPx + windowPx + shadowPx, finePx: math.Inf(1), nth: 2})
	if len(b.segments) < minSegments {
		return nil, ErrNoEdge
	}
	var edges []*Edge
	for _, s := range b.search(win.SearchPx*um, win.Half.Um(), blurPx*um) {
		at := line.Moved(geom.Length(s.offset), s.slope)
		near := newBand(src, at, win.Half, extent{
			px: max(insideSigmas*blurPx+shadowPx, cleanSigmas*blurPx) + windowPx, finePx: fineSigmas*blurPx + finePx, nth: 1,
		})
		e, err := near.fitStretches(blurPx*um, win.Corner.Um(), win.Unshaded)
		if err != nil {
			continue
		}
		if c := near.fitClean(e); c != nil {
			e = c
		}
		e.Offset, e.Slope = e.Line.In(line)
		if e.model != nil {
			e.model.from = line
		}
		if !slices.ContainsFunc(edges, func(o *Edge) bool { return math.Abs((o.Offset - e.Offset).Um()) < blurPx*um }) {
			edges = append(edges, e)
		}
		if e.Clean || win.BestOnly {
			return edges, nil
		}
	}
	if len(edges) == 0 {
		return nil, ErrNoEdge
	}
	return edges, nil
}

// A sighting is a line along which the level steps consistently.
type sighting struct {
	offset, slope, score float64
	sign                 float64 // 1 where the outside is brighter
}

const (
	sightings  = 2   // of each sign
	stepSigmas = 2.0 // to each side of a step, whose levels are compared there
	faintest   = 0.3 // score of a sighting beside the best
)

// search looks for the lines along which the level steps most consistently, among offsets within
// ±range and slopes that move the ends by as much, best first. A segment's vote is capped, so that a few
// bright capacitors or glints don't outvote an edge that is seen everywhere.
func (b *band) search(rangeUm, halfUm, sigma float64) []sighting {
	step := 0.5 * b.um
	n := int(rangeUm/step) + 1
	votes := make([][]float64, len(b.segments))
	s := make([]float64, len(b.segments))
	wide := 2*n + 1
	for i := range b.segments {
		sg := &b.segments[i]
		s[i] = sg.s
		v := make([]float64, 2*wide+1) // offsets -2n-1 .. 2n+1 steps: an edge turned may run past ±n
		sg.steps(v, -float64(wide)*step, step, sigma)
		votes[i] = v
	}
	capVotes(votes)
	var found []sighting
	for a := -n; a <= n; a++ {
		rise := sighting{offset: float64(a) * step, sign: 1}
		fall := sighting{offset: float64(a) * step, sign: -1}
		for t := -n; t <= n; t++ {
			sum := 0.0
			for i := range votes {
				k := wide + int(math.Round(float64(a)+float64(t)*s[i]/halfUm))
				if k >= 0 && k <= 2*wide {
					sum += votes[i][k]
				}
			}
			// An edge is darker or brighter outside all along, with rare exceptions; of equals,
			// the straightest is taken.
			sum *= 1 - 0.02*math.Abs(float64(t))/float64(n+1)
			best := &rise
			if sum < 0 {
				best, sum = &fall, -sum
			}
			if sum > best.score {
				best.score, best.slope = sum, float64(t)*step/halfUm
			}
		}
		found = append(found, rise, fall)
	}
	slices.SortStableFunc(found, func(p, q sighting) int { return cmp.Compare(q.score, p.score) })
	var out []sighting
	for _, f := range found {
		same := 0
		near := slices.ContainsFunc(out, func(o sighting) bool {
			if o.sign != f.sign {
				return false
			}
			same++
			return math.Abs(o.offset-f.offset) < 3*sigma
		})
		if f.score > 0 && f.score >= faintest*found[0].score && !near && same < sightings {
			out = append(out, f)
		}
	}
	return out
}

// steps writes into v the level within stepSigmas blurs outside each of so many places, a step apart,
// first at first, minus that as far inside; 0 where the band ends.
func (sg *segment) steps(v []float64, first, step, sigma float64) {
	w := stepSigmas * sigma
	sums := make([]float64, len(sg.z)+1) // of the levels before each cell
	for i, z := range sg.z {
		sums[i+1] = sums[i] + z
	}
	var lo, mid, hi int // cells before u-w, before or at u, before or at u+w
	for k := range v {
		u := first + float64(k)*step
		for lo < len(sg.u) && sg.u[lo] < u-w {
			lo++
		}
		for mid < len(sg.u) && sg.u[mid] <= u {
			mid++
		}
		for hi < len(sg.u) && sg.u[hi] <= u+w {
			hi++
		}
		if lo < mid && mid < hi {
			v[k] = (sums[hi]-sums[mid])/float64(hi-mid) - (sums[mid]-sums[lo])/float64(mid-lo)
		}
	}
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

// ragged reports whether an edge's segments each by itself would lie elsewhere by more than noise
// explains: over a wide window roughness hardly shows in the misfit. place is the parameter that
// moves the edge. Of n values the reduced chi-square scatters by √(2/n).
func ragged(px *Pixels, m model, p []float64, place int) bool {
	blocks := px.Block[px.Len()-1] + 1
	info, score := make([]float64, blocks), make([]float64, blocks)
	var d [gramColumns][gramRows]float64
	var z [gramRows]float64
	for lo := 0; lo < px.Len(); lo += gramRows {
		hi := min(lo+gramRows, px.Len())
		m(p, px.X[lo:hi], px.Y[lo:hi], z[:hi-lo], &d)
		for i, b := range px.Block[lo:hi] {
			wd := px.Weight[lo+i] * d[place][i]
			info[b] += wd * d[place][i]
			score[b] += wd * (px.Z[lo+i] - z[i])
		}
	}
	var chi2, n float64
	for i, h := range info {
		if h > 0 {
			chi2, n = chi2+score[i]*score[i]/h, n+1
		}
	}
	return chi2 > n+raggedSigmas*math.Sqrt(2*n)
}

// torn reports whether an edge's segments lie so far from its line that noise is surely not all there is.
func (c *chain) torn() bool {
	var chi2, n float64
	for i, u := range c.place {
		if !math.IsInf(c.sd[i], 1) {
			chi2, n = chi2+u*u/(c.sd[i]*c.sd[i]), n+1
		}
	}
	return chi2 > 2*(n+raggedSigmas*math.Sqrt(2*n))
}

// fitClean fits one model with common levels and linear light to all pixels of the band. It
// returns nil when noise doesn't explain what is seen.
func (b *band) fitClean(local *Edge) *Edge {
	if local.model.torn() {
		return nil
	}
	var px Pixels
	offset, slope := local.Line.In(b.line)
	reach := cleanSigmas * local.Blur.Um()
	for i := range b.segments {
		sg := &b.segments[i]
		for k, u := range sg.u {
			if math.Abs(u-offset.Um()-slope*sg.s) <= reach {
				px.X, px.Y, px.Z = append(px.X, sg.s), append(px.Y, u), append(px.Z, sg.z[k])
				px.Weight, px.Block = append(px.Weight, 1/sg.v[k]), append(px.Block, int32(i))
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
	m := func(p, s, u, z []float64, d *[gramColumns][gramRows]float64) {
		sigma := math.Abs(p[cBlur])
		for i, s := range s {
			u := u[i]
			t := (u - p[cOffset] - p[cSlope]*s) / sigma
			cdf, pdf := normal(t)
			light := 1 + p[cAlong]*s + p[cAcross]*u
			level := p[cIn] + (p[cOut]-p[cIn])*cdf
			k := -(p[cOut] - p[cIn]) * pdf / sigma * light
			d[cOffset][i], d[cSlope][i], d[cBlur][i] = k, k*s, k*t
			d[cIn][i], d[cOut][i] = (1-cdf)*light, cdf*light
			d[cAlong][i], d[cAcross][i] = level*s, level*u
			z[i] = level * light
		}
	}
	p := make([]float64, cParams)
	p[cOffset], p[cSlope], p[cBlur] = offset.Um(), slope, local.Blur.Um()
	base, amp := levelsOf(&px, func(s, u float64) float64 {
		cdf, _ := normal((u - p[cOffset] - p[cSlope]*s) / p[cBlur])
		return cdf
	})
	p[cIn], p[cOut] = base, base+amp
	// A few cells tell quickly that there is more than noise.
	glance, err := solve(px.every(4), m, start{p: p})
	if err != nil || glance.misfit > 1.5*cleanMisfit {
		return nil
	}
	sol, err := solve(&px, m, start{p: glance.p, scale: max(glance.misfit, 1)})
	if err != nil || sol.misfit > cleanMisfit || sol.used < 0.9 || ragged(&px, m, sol.p, cOffset) {
		return nil
	}
	e := *local
	e.Clean, e.Agree, e.model = true, 1, nil
	e.Line = b.line.Moved(geom.Length(sol.p[cOffset]), sol.p[cSlope])
	e.Cov = [2][2]float64{
		{sol.cov[cOffset*cParams+cOffset], sol.cov[cOffset*cParams+cSlope]},
		{sol.cov[cSlope*cParams+cOffset], sol.cov[cSlope*cParams+cSlope]},
	}
	e.Blur = geom.Length(math.Abs(sol.p[cBlur]))
	e.Contrast = sol.p[cOut] - sol.p[cIn]
	return &e
}
