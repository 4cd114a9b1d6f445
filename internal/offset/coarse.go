package offset

import (
	"math"
	"slices"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/scope"
)

// A rectangle is a plate's outline on an object plane: centre, turn of its width axis, sides.
type rectangle struct {
	centre        geom.ScopePoint
	turn          geom.Angle
	width, height geom.Length
}

// The sides in the order in which they are kept everywhere, run counter-clockwise.
var sideNames = [4]string{"+x", "+y", "-x", "-y"}

// side returns the line of one side, its outside to the right of its direction.
func (r rectangle) side(k int) fit.Line {
	dist := r.width / 2
	if k%2 == 1 {
		dist = r.height / 2
	}
	out := r.turn + geom.Angle(k)*90*geom.Degree
	sin, cos := math.Sincos(out.Rad())
	return fit.Line{
		Mid: geom.ScopePoint{X: r.centre.X + dist*geom.Length(cos), Y: r.centre.Y + dist*geom.Length(sin)},
		Dir: out + 90*geom.Degree,
	}
}

// half returns half of the length of a side.
func (r rectangle) half(k int) geom.Length {
	if k%2 == 0 {
		return r.height / 2
	}
	return r.width / 2
}

// A search says how far from where it belongs a plate is looked for.
type search struct {
	shift geom.Length // to each side
	turn  geom.Angle  // to each side
	size  geom.Length // by how much a side may differ from the drawing
	inset geom.Length // of each side's ends, that rounded or chipped corners take
}

const (
	stations     = 32   // places along a side
	coarseUm     = 35.0 // µm per pixel of the shrunk picture, at most
	minAgreement = 0.55 // share of a side's stations at which the level steps as the side's does
)

// A located plate is a rectangle with how well each side is seen in the shrunk picture.
type located struct {
	rectangle
	agreement [4]float64 // share of stations, 0 to 1
}

// locate finds the plate of a known size near want: the pose for which the level steps most
// consistently along all four sides together. Capacitors, traces and rims have edges as well, but
// not four at the plate's distances.
func locate(g *picture.Gray, plane scope.Plane, want rectangle, s search) located {
	factor := min(max(int(coarseUm/plane.UmPerPx()), 1), 8)
	c := coarse{cv.Shrink(g, factor), plane, float64(factor), s.inset}
	um := plane.UmPerPx() * float64(factor)
	best := c.scan(want, s.shift, s.turn, um, int(math.Ceil(float64(s.size)/um))+1)
	fine := c.scan(best, geom.Length(1.5*um), geom.Angle(1.5*um/float64(max(want.width, want.height)/2)), um/3, 4)
	at := located{rectangle: fine}
	for k := range at.agreement {
		at.agreement[k] = c.agreement(fine.side(k), fine.half(k)-s.inset, um)
	}
	return at
}

// A coarse is a shrunk picture with its map.
type coarse struct {
	small  *picture.Gray
	plane  scope.Plane
	factor float64
	inset  geom.Length
}

// scan tries shifts and turns about want in steps of um µm (at the sides' ends, for turns), and
// sides that differ by up to slack steps.
func (c coarse) scan(want rectangle, shift geom.Length, turn geom.Angle, um float64, slack int) rectangle {
	n := int(math.Ceil(float64(shift) / um))
	turns := int(math.Ceil(turn.Rad() * float64(max(want.width, want.height)) / 2 / um))
	best, top := want, math.Inf(-1)
	for t := -turns; t <= turns; t++ {
		r := want
		r.turn += turn * geom.Angle(t) / geom.Angle(max(turns, 1))
		var sc [4][]float64
		for k := range sc {
			sc[k] = c.sideScores(r.side(k), r.half(k)-c.inset, n+slack, um)
		}
		dx, ex, sx := pair(sc[0], sc[2], n, slack)
		dy, ey, sy := pair(sc[1], sc[3], n, slack)
		if score := sx + sy; score > top {
			top, best = score, r
			sin, cos := math.Sincos(r.turn.Rad())
			x, y := dx*um, dy*um
			best.centre.X += geom.Length(cos*x - sin*y)
			best.centre.Y += geom.Length(sin*x + cos*y)
			best.width += geom.Length(ex * um)
			best.height += geom.Length(ey * um)
		}
	}
	return best
}

