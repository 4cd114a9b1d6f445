package picture

import (
	"cmp"
	"math"
	"slices"
)

// A blur is the point spread of a picture as its edges show it, px of the picture.
type blur struct {
	edges int // how many edges it was read from; 0: the picture shows none, and the rest means nothing

	// sigmaPx is the standard deviation of the point spread across the strongest edges.
	sigmaPx float64

	// longPx and shortPx are the axes of the point spread's ellipse as standard deviations,
	// longDeg the direction of the long one, counter-clockwise from right as seen. Both are the
	// short one where the edges contradict an ellipse.
	longPx, shortPx, longDeg float64
}

const (
	// minEdges makes a picture one that shows something.
	minEdges = 5
	// strongest is how many edges speak for the focus. Shadows, flux and texture are soft in a
	// sharp picture too, but the strongest edges are sharp unless nothing is.
	strongest = 60
	// calmEdge is which of them, in order of width, counts for the focus; midEdge for the shape of
	// the point spread: smeared lines and dots are narrower than smeared edges.
	calmEdge = 0.25
	midEdge  = 0.5
)

// blurOf reads the point spread from the sharpest edges. Where the noise hides them at full
// size it looks at the picture shrunk, in which the noise averages out.
func blurOf(g *Gray, n Noise) blur {
	h := halfOf(g)
	for {
		if by, edges := h.measured(h.edges(n)); len(edges) >= minEdges {
			return blurOfEdges(by, edges)
		}
		if min(h.w, h.h) < 4*cell {
			return blur{}
		}
		h = h.half()
	}
}

// directions of edges over half a turn that are told apart.
const directions = 8

// measured returns the edges whose width can be told, steepest first, by direction and all together.
// Of each direction the strongest are enough.
func (s *small) measured(seen []edge) (by [directions][]edge, edges []edge) {
	slices.SortFunc(seen, func(a, b edge) int {
		return cmp.Or(cmp.Compare(b.slope, a.slope), cmp.Compare(a.y, b.y), cmp.Compare(a.x, b.x))
	})
	for _, e := range seen {
		a := math.Atan2(-e.ny, e.nx)
		i := (int(math.Round(a/math.Pi*directions)) + 2*directions) % directions
		if len(by[i]) < strongest && s.measure(&e) {
			by[i], edges = append(by[i], e), append(edges, e)
		}
	}
	return by, edges
}

func blurOfEdges(by [directions][]edge, edges []edge) blur {
	b := blur{edges: len(edges), sigmaPx: widthOf(edges, calmEdge)}

	// The variance across an edge with normal at angle a is nᵀCn, C the covariance of the point
	// spread: p + q cos 2a + r sin 2a. Each direction that has edges gives one equation.
	const (
		enough  = 6    // edges, for a direction to count in full
		sharper = 0.45 // of the width that an ellipse would give them: edges that weren't smeared
	)
	var width [directions]float64
	var m [3][4]float64
	m[1][1], m[2][2] = 0.1, 0.1 // a direction nobody sees is taken as the mean of the others
	for i, es := range by {
		if len(es) == 0 {
			continue
		}
		s := widthOf(es, midEdge)
		width[i] = s
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / directions)
		row := [4]float64{1, cos, sin, s * s}
		w := min(float64(len(es))/enough, 1)
		for j := range 3 {
			for k := range 4 {
				m[j][k] += w * w * row[j] * row[k]
			}
		}
	}
	p, q, r := solve3(m)
	swing := math.Hypot(q, r)
	b.longPx, b.shortPx = math.Sqrt(max(p+swing, 0)), math.Sqrt(max(p-swing, 0))
	b.longDeg = math.Atan2(r, q) / 2 * 180 / math.Pi
	// Motion smears all edges that it crosses. A glare that slopes one way, or dust on the camera's
	// window in a picture out of focus, leaves others as they were.
	for i, es := range by {
		sin, cos := math.Sincos(2 * math.Pi * float64(i) / directions)
		if want := p + q*cos + r*sin; len(es) >= enough && q*cos+r*sin > 0 && width[i] < sharper*math.Sqrt(want) {
			b.longPx = b.shortPx
		}
	}
	return b
}

