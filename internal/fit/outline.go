package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"

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
	outlineTukey   = 4.5
	outlineLags    = 2
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
	own    [][oOwn]float64
	info   [][oCommon][oCommon]float64
	score  [][oCommon]float64
	weight []float64
}

// FitOutline refines a fitted mark that lies on uneven ground: short pieces of its outline get
// levels and light slopes of their own, inside and outside, so that mottled ground, fringes and
// shadows, which FitMark takes for noise that runs on, don't pull at the centre. Pieces whose place
// contradicts the others' are set aside. umPerPx is the scale of the pixels.
//
// It returns the mark as it came where too little of the outline agrees.
func FitOutline(px *Pixels, shape *part.Marks, turn geom.Angle, m *Mark, umPerPx float64) *Mark {
	o, ok := newOutline(px, shape, turn, m, umPerPx)
	if !ok {
		return m
	}
	for range outlineSteps {
		o.linearise()
		h, g := o.total()
		var chol mat.Cholesky
		d := mat.NewVecDense(oCommon, nil)
		if !chol.Factorize(h) || chol.SolveVecTo(d, g) != nil || !finite(d.RawVector().Data) {
			return m
		}
		for p := range oCommon {
			o.common[p] += d.AtVec(p)
		}
		o.common[oBlur-oOwn] = max(o.common[oBlur-oOwn], 0.35*umPerPx)
		if math.Hypot(d.AtVec(0), d.AtVec(1)) < 1e-3*umPerPx {
			break
		}
	}
	if math.Hypot(o.common[0]-o.first[0], o.common[1]-o.first[1]) > umPerPx {
		return m
	}
	return o.mark(m)
}

func newOutline(px *Pixels, shape *part.Marks, turn geom.Angle, m *Mark, um float64) (*outlineModel, bool) {
	cover, _, err := coverage(shape, turn)
	if err != nil {
		return nil, false
	}
	o := &outlineModel{px: px, cover: cover, um: um, slope: outlineSlope * math.Abs(m.Contrast) / um}
	o.first = [oCommon]float64{
		float64(m.Centre.X - px.Origin.X), float64(m.Centre.Y - px.Origin.Y), m.Grow.Um(), m.Blur.Um(),
	}
	o.common = o.first
	known := outlineKnowing * m.Blur.Um()
	o.prior[oBlur-oOwn] = 1 / (known * known)
	o.prior[oGrow-oOwn] = 1 / (100 * um * um)

	along, away, normal, length := shapeOutline(shape, turn)
	if along == nil {
		return nil, false
	}
	n := int(length / (outlineStepPx * um))
	n = max(n-n%4, 4)
	o.segments, o.normal = make([][]int32, n), make([][2]float64, n)
	near := outlineSigmas*m.Blur.Um() + outlineNearPx*um
	o.away = func(x, y float64) float64 { return away(x, y) - m.Grow.Um() }
	for i := range px.X {
		x, y := px.X[i]-o.first[0], px.Y[i]-o.first[1]
		if math.Abs(o.away(x, y)) > near {
			continue
		}
		k := min(int(along(x, y)*float64(n)), n-1)
		o.segments[k] = append(o.segments[k], int32(i))
	}
	for k := range n {
		o.normal[k] = normal((float64(k) + 0.5) / float64(n))
	}
	o.own = make([][oOwn]float64, n)
	o.info, o.score, o.weight = make([][oCommon][oCommon]float64, n), make([][oCommon]float64, n), make([]float64, n)
	return o, n >= outlineLeast
}

