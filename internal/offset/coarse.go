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
	best := c.scan(want, s.shift, s.turn, um, int(math.Ceil(float64(s.size)/um))+1, sampledTurn)
	fine := c.scan(best, geom.Length(1.5*um), geom.Angle(1.5*um/float64(max(want.width, want.height)/2)), um/3, 4, 0)
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
// sides that differ by up to slack steps. A small turn only shifts the profiles of a side: hold is by
// how many steps at the side's ends before they are sampled anew.
func (c coarse) scan(want rectangle, shift geom.Length, turn geom.Angle, um float64, slack int, hold float64) rectangle {
	n := int(math.Ceil(float64(shift) / um))
	turns := int(math.Ceil(turn.Rad() * float64(max(want.width, want.height)) / 2 / um))
	best, top := want, math.Inf(-1)
	var sides [4]profiles
	for t := -turns; t <= turns; t++ {
		r := want
		r.turn += turn * geom.Angle(t) / geom.Angle(max(turns, 1))
		var sc [4][]float64
		for k := range sc {
			p := &sides[k]
			if p.steps == nil || math.Abs((r.turn-p.turn).Rad())*p.half > hold*um {
				*p = c.profiles(r, k, n+slack, um, hold)
			}
			sc[k] = p.scores(r.turn, n+slack, um)
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

const (
	sampledTurn = 2.5 // steps that profiles are held for when a plate is looked for
	turnRoom    = 4   // steps that they reach farther for that
)

// profiles are the step profiles of a side of a rectangle that is turned somehow.
type profiles struct {
	turn  geom.Angle
	half  float64     // µm, of the length that the stations share
	steps [][]float64 // of each station
	work  [][]float64
}

// profiles samples a side for the turn of r and those that follow it.
func (c coarse) profiles(r rectangle, k, n int, um, hold float64) profiles {
	half := r.half(k) - c.inset
	r.turn += geom.Angle(hold * um / half.Um()) // in the middle of them
	p := profiles{turn: r.turn, half: half.Um(), steps: c.stepProfiles(r.side(k), half, n+turnRoom, um)}
	p.work = make([][]float64, len(p.steps))
	for i := range p.work {
		p.work[i] = make([]float64, 2*n+1)
	}
	return p
}

// scores returns for offsets -n..n steps outward how consistently the level steps along the side
// turned to turn and moved by that much: the sum of capped steps, by its size.
func (p *profiles) scores(turn geom.Angle, n int, um float64) []float64 {
	slope := -math.Tan((turn - p.turn).Rad()) // see fit.Line.In
	largest := make([]float64, 0, stations)
	for i, v := range p.work {
		s := p.half * station(i)
		from := p.steps[i]
		at := slope*s/um + turnRoom
		lo := int(math.Floor(at))
		f := at - float64(lo)
		from = from[lo : lo+len(v)+1]
		m := 0.0
		for k := range v {
			x := from[k] + f*(from[k+1]-from[k])
			v[k] = x
			m = max(m, math.Abs(x))
		}
		largest = append(largest, m)
	}
	slices.Sort(largest)
	limit := 0.5 * largest[len(largest)/2]
	out := make([]float64, 2*n+1)
	for _, v := range p.work {
		for k, x := range v {
			out[k] += min(max(x, -limit), limit)
		}
	}
	for k, x := range out {
		out[k] = math.Abs(x)
	}
	return out
}

// station returns where the i-th station lies along a side, -1 to 1.
func station(i int) float64 { return 2*(float64(i)+0.5)/stations - 1 }

// stepProfiles samples the level across the line at stations along it and returns at offsets
// -n..n steps of um µm the level one pixel of the shrunk picture farther out minus that one
// farther in.
func (c coarse) stepProfiles(line fit.Line, half geom.Length, n int, um float64) [][]float64 {
	out := make([][]float64, stations)
	all := make([]float64, stations*(2*n+1))
	lag := max(int(math.Round(c.plane.UmPerPx()*c.factor/um)), 1)
	reach := n + lag
	z := make([]float64, 2*reach+1)
	for i := range out {
		s := half * geom.Length(station(i))
		a := c.plane.ToImage(line.At(s, geom.Length(-float64(reach)*um)))
		b := c.plane.ToImage(line.At(s, geom.Length(float64(reach)*um)))
		c.sampleLine(z, a, b)
		v := all[i*(2*n+1):][:2*n+1]
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

// sampleLine fills z with the levels of the shrunk picture at equal steps from a to b, places in the
// whole one. It interpolates linearly; outside the picture the border's level goes on.
func (c coarse) sampleLine(z []float64, a, b geom.ImagePoint) {
	g, shift := c.small, (c.factor-1)/2
	x, y := (a.X-shift)/c.factor, (a.Y-shift)/c.factor
	per := c.factor * float64(len(z)-1)
	dx, dy := (b.X-a.X)/per, (b.Y-a.Y)/per
	if g.W < 2 || g.H < 2 {
		for k := range z {
			z[k] = g.At(0, 0)
		}
		return
	}
	right, low := float64(g.W-1), float64(g.H-1)
	for k := range z {
		px, py := min(max(x+float64(k)*dx, 0), right), min(max(y+float64(k)*dy, 0), low)
		i, j := min(int(px), g.W-2), min(int(py), g.H-2)
		u, v := px-float64(i), py-float64(j)
		p, q := g.Pix[j*g.W+i:][:2], g.Pix[(j+1)*g.W+i:][:2]
		up, down := float64(p[0])+u*(float64(p[1])-float64(p[0])), float64(q[0])+u*(float64(q[1])-float64(q[0]))
		z[k] = up + v*(down-up)
	}
}
