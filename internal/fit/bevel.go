package fit

import (
	"errors"
	"math"

	"plumbsquare/internal/geom"
)

// The picture of a machined edge set in glue, segment by segment. Going outward there are the
// body's face, its chamfer, the true edge, a bead of glue of ragged width and the ground. With
// x the distance outward from the true edge, c the width of the chamfer, a that of the bead and
// Φd = Φ((x-d)/σ),
//
//	z = face (1-Φ₋c) + chamfer (Φ₋c - Φ₀) + glue (Φ₀ - Φa) + ground Φa + slopes of face and ground.
//
// The chamfer mirrors the dark around or a lamp: a line, dark or bright, inside the true edge,
// that stands out more than the edge itself. Place, slope, σ, c and the levels of chamfer and
// glue with their trends are common to a side; the rest belongs to the segment, so that tool
// marks on the face and what lies on the ground don't pull the edge. The segment's own parameters
// are eliminated from its normal equations (Schur's complement).
const (
	vFace = iota // of the segment
	vFaceSlope
	vChamferDev // level of the chamfer beside the side's, DN
	vGlueDev
	vGround
	vGroundSlope
	vBead  // width of the bead, µm
	vPlace // of the side
	vBlur
	vWidth // of the chamfer
	vColumns
	vTurn         = vColumns     // changes a segment's picture as place does
	vChamfer      = vColumns + 1 // as the segment's own deviation does, and so on
	vChamferTrend = vColumns + 2
	vGlue         = vColumns + 3
	vGlueTrend    = vColumns + 4
	vParams       = vColumns + 5

	vOwn    = vPlace
	vCommon = vParams - vOwn
)

const (
	bevelSteps  = 30
	bevelStill  = 3e-3  // px, step that no longer matters
	bevelUnlike = 0.015 // departure of the surroundings from the model, of the contrast per pixel
	bevelPx     = 4.0   // window inward of the chamfer and outward of the beads, beyond the blur
	beadReach   = 3.0   // widest bead looked at, of the mean one
	beadSpread  = 1.5   // of the beads' widths about their mean
	devTypical  = 0.05  // scatter of the levels of chamfer and glue along a side, of the contrast
	bevelLevel  = 0.1   // how well starts tell levels, of the contrast: where no bead shows it has no level
	bevelTrend  = 0.3   // their change from the middle of a side to its end
	bevelGrain  = 0.03  // grain of face and ground
)

// A Bevel is a fitted edge with its chamfer.
type Bevel struct {
	Edge
	Chamfer  geom.Length // width of the chamfer
	UChamfer geom.Length
}

// A BevelStart is what is known of a side before its fit: where the true edge lies outward of the
// line, how wide chamfer and bead are, the point spread and the levels.
type BevelStart struct {
	Offset, Chamfer, Bead, Blur geom.Length
	UOffset, UChamfer, UBlur    geom.Length // how well they are known; 0 for not at all
	Face, Bevel, Glue, Ground   float64     // levels, DN
	Cost                        float64     // of the start: the lower the likelier
}

// A Side is the raw pixels along one side of a body, straightened.
type Side struct{ b *band }

// ErrShort means that too little of a side lies in the picture.
var ErrShort = errors.New("too little of the side lies in the picture")

// NewSide gathers the pixels along a line, from inPx inward of it to outPx outward.
func NewSide(src Source, line Line, half geom.Length, reachPx float64) (*Side, error) {
	b := newBand(src, line, half, extent{px: reachPx, finePx: reachPx, nth: 1})
	if len(b.segments) < minSegments {
		return nil, ErrShort
	}
	return &Side{b}, nil
}

// A bevelModel is the state of a fit along one side.
type bevelModel struct {
	b              *band
	common         [vCommon]float64
	own            [][vOwn]float64
	prior, known   [vCommon]float64 // information and mean of what is known of the common ones
	half, contrast float64
	bead           float64 // mean width of the bead, µm
	in, out        float64 // window, µm from the line

	chain                           // of the last step
	rows  [][vOwn * vParams]float64 // of the segment's own parameters, eliminated
	right [][vOwn]float64
	sums  *gram
	cells [][4]float64 // for begin
}

