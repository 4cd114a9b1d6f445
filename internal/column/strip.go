package column

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/geom"
)

// A strip is the pixels of one profile with its levels.
type strip struct {
	side      int
	x, y      int // pixel at index 0
	vertical  bool
	sign      float64 // +1 when outward is up the pixel index
	at        float64 // index of the line's crossing
	kUm       float64 // µm of normal distance per pixel
	z         []uint16
	in, out   float64 // levels at the crossing, first raw, then smoothed
	inSlope   float64 // of the levels, per index; the same all along a side
	outSlope  float64
	inAt      float64 // mean place from the crossing of the pixels behind the levels
	outAt     float64
	tangentUm float64 // place along the side from the origin's foot
}

// A span is a stretch of a side, µm along it from the origin's foot.
type span struct{ from, to float64 }

// hidden lists the stretches of a side beside which a face is seen less than reachPx inside of it:
// there the levels aren't the substrate's. Under a perspective lens tall columns at the rim seem to
// stand nearer to the edge than they do, and may reach over it.
func (pic *shot) hidden(pose geom.Pose, s side, reachPx float64) []span {
	um := pic.base.UmPerPx()
	r := 500 * pic.part.Array.DiameterMm
	var out []span
	for _, site := range pic.sites {
		// Where on the substrate's plane the face is seen.
		d := pose.ToDrawing(pic.base.ToObject(pic.faceAt(pose, site.x, site.y)))
		x, y := d.X.Um(), d.Y.Um()
		if pose.Scale*s.halfUm-(s.nx*x+s.ny*y)-r < reachPx*um {
			t := s.nx*y - s.ny*x
			out = append(out, span{t - hiddenShare*r, t + hiddenShare*r})
		}
	}
	return out
}

// hiddenShare is how much more than its radius a face hides to both sides: it may lean.
const hiddenShare = 1.3

// strips cuts the profiles of a side out of the picture, but for those in the spans hidden.
func (pic *shot) strips(pose geom.Pose, s side, index, half, levelsPx, every int, hidden []span) []strip {
	sin, cos := math.Sincos(pose.Turn.Rad())
	nx, ny := cos*s.nx-sin*s.ny, sin*s.nx+cos*s.ny
	tx, ty := -ny, nx
	c := nx*float64(pose.Origin.X) + ny*float64(pose.Origin.Y) + pose.Scale*s.halfUm
	end := pose.Scale*s.spanUm - cornerFree*pic.base.UmPerPx()
	corner := func(t float64) geom.ImagePoint {
		return pic.base.ToImage(geom.ScopePoint{
			X: pose.Origin.X + geom.Length(nx*pose.Scale*s.halfUm+tx*t),
			Y: pose.Origin.Y + geom.Length(ny*pose.Scale*s.halfUm+ty*t)})
	}
	a, b := corner(-end), corner(end)
	vertical := math.Abs(a.X-b.X) > math.Abs(a.Y-b.Y) // profiles run along y
	first, last, limit, across := a.Y, b.Y, pic.g.H, pic.g.W
	if vertical {
		first, last, limit, across = a.X, b.X, pic.g.W, pic.g.H
	}
	if first > last {
		first, last = last, first
	}
	i0, i1 := max(0, int(math.Ceil(first))), min(limit-1, int(last))
	distance := func(i int, u float64) float64 {
		p := geom.ImagePoint{X: u, Y: float64(i)}
		if vertical {
			p = geom.ImagePoint{X: float64(i), Y: u}
		}
		q := pic.base.ToObject(p)
		return nx*float64(q.X) + ny*float64(q.Y) - c
	}
	out := make([]strip, 0, max(0, (i1-i0)/every+1))
	u := a.X
	if vertical {
		u = a.Y
	}
	var buf []uint16
	if vertical {
		buf = make([]uint16, 0, ((i1-i0)/every+1)*(2*(half+levelsPx)+2))
	}
	newton := 2
	for i := i0; i <= i1; i += every {
		var k float64
		for range newton {
			d := distance(i, u)
			k = distance(i, u+1) - d
			u -= d / k
		}
		newton = 1 // from the neighbour's place
		sign := 1.0
		if k < 0 {
			sign = -1
		}
		lo, hi := int(math.Round(u))-half-levelsPx, int(math.Round(u))+half+levelsPx
		lo, hi = max(lo, 0), min(hi, across-1)
		if u-float64(lo) < float64(half) || float64(hi)-u < float64(half) {
			continue // too near to the picture's border to know the levels
		}
		st := strip{side: index, x: lo, y: i, vertical: vertical, sign: sign, kUm: math.Abs(k), at: u - float64(lo)}
		if vertical {
			st.x, st.y = i, lo
		}
		if vertical {
			from := len(buf)
			for m := lo; m <= hi; m++ {
				buf = append(buf, pic.g.Pix[m*pic.g.W+i])
			}
			st.z = buf[from:len(buf):len(buf)]
		} else {
			st.z = pic.g.Pix[i*pic.g.W+lo : i*pic.g.W+hi+1]
		}
		p := geom.ImagePoint{X: u, Y: float64(i)}
		if vertical {
			p = geom.ImagePoint{X: float64(i), Y: u}
		}
		q := pic.base.ToObject(p)
		st.tangentUm = tx*float64(q.X-pose.Origin.X) + ty*float64(q.Y-pose.Origin.Y)
		if slices.ContainsFunc(hidden, func(h span) bool { return st.tangentUm > h.from && st.tangentUm < h.to }) {
			continue
		}
		st.measureLevels(half)
		out = append(out, st)
	}
	return out
}

