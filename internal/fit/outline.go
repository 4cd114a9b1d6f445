package fit

import (
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
)

// Parameters of an outline's segment, and those common to the outline.
const (
	oIn = iota // of the segment
	oOut
	oSlopeIn
	oSlopeOut
	oX // of the mark
	oY
	oGrow
	oBlur
	oParams

	oOwn    = oX
	oCommon = oParams - oOwn
)

const (
	outlineSteps   = 12
	outlineStepPx  = 5.0 // length of a segment
	outlineNearPx  = 2.0 // window to both sides, beyond outlineSigmas blurs
	outlineSigmas  = 2.5
	outlineSlope   = 0.03 // typical slope of levels, of the contrast per pixel
	outlineLeast   = 8    // segments that must agree
	outlineLags    = 2
	outlineStill   = 0.15 // step, in standard deviations from noise, of which too little is left to matter
	outlineKnowing = 0.15 // of the blur against what the whole mark shows
)

// An outlineModel is the state of a fit along a mark's outline.
type outlineModel struct {
	px       *Pixels
	segments [][]int32 // pixels of each
	normal   [][2]float64
	cover    func(x, y, grow, sigma float64) covered
	away     func(x, y float64) float64 // distance outward from the outline
	um       float64
	slope    float64 // typical, DN/µm
	first    [oCommon]float64
	prior    [oCommon]float64

	common [oCommon]float64
	chain            // of the last step; places are along the normal
	slopes []float64 // by how much a segment's weighted place grows with its place
	sums   *gram
}

// FitOutline refines a fitted mark that lies on uneven ground: short pieces of its outline get
// levels and light slopes of their own, inside and outside, so that mottled ground, fringes and
// shadows, which FitMark takes for noise that runs on, don't pull at the centre. Pieces whose place
// contradicts the others' are set aside. umPerPx is the scale of the pixels.
//
// Where too little of the outline agrees, it returns the mark as it came, with the covariance that its
// scatter shows.
func FitOutline(px *Pixels, shape *part.Marks, turn geom.Angle, m *Mark, umPerPx float64) *Mark {
	o, ok := newOutline(px, shape, turn, m, umPerPx)
	if !ok {
		return m.scattered()
	}
	for range outlineSteps {
		o.linearise()
		h, d := o.total()
		if !cholesky(h[:], oCommon) {
			return m.scattered()
		}
		choleskySolve(h[:], oCommon, d[:])
		if !finite(d[:]) {
			return m.scattered()
		}
		for p := range oCommon {
			o.common[p] += d[p]
		}
		o.common[oBlur-oOwn] = max(o.common[oBlur-oOwn], 0.35*umPerPx)
		var inv [oCommon * oCommon]float64
		choleskyInverse(h[:], oCommon, inv[:])
		if math.Hypot(d[0], d[1]) < outlineStill*math.Sqrt(inv[0]) {
			break
		}
	}
	if math.Hypot(o.common[0]-o.first[0], o.common[1]-o.first[1]) > umPerPx {
		return m.scattered()
	}
	return o.mark(m)
}

func newOutline(px *Pixels, shape *part.Marks, turn geom.Angle, m *Mark, um float64) (*outlineModel, bool) {
	drawn, err := outlineOf(shape, turn)
	if err != nil {
		return nil, false
	}
	o := &outlineModel{px: px, cover: drawn.cover, um: um, slope: outlineSlope * math.Abs(m.Contrast) / um}
	o.first = [oCommon]float64{
		float64(m.Centre.X - px.Origin.X), float64(m.Centre.Y - px.Origin.Y), m.Grow.Um(), m.Blur.Um(),
	}
	o.common = o.first
	known := outlineKnowing * m.Blur.Um()
	o.prior[oBlur-oOwn] = 1 / (known * known)
	o.prior[oGrow-oOwn] = 1 / (100 * um * um)

	at, normals := pieces(shape, turn, outlineStepPx*um)
	n := len(normals)
	o.segments, o.normal, o.slopes = make([][]int32, n), normals, make([]float64, n)
	near := outlineSigmas*m.Blur.Um() + outlineNearPx*um
	o.away = func(x, y float64) float64 { return drawn.away(x, y) - m.Grow.Um() }
	for i := range px.X {
		x, y := px.X[i]-o.first[0], px.Y[i]-o.first[1]
		if math.Abs(o.away(x, y)) > near {
			continue
		}
		if k := at(x, y); k >= 0 {
			o.segments[k] = append(o.segments[k], int32(i))
		}
	}
	o.chain, o.sums = newChain(n, oCommon), new(gram)
	return o, n >= outlineLeast
}

