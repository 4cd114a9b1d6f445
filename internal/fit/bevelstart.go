package fit

import (
	"math"

	"gonum.org/v1/gonum/floats"

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
	for i := range out {
		out[i] = make([]BevelStart, len(offsets))
	}
	l := newStartLevels(p, um)
	for k, o := range offsets {
		l.at(o.Um(), sigma)
		for i, c := range chamfers {
			st := l.solve(o.Um()-c.Um(), sigma, c > 0)
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

// Parameters of a start. Those of face and chamfer change with the chamfer's width; all others with
// the true edge alone.
const (
	sFace = iota
	sFaceSlope
	sChamfer
	sGlue
	sGroundSlope
	sOuter  // by how much the level changes at each of the outer steps
	sParams = sOuter + len(beadSteps)
)

// startLevels fits levels to a mean profile.
type startLevels struct {
	meanProfile
	um  float64
	zz  float64
	col [sParams][]float64 // of the design, a row for each place of the profile
	h   [sParams][sParams]float64
	g   [sParams]float64
}

func newStartLevels(p meanProfile, um float64) *startLevels {
	l := &startLevels{meanProfile: p, um: um, zz: floats.Dot(p.z, p.z)}
	for c := range l.col {
		l.col[c] = make([]float64, len(p.u))
	}
	return l
}

// step writes a step at a place, blurred, into v.
func (l *startLevels) step(v []float64, at, sd float64) {
	for i, u := range l.u {
		v[i], _ = normal((u - at) / sd)
	}
}

// sums adds up the rows of the normal equations from a parameter on.
func (l *startLevels) sums(from, to int) {
	for a := from; a < to; a++ {
		for b := a; b < sParams; b++ {
			l.h[a][b] = floats.Dot(l.col[a], l.col[b])
		}
		l.g[a] = floats.Dot(l.col[a], l.z)
	}
}

// at sets where the true edge is.
func (l *startLevels) at(edge, sigma float64) {
	l.step(l.col[sGlue], edge, sigma)
	for j, a := range beadSteps {
		l.step(l.col[sOuter+j], edge+a*l.um, math.Hypot(sigma, 0.35*a*l.um))
	}
	span := l.u[len(l.u)-1] - l.u[0]
	for i, u := range l.u {
		l.col[sGroundSlope][i] = l.col[sParams-1][i] * u / span
	}
	l.sums(sGlue, sParams)
}

// solve fits the levels of face, chamfer and glue, what the level changes by at each of the outer
// steps, and the slopes of face and ground by least squares, for a chamfer that begins at inner.
func (l *startLevels) solve(inner, sigma float64, chamfer bool) BevelStart {
	face, slope, bevel := l.col[sFace], l.col[sFaceSlope], l.col[sChamfer]
	l.step(face, inner, sigma)
	span := l.u[len(l.u)-1] - l.u[0]
	for i, in := range face {
		face[i], bevel[i] = 1-in, 0
		slope[i] = face[i] * l.u[i] / span
		if chamfer {
			bevel[i] = in - l.col[sGlue][i]
		}
	}
	l.sums(sFace, sGlue)

	// Slopes are small beside levels, and steps that the picture doesn't need are none.
	var h [sParams * sParams]float64
	for a := range sParams {
		copy(h[a*sParams:], l.h[a][:])
		h[a*sParams+a] += 1e-6
		if a == sFaceSlope || a >= sGroundSlope {
			h[a*sParams+a] += 0.02
		}
	}
	x := l.g
	worst := BevelStart{Cost: math.Inf(1)}
	if !cholesky(h[:], sParams) {
		return worst
	}
	choleskySolve(h[:], sParams, x[:])
	left := l.zz - floats.Dot(l.g[:], x[:])
	st := BevelStart{Face: x[sFace], Bevel: x[sChamfer], Glue: x[sGlue]}
	if !chamfer {
		st.Bevel = st.Face
	}
	st.Ground = st.Glue + floats.Sum(x[sOuter:])
	if min(st.Face, st.Bevel, st.Glue, st.Ground) < 0 {
		return worst // no light is less than none
	}
	// The bead ends on the whole where half of the change outward is reached.
	level := st.Glue
	st.Bead = geom.Length(beadSteps[len(beadSteps)-1] * l.um)
	for j, a := range beadSteps {
		if level += x[sOuter+j]; math.Abs(level-st.Glue) >= math.Abs(st.Ground-st.Glue)/2 {
			st.Bead = geom.Length(a * l.um)
			break
		}
	}
	// Tool marks and grain leave one level step in a hundred unexplained at best.
	n := float64(len(l.u))
	floor := 0.01 * (max(st.Face, st.Bevel, st.Glue, st.Ground) - min(st.Face, st.Bevel, st.Glue, st.Ground))
	st.Cost = n / 2 * math.Log(max(left, 0)/n+floor*floor+1e-12)
	return st
}
