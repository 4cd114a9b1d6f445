package fit

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/geom"
)

// Starts tries true edges at the given distances outward of the line and chamfers of the given
// widths on what the side shows on the whole, and returns the best start for each pair, by
// chamfer, then by distance. The cost is minus the logarithm of the likelihood. Which is right
// can't be told from one side: opposite sides are as far apart as drawn, and all have the same
// chamfer.
//
// A true edge and a chamfer are straight and keep their sharpness in the mean along a side; the
// outer end of a bead doesn't.
func (s *Side) Starts(offsets, chamfers []geom.Length, blur geom.Length) [][]BevelStart {
	p := s.b.meanProfile()
	um, sigma := s.b.um, blur.Um()
	out := make([][]BevelStart, len(chamfers))
	type column []float64
	step := func(at, sd float64) column {
		v := make(column, len(p.u))
		for i, u := range p.u {
			v[i], _ = normal((u - at) / sd)
		}
		return v
	}
	edges := make([]column, len(offsets))
	type bead struct {
		width float64
		outer column
	}
	beads := make([][]bead, len(offsets))
	for k, o := range offsets {
		edges[k] = step(o.Um(), sigma)
		for _, a := range [...]float64{1, 2, 3.5, 5, 7, 10, 14} {
			beads[k] = append(beads[k], bead{a * um, step(o.Um()+a*um, math.Hypot(sigma, 0.45*a*um))})
		}
	}
	for i, c := range chamfers {
		out[i] = make([]BevelStart, len(offsets))
		for k, o := range offsets {
			inner := step(o.Um()-c.Um(), sigma)
			best := &out[i][k]
			best.Cost = math.Inf(1)
			for _, b := range beads[k] {
				st, ok := p.levels(inner, edges[k], b.outer, c > 0)
				if ok && st.Cost < best.Cost {
					*best = st
					best.Offset, best.Chamfer, best.Bead, best.Blur = o, c, geom.Length(b.width), blur
				}
			}
		}
	}
	return out
}

// A meanProfile is what a side shows across on the whole: the median over its segments.
type meanProfile struct{ u, z []float64 }

func (b *band) meanProfile() meanProfile {
	cell := binPx * b.um
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range b.segments {
		u := b.segments[i].u
		lo, hi = min(lo, u[0]), max(hi, u[len(u)-1])
	}
	n := int((hi-lo)/cell) + 1
	cells := make([][]float64, n)
	for i := range b.segments {
		sg := &b.segments[i]
		for k, u := range sg.u {
			j := int((u - lo) / cell)
			cells[j] = append(cells[j], sg.z[k])
		}
	}
	var p meanProfile
	for j, c := range cells {
		if len(c) > len(b.segments)/2 {
			p.u, p.z = append(p.u, lo+(float64(j)+0.5)*cell), append(p.z, median(c))
		}
	}
	return p
}

// levels fits the levels of face, chamfer, glue and ground and the slopes of face and ground by
// least squares.
func (p meanProfile) levels(inner, edge, outer []float64, chamfer bool) (BevelStart, bool) {
	const params = 6
	var h [params][params]float64
	var g [params]float64
	zz := 0.0
	span := p.u[len(p.u)-1] - p.u[0]
	for i, u := range p.u {
		d := [params]float64{1 - inner[i], inner[i] - edge[i], edge[i] - outer[i], outer[i]}
		d[4], d[5] = d[0]*u/span, d[3]*u/span
		for a := range params {
			for b := a; b < params; b++ {
				h[a][b] += d[a] * d[b]
			}
			g[a] += d[a] * p.z[i]
		}
		zz += p.z[i] * p.z[i]
	}
	// Slopes are small beside levels; a chamfer of no width has no level.
	h[4][4] += 0.05
	h[5][5] += 0.05
	if !chamfer {
		h[1] = [params]float64{1: 1}
		h[0][1], g[1] = 0, 0
	}
	sym := mat.NewSymDense(params, nil)
	for a := range params {
		for b := a; b < params; b++ {
			sym.SetSym(a, b, h[a][b])
		}
	}
	var chol mat.Cholesky
	x := mat.NewVecDense(params, nil)
	if !chol.Factorize(sym) || chol.SolveVecTo(x, mat.NewVecDense(params, g[:])) != nil {
		return BevelStart{}, false
	}
	left := zz
	for a := range params {
		left -= g[a] * x.AtVec(a)
	}
	n := float64(len(p.u))
	st := BevelStart{Face: x.AtVec(0), Bevel: x.AtVec(1), Glue: x.AtVec(2), Ground: x.AtVec(3)}
	if !chamfer {
		st.Bevel = st.Face
	}
	for _, v := range [4]float64{st.Face, st.Bevel, st.Glue, st.Ground} {
		if v < 0 {
			return BevelStart{}, false // no light is less than none
		}
	}
	// Tool marks and grain leave one level step in a hundred unexplained at best.
	floor := 0.01 * (max(st.Face, st.Bevel, st.Glue, st.Ground) - min(st.Face, st.Bevel, st.Glue, st.Ground))
	st.Cost = n / 2 * math.Log(max(left, 0)/n+floor*floor+1e-12)
	return st, true
}