// measureLevels fits a line to the levels of the pixels farther than half from the crossing, on
// each side of it.
func (s *strip) measureLevels(half int) {
	last := int(math.Floor(s.at - float64(half)))
	first := int(math.Ceil(s.at + float64(half)))
	s.inAt, s.in, s.inSlope = s.line(0, last+1)
	s.outAt, s.out, s.outSlope = s.line(first, len(s.z))
	if s.sign < 0 {
		s.inAt, s.outAt, s.in, s.out, s.inSlope, s.outSlope = s.outAt, s.inAt, s.out, s.in, s.outSlope, s.inSlope
	}
}

// line fits a line to the pixels of the indices from, inclusive, to to, exclusive: their mean place from
// the crossing, their mean level and their slope per index.
func (s *strip) line(from, to int) (at, level, slope float64) {
	from, to = max(from, 0), min(to, len(s.z))
	if from >= to {
		return 0, 0, 0
	}
	n := to - from
	sum, moment := 0, 0
	for i, v := range s.z[from:to] {
		sum += int(v)
		moment += i * int(v)
	}
	middle := float64(n-1) / 2
	spread := max(float64(n)*float64(n*n-1)/12, 1) // of n whole numbers in a row, squared
	return float64(from) + middle - s.at, float64(sum) / float64(n), (float64(moment) - middle*float64(sum)) / spread
}

// smoothLevels replaces each profile's levels by the mean over its neighbours, carried to the
// crossing by the mean slope of the whole side: shading and the light fall off towards the edge.
// Where that slope is no other than that of the light all over the picture, the latter is taken,
// which is known far better. It reports whether that failed for any side's inside.
func smoothLevels(raw []strip, gx, gy float64) (shaded bool) {
	const half = 12
	for from := 0; from < len(raw); {
		to := from
		for to < len(raw) && raw[to].side == raw[from].side {
			to++
		}
		light := gx
		if raw[from].vertical {
			light = gy
		}
		shaded = smoothSide(raw[from:to], half, light) || shaded
		from = to
	}
	return shaded
}

func smoothSide(raw []strip, half int, light float64) (shaded bool) {
	n := len(raw)
	in, out := make([]float64, n), make([]float64, n)
	for i := range raw {
		in[i], out[i] = raw[i].inSlope, raw[i].outSlope
	}
	expected := light * clippedMean(levelsOf(raw, true))
	inSlope, outSlope := sideSlope(in, expected), sideSlope(out, light*clippedMean(levelsOf(raw, false)))
	for i := range raw {
		raw[i].inSlope, raw[i].outSlope = inSlope, outSlope
		in[i] = raw[i].in - inSlope*raw[i].inAt
		out[i] = raw[i].out - outSlope*raw[i].outAt
	}
	// Neighbours share nearly all of theirs: one mean will do for a few.
	const few = 4
	for i := 0; i < n; i += few {
		lo, hi := max(0, i+few/2-half), min(n, i+few/2+half+1)
		meanIn, meanOut := clippedMean(in[lo:hi]), clippedMean(out[lo:hi])
		for k := i; k < min(i+few, n); k++ {
			raw[k].in, raw[k].out = meanIn, meanOut
		}
	}
	return inSlope != expected
}