// newBevelModel returns the model of a side at a start.
func newBevelModel(b *band, at BevelStart) *bevelModel {
	n := len(b.segments)
	m := &bevelModel{
		b: b, own: make([][vOwn]float64, n), chain: newChain(n, vCommon), sums: new(gram),
		rows: make([][vOwn * vParams]float64, n), right: make([][vOwn]float64, n),
	}
	m.half = max(math.Abs(b.segments[0].s), math.Abs(b.segments[n-1].s))
	m.contrast = max(at.Face, at.Bevel, at.Glue, at.Ground) - min(at.Face, at.Bevel, at.Glue, at.Ground)
	m.bead = max(at.Bead.Um(), b.um)
	around := 4*at.Blur.Um() + bevelPx*b.um
	m.in, m.out = at.Offset.Um()-at.Chamfer.Um()-around, at.Offset.Um()+beadReach*m.bead+around
	m.know(vPlace, at.Offset.Um(), 0)
	m.know(vBlur, at.Blur.Um(), 0)
	m.know(vWidth, at.Chamfer.Um(), 0)
	m.know(vChamfer, at.Bevel, bevelLevel*m.contrast)
	m.know(vChamferTrend, 0, bevelTrend*m.contrast)
	m.know(vGlue, at.Glue, bevelLevel*m.contrast)
	m.know(vGlueTrend, 0, bevelTrend*m.contrast)
	for i := range m.own {
		m.begin(i, at)
	}
	return m
}

// know sets a common parameter and how well it is known; sd 0 is not at all.
func (m *bevelModel) know(p int, v, sd float64) {
	m.common[p-vOwn], m.known[p-vOwn], m.prior[p-vOwn] = v, v, 0
	if sd > 0 {
		m.prior[p-vOwn] = 1 / (sd * sd)
	}
}

// linearise evaluates the segments and weighs them.
func (m *bevelModel) linearise() {
	for i := range m.own {
		m.reduce(i)
	}
	m.weigh()
}

// take moves all parameters by the common ones' step.
func (m *bevelModel) take(d *[vCommon]float64) {
	m.apply(d)
	for i := range m.own {
		m.follow(i, d)
	}
}

// settled reports whether a step moves no edge by more than px.
func (m *bevelModel) settled(d *[vCommon]float64, px float64) bool {
	return max(math.Abs(d[vPlace-vOwn]), math.Abs(d[vTurn-vOwn])*m.half, math.Abs(d[vWidth-vOwn])) < px*m.b.um
}

// alone fits the side by itself from where it stands.
func (m *bevelModel) alone() (*Bevel, error) {
	for range bevelSteps {
		m.linearise()
		h, d := m.total()
		if !cholesky(h[:], vCommon) {
			return nil, ErrNoEdge
		}
		choleskySolve(h[:], vCommon, d[:])
		if !finite(d[:]) {
			return nil, ErrNoEdge
		}
		m.take(&d)
		if m.settled(&d, bevelStill) {
			break
		}
	}
	return m.edge()
}

// begin finds a segment's bead: the width that explains its pixels best, with levels of face and
// ground of its own.
func (m *bevelModel) begin(i int, at BevelStart) {
	sg := &m.b.segments[i]
	sigma, place, c := at.Blur.Um(), at.Offset.Um(), at.Chamfer.Um()
	grain := bevelGrain * m.contrast
	// What doesn't depend on the bead: place, share of the face, what is left of the level, weight.
	cells := m.cells[:0]
	for k, u := range sg.u {
		if u < m.in || u > m.out {
			continue
		}
		x := u - place
		c1, _ := normal((x + c) / sigma)
		c0, _ := normal(x / sigma)
		cells = append(cells, [4]float64{x, 1 - c1, sg.z[k] - at.Bevel*(c1-c0) - at.Glue*c0, 1 / (sg.v[k] + grain*grain)})
	}
	m.cells = cells
	best := math.Inf(1)
	for a := 0.0; a < beadReach*m.bead; a += 0.75 * m.b.um {
		var hff, hfg, hgg, gf, gg, zz float64
		for k := range cells {
			f, w := cells[k][1], cells[k][3]
			g, _ := normal((cells[k][0] - a) / sigma)
			z := cells[k][2] + at.Glue*g
			hff += w * f * f
			hfg += w * f * g
			hgg += w * g * g
			gf += w * f * z
			gg += w * g * z
			zz += w * z * z
		}
		// A little of what the side shows on the whole keeps both levels determined.
		q := 1e-2 * (hff + hgg)
		hff, hgg = hff+q, hgg+q
		gf, gg = gf+q*at.Face, gg+q*at.Ground
		zz += q * (at.Face*at.Face + at.Ground*at.Ground)
		det := hff*hgg - hfg*hfg
		face, ground := (hgg*gf-hfg*gg)/det, (hff*gg-hfg*gf)/det
		dev := (a - m.bead) / (beadSpread * m.bead)
		if cost := zz - face*gf - ground*gg + dev*dev; cost < best {
			best = cost
			m.own[i] = [vOwn]float64{vFace: face, vGround: ground, vBead: a}
		}
	}
}

