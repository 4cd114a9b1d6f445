package fit

import (
	"math"

	"plumbsquare/internal/geom"
)

// A Line is a directed straight line on the object plane: Mid and the direction along it. Its
// normal points to the right of the direction, so a shape run counter-clockwise has its
// outside there.
type Line struct {
	Mid geom.ScopePoint
	Dir geom.Angle
}

// At returns the point of the line's frame: s along the line from Mid, u along the normal.
func (l Line) At(s, u geom.Length) geom.ScopePoint {
	sin, cos := math.Sincos(l.Dir.Rad())
	return geom.ScopePoint{
		X: l.Mid.X + s*geom.Length(cos) + u*geom.Length(sin),
		Y: l.Mid.Y + s*geom.Length(sin) - u*geom.Length(cos),
	}
}

// Moved returns the line shifted along its normal by offset and turned counter-clockwise about
// Mid by slope's arc tangent taken against the normal: the line u = offset + slope·s.
func (l Line) Moved(offset geom.Length, slope float64) Line {
	return Line{l.At(0, offset), l.Dir - geom.Angle(math.Atan(slope))}
}

// In expresses the line in the frame of another: u = offset + slope·s there.
func (l Line) In(from Line) (offset geom.Length, slope float64) {
	slope = -math.Tan((l.Dir - from.Dir).Rad())
	sin, cos := math.Sincos(from.Dir.Rad())
	dx, dy := float64(l.Mid.X-from.Mid.X), float64(l.Mid.Y-from.Mid.Y)
	s, u := dx*cos+dy*sin, dx*sin-dy*cos
	return geom.Length(u - slope*s), slope
}

// A band is the neighbourhood of a line, straightened: raw pixels averaged within cells that
// are binPx wide along the normal, or flatPx far from the line, and one segment long along the line. A
// cell keeps the mean place of its own pixels, so nothing is resampled; averaging widens the point
// spread along the normal by the variance of the places in a cell, binPx²/12, and moves no edge.
type band struct {
	line     Line
	um       float64 // µm per px
	segments []segment
}

const (
	binPx  = 0.5
	flatPx = 2.0 // where the level hardly bends
)

// A segment is a short stretch of a band.
type segment struct {
	s    float64   // µm along the line, mean of its pixels
	u    []float64 // µm along the normal, rising
	z, v []float64 // mean level of a cell and the variance of that mean
}

// An extent says which pixels a band takes: how far from the line, px, how far in narrow cells, and each
// nth row or column of the picture across the line.
type extent struct {
	px, finePx float64
	nth        int
}

// newBand gathers the pixels within reach of the line for |s| ≤ half, in segments of about
// stepPx pixels. Pixels outside the picture are left out.
func newBand(src Source, line Line, half geom.Length, r extent) *band {
	b := &band{line: line, um: src.Plane.UmPerPx()}
	sin, cos := math.Sincos(line.Dir.Rad())
	p, q := src.Plane.ToImage(line.At(-half, 0)), src.Plane.ToImage(line.At(half, 0))
	// Walk along the image axis that the line follows more closely; swap makes it "row".
	swap := math.Abs(q.X-p.X) > math.Abs(q.Y-p.Y)
	if swap {
		p.X, p.Y, q.X, q.Y = p.Y, p.X, q.Y, q.X
	}
	if p.Y > q.Y {
		p, q = q, p
	}
	rows, across := src.Gray.H, src.Gray.W
	if swap {
		rows, across = across, rows
	}
	first, last := max(int(math.Ceil(p.Y)), 0), min(int(math.Floor(q.Y)), rows-1)
	if last < first {
		return b
	}
	slope := (q.X - p.X) / (q.Y - p.Y)
	width := r.px * math.Hypot(1, slope)
	// between returns the columns of a row that lie within reach.
	between := func(row int) (lo, hi int) {
		mid := p.X + slope*(float64(row)-p.Y)
		// The line is straight on the object; in a picture with distortion it is an arc.
		mid += arc(src, line, mid, float64(row), swap, sin, cos)
		return max(int(math.Ceil(mid-width)), 0), min(int(math.Floor(mid+width)), across-1)
	}

	bins := int(2*r.px/binPx) + 1
	g := gatherer{src: src, line: line, sin: sin, cos: cos, cells: make([]cell, bins), perCell: 1 / (b.um * binPx), middle: r.px / binPx}
	fine := r.finePx * b.um
	count := max((last-first+1)/stepPx, 1)
	for k := range count {
		lo, hi := first+k*(last-first+1)/count, first+(k+1)*(last-first+1)/count
		clear(g.cells)
		g.sumS, g.n = 0, 0
		if swap { // rows of the picture run along the line: they lie one behind the other in memory
			c0, c1 := between(lo)
			d0, d1 := between(hi - 1)
			for c := min(c0, d0); c <= max(c1, d1); c++ {
				g.row(c, lo, hi-1, r.nth)
			}
		} else {
			for row := lo; row < hi; row += r.nth {
				c0, c1 := between(row)
				g.row(row, c0, c1, 1)
			}
		}
		if g.n > 0 {
			b.segments = append(b.segments, g.segment(fine))
		}
	}
	return b
}