// linearise solves each segment's own parameters, which the model is linear in, and fills its
// reduced information and score, then the weights.
func (o *outlineModel) linearise() {
	c := o.common
	for k, list := range o.segments {
		o.info[k], o.score[k] = [oCommon][oCommon]float64{}, [oCommon]float64{}
		if len(list) < 3*oOwn {
			continue
		}
		own := &o.own[k]
		for pass := range 2 { // own parameters first, then all with their residuals
			var h [oParams][oParams]float64
			var g [oParams]float64
			for _, i := range list {
				x, y := o.px.X[i]-c[0], o.px.Y[i]-c[1]
				cv := o.cover(x, y, c[oGrow-oOwn], c[oBlur-oOwn])
				u := o.away(x, y)
				rise, fall := max(u, 0), min(u, 0)
				r := o.px.Z[i] - (own[oIn]*cv.v + own[oOut]*(1-cv.v) + own[oSlopeIn]*fall + own[oSlopeOut]*rise)
				step := own[oIn] - own[oOut]
				d := [oParams]float64{
					oIn: cv.v, oOut: 1 - cv.v, oSlopeIn: fall, oSlopeOut: rise,
					oX: -step * cv.dx, oY: -step * cv.dy, oGrow: step * cv.dgrow, oBlur: step * cv.dsigma,
				}
				w := o.px.Weight[i]
				for p := range oParams {
					wd := w * d[p]
					g[p] += wd * r
					for q := p; q < oParams; q++ {
						h[p][q] += wd * d[q]
					}
				}
			}
			for _, p := range [2]int{oSlopeIn, oSlopeOut} {
				h[p][p] += 1 / (o.slope * o.slope)
				g[p] -= own[p] / (o.slope * o.slope)
			}
			h[oIn][oIn] += 1e-9
			h[oOut][oOut] += 1e-9
			for p := range oOwn {
				for q := p + 1; q < oParams; q++ {
					f := h[p][q] / h[p][p]
					g[q] -= f * g[p]
					for r := q; r < oParams; r++ {
						h[q][r] -= f * h[p][r]
					}
				}
			}
			if pass == 0 {
				var step [oOwn]float64
				for p := oOwn - 1; p >= 0; p-- {
					v := g[p]
					for q := p + 1; q < oOwn; q++ {
						v -= h[p][q] * step[q]
					}
					step[p] = v / h[p][p]
					own[p] += step[p]
				}
				continue
			}
			for p := range oCommon {
				o.score[k][p] = g[oOwn+p]
				for q := range oCommon {
					o.info[k][p][q] = h[oOwn+min(p, q)][oOwn+max(p, q)]
				}
			}
		}
	}
	o.weigh()
}

// weigh sets aside segments whose place along the normal contradicts the others'.
func (o *outlineModel) weigh() {
	place := make([]float64, len(o.segments))
	var abs []float64
	for k, n := range o.normal {
		info := n[0]*n[0]*o.info[k][0][0] + 2*n[0]*n[1]*o.info[k][0][1] + n[1]*n[1]*o.info[k][1][1]
		if info <= 0 {
			place[k] = math.Inf(1)
			continue
		}
		place[k] = (n[0]*o.score[k][0] + n[1]*o.score[k][1]) / info
		abs = append(abs, math.Abs(place[k]))
	}
	if len(abs) == 0 {
		return
	}
	scale := max(1.4826*median(abs), 1e-3*o.um)
	for k, v := range place {
		o.weight[k] = robustWeight(v/scale, outlineTukey, true)
	}
}

func (o *outlineModel) total() (*mat.SymDense, *mat.VecDense) {
	h, g := mat.NewSymDense(oCommon, nil), mat.NewVecDense(oCommon, nil)
	for p := range oCommon {
		gp := o.prior[p] * (o.first[p] - o.common[p])
		for k, w := range o.weight {
			gp += w * o.score[k][p]
		}
		g.SetVec(p, gp)
		for q := p; q < oCommon; q++ {
			v := 0.0
			if p == q {
				v = o.prior[p]
			}
			for k, w := range o.weight {
				v += w * o.info[k][p][q]
			}
			h.SetSym(p, q, v)
		}
	}
	return h, g
}