// linearise solves each segment's own parameters, which the model is linear in, and fills its
// reduced information and score, then the weights.
func (o *outlineModel) linearise() {
	for k, list := range o.segments {
		if len(list) < 3*oOwn {
			o.blank(k)
			continue
		}
		o.reduce(k, list)
	}
	o.weigh()
}

// reduce fills a segment's reduced information and score. Levels and slopes come first; all that
// depends on them is how much the picture changes with the common parameters, alike over a segment.
func (o *outlineModel) reduce(k int, list []int32) {
	c, sums := &o.common, o.sums
	sums.reset(oParams)
	for _, i := range list {
		x, y := o.px.X[i]-c[0], o.px.Y[i]-c[1]
		cv := o.cover(x, y, c[oGrow-oOwn], c[oBlur-oOwn])
		u := o.away(x, y)
		w, row := math.Sqrt(o.px.Weight[i]), sums.n
		sums.rest[row] = w * o.px.Z[i]
		sums.col[oIn][row], sums.col[oOut][row] = w*cv.v, w*(1-cv.v)
		sums.col[oSlopeIn][row], sums.col[oSlopeOut][row] = w*min(u, 0), w*max(u, 0)
		sums.col[oX][row], sums.col[oY][row] = -w*cv.dx, -w*cv.dy
		sums.col[oGrow][row], sums.col[oBlur][row] = w*cv.dgrow, w*cv.dsigma
		if sums.n++; sums.n == gramRows {
			sums.flush()
		}
	}
	sums.flush()

	var h [oParams * oParams]float64
	var g [oParams]float64
	var as [oParams]column
	express := func(step float64) {
		for p := range as {
			as[p] = column{p, 1}
			if p >= oOwn {
				as[p].by = step
			}
		}
		sums.expand(as[:], h[:], g[:])
		for _, p := range [2]int{oSlopeIn, oSlopeOut} {
			h[p*oParams+p] += 1 / (o.slope * o.slope)
		}
		h[oIn*oParams+oIn] += 1e-9
		h[oOut*oParams+oOut] += 1e-9
	}
	express(1)
	whole, drawn := h, g
	eliminate(h[:], g[:], oOwn, oParams)
	var own [oOwn]float64
	backSubstitute(h[:], g[:], oParams, own[:])

	express(own[oIn] - own[oOut])
	for p := range oParams { // the residuals' part of what the levels themselves were drawn by
		left := drawn[p]
		for q, v := range own {
			left -= whole[min(p, q)*oParams+max(p, q)] * v
		}
		g[p] = as[p].by * left
	}
	eliminate(h[:], g[:], oOwn, oParams)
	o.set(k, h[:], g[:], oParams)
}

// weigh sets aside segments whose place along the normal contradicts the others'.
func (o *outlineModel) weigh() {
	abs := make([]float64, 0, len(o.segments))
	for k, n := range o.normal {
		i, s := o.infoOf(k), o.scoreOf(k)
		info := n[0]*n[0]*i[0] + 2*n[0]*n[1]*i[1] + n[1]*n[1]*i[oCommon+1]
		if info <= 0 {
			o.place[k] = math.Inf(1)
			continue
		}
		o.place[k] = (n[0]*s[0] + n[1]*s[1]) / info
		abs = append(abs, math.Abs(o.place[k]))
	}
	if len(abs) == 0 {
		return
	}
	scale := max(1.4826*median(abs), 1e-3*o.um)
	for k, v := range o.place {
		root, slope := rootWeight(math.Abs(v)/(scale*placeTukey), true)
		o.weight[k], o.slopes[k] = root*root, slope
	}
}

func (o *outlineModel) total() (h [oCommon * oCommon]float64, g [oCommon]float64) {
	for p, q := range o.prior {
		h[p*oCommon+p], g[p] = q, q*(o.first[p]-o.common[p])
	}
	o.chain.total(h[:], g[:])
	return h, g
}

// mark reports the fit; its covariance allows for what runs on from one segment to the next
// (Newey & West, Econometrica 55 (1987) 703), around the outline.
func (o *outlineModel) mark(m *Mark) *Mark {
	h, _ := o.total()
	var inv [oCommon * oCommon]float64
	if !cholesky(h[:], oCommon) {
		return m.scattered()
	}
	choleskyInverse(h[:], oCommon, inv[:])
	n, used := len(o.segments), o.used()
	if used < outlineLeast || used < n/2 {
		return m.scattered()
	}
	full := sandwich(inv[:], o.meat(outlineLags, true), oCommon)
	steep, dof := o.along()
	small := steep * steep * dof / max(1, dof-2)
	out := *m
	out.Centre = geom.ScopePoint{X: o.px.Origin.X + geom.Length(o.common[0]), Y: o.px.Origin.Y + geom.Length(o.common[1])}
	// Few segments tell the scatter poorly along single axes: take it alike for both, but no better
	// than noise.
	v := (full[0] + full[oCommon+1]) / 2 * small
	out.Cov = [2][2]float64{{max(v, inv[0]), 0}, {0, max(v, inv[oCommon+1])}}
	out.Grow = geom.Length(o.common[oGrow-oOwn]) // the whole mark tells its blur better
	out.Dof = dof
	out.Used = min(m.Used, float64(used)/float64(n))
	return &out
}