// A cell adds up pixels.
type cell struct{ n, u, z float64 }

// A gatherer sorts pixels into the cells of one segment.
type gatherer struct {
	src             Source
	line            Line
	sin, cos        float64 // of its direction
	cells           []cell
	perCell, middle float64 // from µm along the normal to cells
	sumS, n         float64
}

// row adds each nth pixel of a picture's row from x0 to x1.
func (g *gatherer) row(y, x0, x1, nth int) {
	last := (x1 - x0) / nth
	if last < 0 {
		return
	}
	at := func(x float64) (s, u float64) {
		o := g.src.Plane.ToObject(geom.ImagePoint{X: x, Y: float64(y)})
		dx, dy := float64(o.X-g.line.Mid.X), float64(o.Y-g.line.Mid.Y)
		return dx*g.cos + dy*g.sin, dx*g.sin - dy*g.cos
	}
	// Over so few pixels a lens's distortion is a parabola to 1e-5 px.
	end := float64(x0 + last*nth)
	s0, u0 := at(float64(x0))
	_, u1 := at((float64(x0) + end) / 2)
	s2, u2 := at(end)
	n := float64(max(last, 1))
	ds, bend := (s2-s0)/n, 2*(u0-2*u1+u2)/(n*n)
	du := (u2-u0)/n - bend*n
	pix := g.src.Gray.Pix[y*g.src.Gray.W+x0:]
	bins := float64(len(g.cells))
	for i := 0; i <= last; i++ {
		f := float64(i)
		u := u0 + f*(du+f*bend)
		k := u*g.perCell + g.middle
		if k < 0 || k >= bins {
			continue
		}
		c := &g.cells[int(k)]
		c.n++
		c.u += u
		c.z += float64(pix[i*nth])
		g.sumS += s0 + f*ds
		g.n++
	}
}

// segment returns what was gathered, in wide cells where it lies farther than fine µm from the line.
func (g *gatherer) segment(fine float64) segment {
	all := make([]float64, 3*len(g.cells))
	n := len(g.cells)
	sg := segment{s: g.sumS / g.n, u: all[:0:n], z: all[n : n : 2*n], v: all[2*n : 2*n]}
	add := func(c cell) {
		if c.n > 0 {
			z := c.z / c.n
			sg.u = append(sg.u, c.u/c.n)
			sg.z = append(sg.z, z)
			sg.v = append(sg.v, g.src.Noise.Var(z)/c.n)
		}
	}
	const wide = int(flatPx / binPx)
	for i := 0; i < n; {
		if u := (float64(i+wide/2) - g.middle) / g.perCell; math.Abs(u) <= fine || i+wide > n {
			add(g.cells[i])
			i++
			continue
		}
		var sum cell
		for _, c := range g.cells[i : i+wide] {
			sum.n, sum.u, sum.z = sum.n+c.n, sum.u+c.u, sum.z+c.z
		}
		add(sum)
		i += wide
	}
	return sg
}

// arc returns by how many pixels along a row the line really lies beside the chord.
func arc(src Source, line Line, col, row float64, swap bool, sin, cos float64) float64 {
	x, y := col, row
	if swap {
		x, y = row, col
	}
	at := src.Plane.ToObject(geom.ImagePoint{X: x, Y: y})
	u := float64(at.X-line.Mid.X)*sin - float64(at.Y-line.Mid.Y)*cos
	d := u / src.Plane.UmPerPx()
	if swap { // one pixel down is one up the object's -y, so u grows by cos
		return -d / cos
	}
	return -d / sin
}
