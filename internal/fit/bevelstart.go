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
	type column = []float64
	step := func(at, sd float64) column {
		v := make(column, len(p.u))
		for i, u := range p.u {
			v[i], _ = normal((u - at) / sd)
		}
		return v
	}
	for i := range out {
		out[i] = make([]BevelStart, len(offsets))
	}
	for k, o := range offsets {
		edge := step(o.Um(), sigma)
		var outer [len(beadSteps)]column
		for j, a := range beadSteps {
			outer[j] = step(o.Um()+a*um, math.Hypot(sigma, 0.35*a*um))
		}
		for i, c := range chamfers {
			st := p.levels(step(o.Um()-c.Um(), sigma), edge, outer[:], um, c > 0)
			st.Offset, st.Chamfer, st.Blur = o, c, blur
			out[i][k] = st
		}
	}
	return out
}

// beadSteps are the distances from the true edge, px, at which the level may change where beads
// end; so many are enough for any mixture of widths.
var beadSteps = [...]float64{1.5, 3, 4.5, 6.5, 9, 13}

// Sharpness says how sharply the level changes across lines turned by slope against the side's: it
// is largest along straight edges. Only values of one side compare.
func (s *Side) Sharpness(slope float64) float64 {
	b := s.b
	cell := binPx * b.um
	first := b.segments[0].u
	lo := first[0] - cell
	n := int((first[len(first)-1]-lo)/cell) + 2
	sum, count := make([]float64, n), make([]float64, n)
	for i := range b.segments {
		sg := &b.segments[i]
		for k, u := range sg.u {
			if j := int((u - slope*sg.s - lo) / cell); j >= 0 && j < n {
				sum[j] += sg.z[k]
				count[j]++
			}
		}
	}
	total := 0.0
	for j := 2; j < n; j++ {
		if min(count[j], count[j-2]) > float64(len(b.segments))/2 {
			d := sum[j]/count[j] - sum[j-2]/count[j-2]
			total += d * d
		}
	}
	return total
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

// levels fits the levels of face, chamfer and glue, what the level changes by at each of the outer
// steps, and the slopes of face and ground by least squares.
func (p meanProfile) levels(inner, edge []float64, outer [][]float64, um float64, chamfer bool) BevelStart {
	const params = 5 + len(beadSteps)
	var h [params * params]float64
	var g, d [params]float64
	zz := 0.0
	span := p.u[len(p.u)-1] - p.u[0]
	last := len(outer) - 1
	for i, u := range p.u {
		d[0], d[1], d[2] = 1-inner[i], inner[i]-edge[i], edge[i]
		d[3], d[4] = d[0]*u/span, outer[last][i]*u/span
		for j := range outer {
			d[5+j] = outer[j][i]
		}
		if !chamfer {
			d[1] = 0
		}
		for a := range params {
			for b := a; b < params; b++ {
				h[a*params+b] += d[a] * d[b]
			}
			g[a] += d[a] * p.z[i]
		}
		zz += p.z[i] * p.z[i]
	}
	// Slopes are small beside levels, and steps that the picture doesn't need are none.
	for a := range params {
		h[a*params+a] += 1e-6
		if a >= 3 {
			h[a*params+a] += 0.02
		}
	}
	worst := BevelStart{Cost: math.Inf(1)}
	var chol mat.Cholesky
	x := mat.NewVecDense(params, nil)
	if !chol.Factorize(mat.NewSymDense(params, h[:])) || chol.SolveVecTo(x, mat.NewVecDense(params, g[:])) != nil {
		return worst
	}
	left := zz
	for a := range params {
		left -= g[a] * x.AtVec(a)
	}
	st := BevelStart{Face: x.AtVec(0), Bevel: x.AtVec(1), Glue: x.AtVec(2)}
	if !chamfer {
		st.Bevel = st.Face
	}
	st.Ground = st.Glue
	for j := range outer {
		st.Ground += x.AtVec(5 + j)
	}
	if min(st.Face, st.Bevel, st.Glue, st.Ground) < 0 {
		return worst // no light is less than none
	}
	// The bead ends on the whole where half of the change outward is reached.
	level := st.Glue
	st.Bead = geom.Length(beadSteps[last] * um)
	for j := range outer {
		if level += x.AtVec(5 + j); math.Abs(level-st.Glue) >= math.Abs(st.Ground-st.Glue)/2 {
			st.Bead = geom.Length(beadSteps[j] * um)
			break
		}
	}
	// Tool marks and grain leave one level step in a hundred unexplained at best.
	n := float64(len(p.u))
	floor := 0.01 * (max(st.Face, st.Bevel, st.Glue, st.Ground) - min(st.Face, st.Bevel, st.Glue, st.Ground))
	st.Cost = n / 2 * math.Log(max(left, 0)/n+floor*floor+1e-12)
	return st
}