// pair combines the scores of two opposite sides: the shift along their axis, in steps, and by
// how much the plate is wider, that together score most.
func pair(plus, minus []float64, n, slack int) (shift, wider, score float64) {
	mid := len(plus) / 2
	score = math.Inf(-1)
	for d := -n; d <= n; d++ {
		for e := -slack; e <= slack; e++ {
			// Outward steps: the plus side moves out by d, the minus side in by d; e is split.
			p, m := mid+d+e, mid-d
			if p < 0 || p >= len(plus) || m < 0 || m >= len(minus) {
				continue
			}
			v := math.Sqrt(plus[p] * minus[m]) // both must be there
			v *= 1 - 0.03*math.Abs(float64(e))
			if v > score {
				shift, wider, score = float64(d)+float64(e)/2, float64(e), v
			}
		}
	}
	return shift, wider, score
}

// sideScores returns for offsets -n..n steps outward how consistently the level steps along the
// line moved by that much: the sum of capped steps, by its size.
func (c coarse) sideScores(line fit.Line, half geom.Length, n int, um float64) []float64 {
	steps := c.stepProfiles(line, half, n, um)
	largest := make([]float64, 0, stations)
	for _, v := range steps {
		m := 0.0
		for _, x := range v {
			m = max(m, math.Abs(x))
		}
		largest = append(largest, m)
	}
	slices.Sort(largest)
	limit := 0.5 * largest[len(largest)/2]
	out := make([]float64, 2*n+1)
	for k := range out {
		sum := 0.0
		for _, v := range steps {
			sum += min(max(v[k], -limit), limit)
		}
		out[k] = math.Abs(sum)
	}
	return out
}

// stepProfiles samples the level across the line at stations along it and returns at offsets
// -n..n steps of um µm the level one pixel of the shrunk picture farther out minus that one
// farther in.
func (c coarse) stepProfiles(line fit.Line, half geom.Length, n int, um float64) [][]float64 {
	out := make([][]float64, stations)
	lag := max(int(math.Round(c.plane.UmPerPx()*c.factor/um)), 1)
	reach := n + lag
	z := make([]float64, 2*reach+1)
	for i := range out {
		s := half * geom.Length(2*(float64(i)+0.5)/stations-1)
		a := c.plane.ToImage(line.At(s, geom.Length(-float64(reach)*um)))
		b := c.plane.ToImage(line.At(s, geom.Length(float64(reach)*um)))
		for k := range z {
			t := float64(k) / float64(2*reach)
			x, y := a.X+t*(b.X-a.X), a.Y+t*(b.Y-a.Y)
			z[k] = sample(c.small, (x-(c.factor-1)/2)/c.factor, (y-(c.factor-1)/2)/c.factor)
		}
		v := make([]float64, 2*n+1)
		for k := range v {
			v[k] = z[k+2*lag] - z[k]
		}
		out[i] = v
	}
	return out
}

// agreement returns the share of stations at which the level steps near the line in the
// direction in which most do, by at least a third of the median step.
func (c coarse) agreement(line fit.Line, half geom.Length, um float64) float64 {
	steps := c.stepProfiles(line, half, 1, um)
	all := make([]float64, 0, len(steps))
	for _, v := range steps {
		strongest := v[0]
		for _, x := range v {
			if math.Abs(x) > math.Abs(strongest) {
				strongest = x
			}
		}
		all = append(all, strongest)
	}
	sorted := slices.Sorted(slices.Values(all))
	mid := sorted[len(sorted)/2]
	n := 0
	for _, x := range all {
		if x*mid > 0 && math.Abs(x) > math.Abs(mid)/3 {
			n++
		}
	}
	return float64(n) / float64(len(all))
}

// sample interpolates linearly; outside the picture the border's level goes on.
func sample(g *picture.Gray, x, y float64) float64 {
	x, y = min(max(x, 0), float64(g.W-1)), min(max(y, 0), float64(g.H-1))
	i, j := min(int(x), g.W-2), min(int(y), g.H-2)
	if i < 0 || j < 0 {
		return g.At(0, 0)
	}
	a, b := x-float64(i), y-float64(j)
	return (1-b)*((1-a)*g.At(i, j)+a*g.At(i+1, j)) + b*((1-a)*g.At(i, j+1)+a*g.At(i+1, j+1))
}