// widthOf is a quantile of the widths of the strongest edges, which come first.
func widthOf(edges []edge, quantile float64) float64 {
	var s []float64
	for _, e := range edges[:min(len(edges), strongest)] {
		s = append(s, e.sigmaPx)
	}
	slices.Sort(s)
	return s[int(quantile*float64(len(s)-1))]
}

// solve3 solves three symmetric positive definite equations.
func solve3(m [3][4]float64) (x, y, z float64) {
	for i := range 3 {
		for j := i + 1; j < 3; j++ {
			f := m[j][i] / m[i][i]
			for k := i; k < 4; k++ {
				m[j][k] -= f * m[i][k]
			}
		}
	}
	z = m[2][3] / m[2][2]
	y = (m[1][3] - m[1][2]*z) / m[1][1]
	x = (m[0][3] - m[0][1]*y - m[0][2]*z) / m[0][0]
	return x, y, z
}

// A small is a picture at 1/scale of its size, each pixel the mean of a block.
type small struct {
	w, h  int
	scale float64
	pix   []float32
}

// halfOf is the picture at half its size.
func halfOf(g *Gray) *small {
	s := &small{w: g.W / 2, h: g.H / 2, scale: 2}
	s.pix = make([]float32, s.w*s.h)
	for y := range s.h {
		out := s.pix[y*s.w:][:s.w]
		a, b := g.Pix[2*y*g.W:][:2*s.w], g.Pix[(2*y+1)*g.W:][:2*s.w]
		for x := range out {
			p, q := a[2*x:2*x+2:2*x+2], b[2*x:2*x+2:2*x+2]
			out[x] = float32(int32(p[0])+int32(p[1])+int32(q[0])+int32(q[1])) * 0.25
		}
	}
	return s
}

// half is s at half its size.
func (s *small) half() *small {
	t := &small{w: s.w / 2, h: s.h / 2, scale: 2 * s.scale}
	t.pix = make([]float32, t.w*t.h)
	for y := range t.h {
		out := t.pix[y*t.w:][:t.w]
		a, b := s.pix[2*y*s.w:][:2*t.w], s.pix[(2*y+1)*s.w:][:2*t.w]
		for x := range out {
			out[x] = (a[2*x] + a[2*x+1] + b[2*x] + b[2*x+1]) / 4
		}
	}
	return t
}

// An edge is a place where the light changes faster than around it.
type edge struct {
	x, y    int     // px of the small picture
	nx, ny  float64 // unit vector toward the light, y down
	slope   float64 // DN per px of the small picture
	sigmaPx float64 // of the point spread across it, px of the picture
}

const (
	cell     = 16 // side of the cells that give one edge each, px of the small picture
	edgeSNR  = 10 // slope over its noise that makes an edge
	maxReach = 24 // how far from an edge its slope is followed, px of the small picture
)

// edges returns the steepest place of each cell whose slope stands out of the noise.
func (s *small) edges(n Noise) []edge {
	var out []edge
	for cy := 1; cy+cell < s.h; cy += cell {
		for cx := 1; cx+cell < s.w; cx += cell {
			e, ok := s.steepest(cx, cy)
			if !ok {
				continue
			}
			// Weights (1 2 1)⊗(-1 0 1)/8: Σ weights² = 12/64.
			noise := math.Sqrt(12. / 64 * n.Var(s.at(float64(e.x), float64(e.y))) / (s.scale * s.scale))
			if e.slope >= edgeSNR*noise {
				out = append(out, e)
			}
		}
	}
	return out
}