// reduce fills segment i's reduced information and score.
func (m *bevelModel) reduce(i int) {
	sg := &m.b.segments[i]
	own := &m.own[i]
	get := func(p int) float64 { return m.common[p-vOwn] }
	along := sg.s / m.half
	place, sigma, c, a := get(vPlace)+get(vTurn)*sg.s, get(vBlur), get(vWidth), own[vBead]
	chamfer := get(vChamfer) + along*get(vChamferTrend) + own[vChamferDev]
	glue := get(vGlue) + along*get(vGlueTrend) + own[vGlueDev]
	face, ground := own[vFace], own[vGround]

	sums := m.sums
	sums.reset(vColumns)
	for k, u := range sg.u {
		if u < m.in || u > m.out {
			continue
		}
		x := u - place
		t1, t0, ta := (x+c)/sigma, x/sigma, (x-a)/sigma
		f1, p1 := normal(t1)
		f0, p0 := normal(t0)
		fa, pa := normal(ta)
		rise := (x-a)*fa + sigma*pa
		fall := (x + c) - ((x+c)*f1 + sigma*p1)
		r := sg.z[k] - (face*(1-f1) + chamfer*(f1-f0) + glue*(f0-fa) + ground*fa + own[vFaceSlope]*fall + own[vGroundSlope]*rise)
		// Steps at the three edges, by which the picture changes as they move.
		s1, s0, sa := (chamfer-face)*p1/sigma+own[vFaceSlope]*(1-f1), (glue-chamfer)*p0/sigma, (ground-glue)*pa/sigma+own[vGroundSlope]*fa
		// What lies about the edges is the less like the model the farther it is.
		off := bevelUnlike * m.contrast * max(-c-x, x-a, 0) / m.b.um
		w := math.Sqrt(1 / (sg.v[k] + off*off))
		row := sums.n
		sums.rest[row] = w * r
		sums.col[vFace][row], sums.col[vFaceSlope][row] = w*(1-f1), w*fall
		sums.col[vChamferDev][row], sums.col[vGlueDev][row] = w*(f1-f0), w*(f0-fa)
		sums.col[vGround][row], sums.col[vGroundSlope][row] = w*fa, w*rise
		sums.col[vBead][row], sums.col[vPlace][row], sums.col[vWidth][row] = -w*sa, -w*(s1+s0+sa), w*s1
		sums.col[vBlur][row] = w * (own[vGroundSlope]*pa - own[vFaceSlope]*p1 -
			((chamfer-face)*p1*t1+(glue-chamfer)*p0*t0+(ground-glue)*pa*ta)/sigma)
		if sums.n++; sums.n == gramRows {
			sums.flush()
		}
	}
	sums.flush()

	var h [vParams * vParams]float64
	var g [vParams]float64
	sums.expand([]column{
		vFace: {vFace, 1}, vFaceSlope: {vFaceSlope, 1}, vChamferDev: {vChamferDev, 1}, vGlueDev: {vGlueDev, 1},
		vGround: {vGround, 1}, vGroundSlope: {vGroundSlope, 1}, vBead: {vBead, 1},
		vPlace: {vPlace, 1}, vTurn: {vPlace, sg.s}, vBlur: {vBlur, 1}, vWidth: {vWidth, 1},
		vChamfer: {vChamferDev, 1}, vChamferTrend: {vChamferDev, along}, vGlue: {vGlueDev, 1}, vGlueTrend: {vGlueDev, along},
	}, h[:], g[:])
	know := func(p int, sd, mean float64) {
		h[p*vParams+p] += 1 / (sd * sd)
		g[p] -= (own[p] - mean) / (sd * sd)
	}
	slope := slopeTypical * m.contrast / m.b.um
	know(vFaceSlope, slope, 0)
	know(vGroundSlope, slope, 0)
	know(vChamferDev, devTypical*m.contrast, 0)
	know(vGlueDev, devTypical*m.contrast, 0)
	know(vBead, beadSpread*m.bead, m.bead)
	if h[vFace*vParams+vFace] == 0 || h[vGround*vParams+vGround] == 0 {
		m.blank(i)
		m.rows[i] = [vOwn * vParams]float64{}
		return
	}
	eliminate(h[:], g[:], vOwn, vParams)
	m.rows[i], m.right[i] = [vOwn * vParams]float64(h[:]), [vOwn]float64(g[:])
	m.set(i, h[:], g[:], vParams)
}