// along returns by how much the weights overstate the information, because they fall as a segment's
// place departs from the others', and by how many degrees of freedom the scatter is known.
func (o *outlineModel) along() (steep, dof float64) {
	var sum, slope float64
	for axis := range 2 {
		var own, squares float64
		for k, w := range o.weight {
			h := o.infoOf(k)[axis*(oCommon+1)]
			own, squares = own+w*h, squares+w*h*w*h
			slope += o.slopes[k] * h
		}
		sum += own
		dof += own * own / squares
	}
	return sum / slope, dof / (1 + outlineLags)
}

// pieces cuts the outline of a mark into pieces about step long: in which of them a place lies, and the
// outward normal of each.
func pieces(shape *part.Marks, turn geom.Angle, step float64) (at func(x, y float64) int, normals [][2]float64) {
	switch shape.Shape {
	case part.Disc:
		return circles(step, 500*shape.DiameterMm)
	case part.Ring:
		return circles(step, 500*shape.DiameterMm, 500*shape.InnerMm)
	case part.Square:
		l := 500 * shape.LengthMm
		return sides(turn, step, [][2]float64{{l, -l}, {l, l}, {-l, l}, {-l, -l}})
	}
	l, w := 500*shape.LengthMm, 500*shape.ArmWidthMm
	return sides(turn, step, [][2]float64{
		{l, -w}, {l, w}, {w, w}, {w, l}, {-w, l}, {-w, w}, {-l, w}, {-l, -w}, {-w, -w}, {-w, -l}, {w, -l}, {w, -w},
	})
}

// circles cuts circles about the centre, an outer one first, perhaps with a hole.
func circles(step float64, radii ...float64) (at func(x, y float64) int, normals [][2]float64) {
	first := make([]int, len(radii)+1)
	for i, r := range radii {
		n := max(4, int(2*math.Pi*r/step))
		for k := range n {
			s, c := math.Sincos(2*math.Pi*(float64(k)+0.5)/float64(n) - math.Pi)
			normals = append(normals, [2]float64{c, s})
		}
		first[i+1] = len(normals)
	}
	return func(x, y float64) int {
		i := 0
		if len(radii) > 1 && 2*math.Sqrt(x*x+y*y) < radii[0]+radii[1] {
			i = 1
		}
		n := first[i+1] - first[i]
		return first[i] + min(int((math.Atan2(y, x)+math.Pi)/(2*math.Pi)*float64(n)), n-1)
	}, normals
}

// sides cuts a polygon of right angles, its corners counter-clockwise, turned by turn. Cuts fan out from
// side to side like mitres, so that at a corner none holds more of what lies about than another.
func sides(turn geom.Angle, step float64, corners [][2]float64) (at func(x, y float64) int, normals [][2]float64) {
	type side struct {
		x, y, dx, dy, length float64
		from, to             float64 // by how much the ends move outward with the distance from the side: 1 or -1
		first, n             int
	}
	sin, cos := math.Sincos(turn.Rad())
	all := make([]side, len(corners))
	for i, c := range corners {
		d := corners[(i+1)%len(corners)]
		s := side{x: c[0], y: c[1], length: math.Hypot(d[0]-c[0], d[1]-c[1]), first: len(normals)}
		s.dx, s.dy = (d[0]-c[0])/s.length, (d[1]-c[1])/s.length
		s.n = max(1, int(s.length/step))
		for range s.n {
			normals = append(normals, [2]float64{cos*s.dy + sin*s.dx, sin*s.dy - cos*s.dx})
		}
		all[i] = s
	}
	for i := range all {
		s, next := &all[i], &all[(i+1)%len(all)]
		s.to = s.dx*next.dy - s.dy*next.dx
		next.from = s.to
	}
	return func(x, y float64) int {
		x, y = cos*x+sin*y, cos*y-sin*x
		nearest, piece := math.Inf(1), -1
		for i := range all {
			s := &all[i]
			ex, ey := x-s.x, y-s.y
			along, out := ex*s.dx+ey*s.dy, ex*s.dy-ey*s.dx
			share := (along + out*s.from) / (s.length + out*(s.from+s.to))
			if d := math.Abs(out); d < nearest && share >= 0 && share < 1 {
				nearest, piece = d, s.first+int(share*float64(s.n))
			}
		}
		return piece
	}, normals
}
