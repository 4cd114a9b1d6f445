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
// are binPx wide along the normal and one segment long along the line. A cell keeps the mean
// place of its own pixels, so nothing is resampled; averaging widens the point spread along
// the normal by the variance of the places in a cell, binPx²/12, and moves no edge.
type band struct {
	line     Line
	um       float64 // µm per px
	segments []segment
}

const binPx = 0.5

// A segment is a short stretch of a band.
type segment struct {
	s    float64   // µm along the line, mean of its pixels
	u    []float64 // µm along the normal, rising
	z, v []float64 // mean level of a cell and the variance of that mean
}

// newBand gathers the pixels within reachPx of the line for |s| ≤ half, in segments of about
// stepPx pixels. Pixels outside the picture are left out.
func newBand(src Source, line Line, half geom.Length, reachPx float64, stepPx int) *band {
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
	width := reachPx * math.Hypot(1, slope)

	bins := int(2*reachPx/binPx) + 1
	type cell struct{ n, u, z float64 }
	cells := make([]cell, bins)
	perCell, middle := 1/(b.um*binPx), reachPx/binPx
	count := max((last-first+1)/stepPx, 1)
	for k := range count {
		lo, hi := first+k*(last-first+1)/count, first+(k+1)*(last-first+1)/count
		clear(cells)
		var sumS, n float64
		for row := lo; row < hi; row++ {
			mid := p.X + slope*(float64(row)-p.Y)
			// The line is straight on the object; in a picture with distortion it is an arc.
			mid += arc(src, line, mid, float64(row), swap, sin, cos)
			for c := max(int(math.Ceil(mid-width)), 0); c <= min(int(math.Floor(mid+width)), across-1); c++ {
				x, y, i := c, row, row*src.Gray.W+c
				if swap {
					x, y, i = row, c, c*src.Gray.W+row
				}
				at := src.Plane.ToObject(geom.ImagePoint{X: float64(x), Y: float64(y)})
				dx, dy := float64(at.X-line.Mid.X), float64(at.Y-line.Mid.Y)
				u := dx*sin - dy*cos
				k := u*perCell + middle
				if k < 0 || k >= float64(bins) {
					continue
				}
				cl := &cells[int(k)]
				cl.n++
				cl.u += u
				cl.z += float64(src.Gray.Pix[i])
				sumS += dx*cos + dy*sin
				n++
			}
		}
		if n == 0 {
			continue
		}
		all := make([]float64, 3*bins)
		sg := segment{s: sumS / n, u: all[:0:bins], z: all[bins : bins : 2*bins], v: all[2*bins : 2*bins]}
		for _, cl := range cells {
			if cl.n > 0 {
				z := cl.z / cl.n
				sg.u = append(sg.u, cl.u/cl.n)
				sg.z = append(sg.z, z)
				sg.v = append(sg.v, src.Noise.Var(z)/cl.n)
			}
		}
		b.segments = append(b.segments, sg)
	}
	return b
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