// follow moves segment i's own parameters by the step that belongs to the common ones' step d.
func (m *bevelModel) follow(i int, d *[vCommon]float64) {
	h, own := &m.rows[i], &m.own[i]
	var step [vOwn]float64
	for p := vOwn - 1; p >= 0; p-- {
		row := h[p*vParams:][:vParams]
		if row[p] == 0 {
			return
		}
		v := m.right[i][p]
		for q := p + 1; q < vOwn; q++ {
			v -= row[q] * step[q]
		}
		for q, dq := range d {
			v -= row[vOwn+q] * dq
		}
		step[p] = v / row[p]
		if p == vBead {
			step[p] = max(min(step[p], m.b.um), -m.b.um, -own[vBead])
		}
	}
	for p := range own {
		own[p] += step[p]
	}
}

// total sums information and score over the segments, with what is known beforehand.
func (m *bevelModel) total() (h [vCommon * vCommon]float64, g [vCommon]float64) {
	for p, q := range m.prior {
		h[p*vCommon+p], g[p] = q, q*(m.known[p]-m.common[p])
	}
	m.chain.total(h[:], g[:])
	return h, g
}

// apply takes the step, shortened where it would leave what is sensible, and leaves in d what was
// taken.
func (m *bevelModel) apply(d *[vCommon]float64) {
	c, um := &m.common, m.b.um
	for p, v := range d {
		was := c[p]
		switch p + vOwn {
		case vPlace:
			c[p] += min(max(v, -um), um)
		case vBlur:
			c[p] = min(max(c[p]+v, 0.7*c[p], 0.35*um), 1.4*c[p])
		case vWidth:
			c[p] = max(c[p]+min(max(v, -um), um), 0)
		default:
			c[p] += v
		}
		d[p] = c[p] - was
	}
}

// edge reports the fit. Its covariance is robust to what runs on along the side, as roughness, glue
// and tool marks do.
func (m *bevelModel) edge() (*Bevel, error) {
	n, used := len(m.weight), m.used()
	var sum, weight float64
	for i, w := range m.weight {
		sum += w * m.place[i] * m.place[i]
		weight += w
	}
	if used < minSegments {
		return nil, ErrNoEdge
	}
	h, _ := m.total()
	var inv [vCommon * vCommon]float64
	if !cholesky(h[:], vCommon) {
		return nil, ErrNoEdge
	}
	choleskyInverse(h[:], vCommon, inv[:])
	// What is known beforehand errs as its standard uncertainty says.
	full := m.scatter(inv[:], m.prior[:])
	width := (vWidth - vOwn) * (vCommon + 1)
	c := m.common
	e := &Bevel{
		Edge: Edge{
			Line:   m.b.line.Moved(geom.Length(c[0]), c[vTurn-vOwn]),
			Offset: geom.Length(c[0]), Slope: c[vTurn-vOwn],
			Cov:      errs(inv[:], full, vCommon, vTurn-vOwn),
			Blur:     geom.Length(c[vBlur-vOwn]),
			Contrast: c[vGlue-vOwn] - c[vChamfer-vOwn],
			Used:     float64(used) / float64(n), Rms: geom.Length(math.Sqrt(sum / weight)),
		},
		Chamfer: geom.Length(c[vWidth-vOwn]), UChamfer: geom.Length(math.Sqrt(max(full[width], inv[width]))), // never better than without correlation
	}
	for i := range m.weight {
		e.Profile = append(e.Profile, EdgePoint{
			S: geom.Length(m.b.segments[i].s), U: geom.Length(m.place[i]),
			Sd: geom.Length(m.sd[i]), Used: m.weight[i] > 0,
		})
	}
	return e, nil
}