// mark reports the fit; its covariance allows for what runs on from one segment to the next
// (Newey & West, Econometrica 55 (1987) 703), around the outline.
func (o *outlineModel) mark(m *Mark) *Mark {
	h, _ := o.total()
	var chol mat.Cholesky
	inv := mat.NewSymDense(oCommon, nil)
	if !chol.Factorize(h) || chol.InverseTo(inv) != nil {
		return m
	}
	n, used := len(o.segments), 0
	for _, w := range o.weight {
		if w > 0 {
			used++
		}
	}
	if used < outlineLeast || used < n/2 {
		return m
	}
	meat := mat.NewDense(oCommon, oCommon, nil)
	for lag := 0; lag <= outlineLags; lag++ {
		bartlett := 1 - float64(lag)/(outlineLags+1)
		for k := range n {
			j := (k + lag) % n
			w := bartlett * o.weight[k] * o.weight[j]
			for p := range oCommon {
				for q := range oCommon {
					v := o.score[k][p] * o.score[j][q]
					if lag > 0 {
						v += o.score[j][p] * o.score[k][q]
					}
					meat.Set(p, q, meat.At(p, q)+w*v)
				}
			}
		}
	}
	var left, full mat.Dense
	left.Mul(inv, meat)
	full.Mul(&left, inv)
	small := float64(used) / max(1, float64(used-oCommon)) * shortSeries((outlineLags+1)/float64(n))
	out := *m
	out.Centre = geom.ScopePoint{X: o.px.Origin.X + geom.Length(o.common[0]), Y: o.px.Origin.Y + geom.Length(o.common[1])}
	// Few segments tell the scatter poorly along single axes: take it alike for both, but no better
	// than noise.
	v := (full.At(0, 0) + full.At(1, 1)) / 2 * small
	out.Cov = [2][2]float64{{max(v, inv.At(0, 0)), 0}, {0, max(v, inv.At(1, 1))}}
	out.Grow, out.Blur = geom.Length(o.common[oGrow-oOwn]), geom.Length(o.common[oBlur-oOwn])
	out.Used = min(m.Used, float64(used)/float64(n))
	return &out
}

// shapeOutline describes the outline of a mark: where a point lies along it, 0 to 1, how far
// outward of it, the outward normal at a place along it, and its length in µm. A cross and a ring
// have two sides close to each other, so theirs isn't followed.
func shapeOutline(shape *part.Marks, turn geom.Angle) (along, away func(x, y float64) float64, normal func(t float64) [2]float64, length float64) {
	sin, cos := math.Sincos(turn.Rad())
	switch shape.Shape {
	case part.Disc:
		r := 500 * shape.DiameterMm
		along = func(x, y float64) float64 { return (math.Atan2(y, x) + math.Pi) / (2 * math.Pi) }
		away = func(x, y float64) float64 { return math.Hypot(x, y) - r }
		normal = func(t float64) [2]float64 {
			s, c := math.Sincos(2*math.Pi*t - math.Pi)
			return [2]float64{c, s}
		}
		return along, away, normal, 2 * math.Pi * r
	case part.Square:
		l := 500 * shape.LengthMm
		along = func(x, y float64) float64 {
			u, v := cos*x+sin*y, cos*y-sin*x
			switch {
			case u >= math.Abs(v):
				return (v/max(u, 1e-9) + 1) / 8
			case v >= math.Abs(u):
				return 0.25 + (-u/max(v, 1e-9)+1)/8
			case -u >= math.Abs(v):
				return 0.5 + (v/min(u, -1e-9)+1)/8
			}
			return 0.75 + (-u/min(v, -1e-9)+1)/8
		}
		away = func(x, y float64) float64 {
			return max(math.Abs(cos*x+sin*y), math.Abs(cos*y-sin*x)) - l
		}
		normal = func(t float64) [2]float64 {
			s, c := math.Sincos(float64(int(4*t)) * math.Pi / 2)
			return [2]float64{cos*c - sin*s, sin*c + cos*s}
		}
		return along, away, normal, 8 * l
	}
	return nil, nil, nil, 0
}