func levelsOf(raw []strip, inside bool) []float64 {
	v := make([]float64, len(raw))
	for i := range raw {
		v[i] = raw[i].out
		if inside {
			v[i] = raw[i].in
		}
	}
	return v
}

// sideSlope returns the mean of the slopes, or the expected one when the mean doesn't differ
// from it beyond its own uncertainty (k = 3, neighbours taken as correlated over 4 profiles).
func sideSlope(slopes []float64, expected float64) float64 {
	mean := clippedMean(slopes)
	var ss float64
	for _, s := range slopes {
		ss += (s - mean) * (s - mean)
	}
	n := float64(len(slopes))
	if d := mean - expected; d*d < 9*4*ss/(n*n) {
		return expected
	}
	return mean
}

// clippedMean is the mean of the values that lie within 3 standard deviations of the mean,
// taken twice. It reads them in order, so that equal pictures give equal bits.
func clippedMean(v []float64) float64 {
	lo, hi := math.Inf(-1), math.Inf(1)
	mean := 0.0
	for range 2 {
		var n, s, ss float64
		for _, x := range v {
			if x >= lo && x <= hi {
				n++
				s += x
				ss += x * x
			}
		}
		if n == 0 {
			return mean
		}
		mean = s / n
		sd := math.Sqrt(max(0, ss/n-mean*mean))
		lo, hi = mean-2.5*sd, mean+2.5*sd
	}
	return mean
}

// lightSlope fits a plane to the substrate's level along its sides and returns its relative
// slopes, 1/px.
func lightSlope(raw []strip, w, h int) (gx, gy float64) {
	var a [3][3]float64
	var r [3]float64
	for i := range raw {
		x, y := raw[i].place(raw[i].at)
		d := [3]float64{1, x - float64(w-1)/2, y - float64(h-1)/2}
		for m := range 3 {
			for n := range 3 {
				a[m][n] += d[m] * d[n]
			}
			r[m] += d[m] * raw[i].in
		}
	}
	var chol mat.Cholesky
	sym := mat.NewSymDense(3, []float64{a[0][0], a[0][1], a[0][2], a[0][1], a[1][1], a[1][2], a[0][2], a[1][2], a[2][2]})
	var p mat.VecDense
	if !chol.Factorize(sym) || chol.SolveVecTo(&p, mat.NewVecDense(3, r[:])) != nil || p.AtVec(0) == 0 {
		return 0, 0
	}
	return p.AtVec(1) / p.AtVec(0), p.AtVec(2) / p.AtVec(0)
}

// place returns the image place of index i.
func (s *strip) place(i float64) (x, y float64) {
	if s.vertical {
		return float64(s.x), float64(s.y) + i
	}
	return float64(s.x) + i, float64(s.y)
}

// displacement estimates how far outward of the line the edge of one profile lies.
func (pic *shot) displacement(s *strip, sigmaUm float64) (profile, bool) {
	p := profile{side: s.side, inside: s.in}
	p.x, p.y = s.place(s.at)
	contrast := s.in - s.out
	if math.Abs(contrast) < 0.004*float64(pic.g.FullScale) {
		return p, false
	}
	reach := 3.5 * sigmaUm / s.kUm
	for range 3 { // where one profile alone is sharp, follow a rough edge beyond the linear range
		var gg, gr, hh, hr float64
		for i := max(0, int(s.at-reach-2)); i < min(len(s.z), int(s.at+reach+3)); i++ {
			px := float64(i) - s.at
			u := px*s.kUm*s.sign - p.e
			cdf, pdf := normal(-u / sigmaUm)
			in, out := s.in+s.inSlope*px, s.out+s.outSlope*px
			model := out + (in-out)*cdf
			w := 1 / pic.noise.Var(model)
			d := contrast * pdf / sigmaUm
			ds := d * u / sigmaUm
			r := float64(s.z[i]) - model
			gg += w * d * d
			gr += w * d * r
			hh += w * ds * ds
			hr += w * ds * r
		}
		if gg == 0 || hh == 0 {
			return p, false
		}
		p.v = 1 / gg
		de := gr / gg
		p.e += de
		p.dSigma, p.vSigma = hr/hh, 1/hh
		if p.v > 0.09*sigmaUm*sigmaUm || math.Abs(de) < 0.2*sigmaUm || math.Abs(p.e) > 3*sigmaUm {
			break
		}
	}
	p.block = int(math.Floor(s.tangentUm / (blockProfiles * s.kUm)))
	return p, true
}