// steepest returns the place of the cell at (cx, cy) with the largest gradient, by Sobel's
// weights, on every other row.
func (s *small) steepest(cx, cy int) (edge, bool) {
	var e edge
	var best, bx, by float32
	for y := cy; y < cy+cell; y += 2 {
		o := y*s.w + cx - 1
		up, mid, down := s.pix[o-s.w:][:cell+2], s.pix[o:][:cell+2], s.pix[o+s.w:][:cell+2]
		for x := 1; x <= cell; x++ {
			gx := up[x+1] - up[x-1] + 2*(mid[x+1]-mid[x-1]) + down[x+1] - down[x-1]
			gy := down[x-1] - up[x-1] + 2*(down[x]-up[x]) + down[x+1] - up[x+1]
			if m := gx*gx + gy*gy; m > best {
				best, bx, by = m, gx, gy
				e.x, e.y = cx+x-1, y
			}
		}
	}
	if best == 0 {
		return e, false
	}
	m := math.Sqrt(float64(best))
	e.nx, e.ny, e.slope = float64(bx)/m, float64(by)/m, m/8
	return e, true
}

// measure fills in the edge's width: where along the normal the slope has fallen to half of its
// peak on either side. Half width over 2.355 is the sigma of a Gaussian; what the differences and
// the pixels add is taken off. False when the edge runs out of the picture or never ends.
func (s *small) measure(e *edge) bool {
	peak, at := 0.0, 0.0
	for t := -1.5; t <= 1.5; t += 0.5 {
		if v := s.slopeAt(e, t); v > peak {
			peak, at = v, t
		}
	}
	if peak == 0 {
		return false
	}
	width := 0.0
	for _, d := range [2]float64{-1, 1} {
		half := s.toHalf(e, at, d, peak)
		if math.IsNaN(half) {
			return false
		}
		width += half
	}
	const (
		gaussian = 8 * math.Ln2 // (full width at half maximum / sigma)²
		// Variances in px² of the small picture: a difference over ±1 px is a box of 2 px, the
		// pixel one of 1 px, and linear interpolation adds 1/8 on average over directions.
		added = 4./12 + 1./12 + 1./8
	)
	e.sigmaPx = s.scale * math.Sqrt(max(width*width/gaussian-added, 0))
	return true
}

// toHalf is how far from t = at in direction d the slope falls to half of its peak; NaN when it
// doesn't within reach or the picture ends.
func (s *small) toHalf(e *edge, at, d, peak float64) float64 {
	before := peak
	for t := 1.0; t <= maxReach; t++ {
		v := s.slopeAt(e, at+d*t)
		if math.IsNaN(v) {
			break
		}
		if v < peak/2 {
			return t - 1 + (before-peak/2)/(before-v)
		}
		before = v
	}
	return math.NaN()
}

// slopeAt is the slope along the edge's normal t px from the edge, mean of three lines side by
// side; NaN outside the picture.
func (s *small) slopeAt(e *edge, t float64) float64 {
	sum := 0.0
	for k := -1.0; k <= 1; k++ {
		x, y := float64(e.x)+t*e.nx-k*e.ny, float64(e.y)+t*e.ny+k*e.nx
		sum += s.at(x+e.nx, y+e.ny) - s.at(x-e.nx, y-e.ny)
	}
	return sum / 6
}

// at interpolates linearly; NaN outside the picture.
func (s *small) at(x, y float64) float64 {
	if x < 0 || y < 0 {
		return math.NaN()
	}
	ix, iy := int(x), int(y)
	if ix+1 >= s.w || iy+1 >= s.h {
		return math.NaN()
	}
	fx, fy := x-float64(ix), y-float64(iy)
	p, q := s.pix[iy*s.w+ix:], s.pix[(iy+1)*s.w+ix:]
	return (1-fy)*((1-fx)*float64(p[0])+fx*float64(p[1])) + fy*((1-fx)*float64(q[0])+fx*float64(q[1]))
}
