package cv

import (
	"math"

	"gonum.org/v1/gonum/floats"

	"plumbsquare/internal/picture"
)

// A Template is one that is held against single places of a picture, where correlating all of the
// picture would be waste.
type Template struct {
	w, h  int
	level []float64 // less their mean, over the root of their squares' sum
}

// NewTemplate returns a template of which not all pixels have one level.
func NewTemplate(g *picture.Gray) *Template {
	t := &Template{w: g.W, h: g.H, level: make([]float64, len(g.Pix))}
	for i, v := range g.Pix {
		t.level[i] = float64(v)
	}
	floats.AddConst(-floats.Sum(t.level)/float64(len(t.level)), t.level)
	floats.Scale(1/floats.Norm(t.level, 2), t.level)
	return t
}

// Near returns the place within reach px of (x, y), the template's centre, at which the template's
// correlation coefficient with the picture is largest for sign 1, least for -1. It is refined as by
// [Peaks]. False where the template doesn't fit into the picture anywhere near.
func (t *Template) Near(img *picture.Gray, x, y float64, reach int, sign float64) (Peak, bool) {
	x0, y0 := int(math.Round(x-float64(t.w-1)/2))-reach, int(math.Round(y-float64(t.h-1)/2))-reach
	x1, y1 := min(x0+2*reach, img.W-t.w), min(y0+2*reach, img.H-t.h) // last places of its top left pixel
	x0, y0 = max(x0, 0), max(y0, 0)
	m := scores{w: x1 - x0 + 1, h: y1 - y0 + 1}
	if m.w < 1 || m.h < 1 {
		return Peak{}, false
	}
	wide, high := t.w+m.w-1, t.h+m.h-1
	z := make([]float64, wide*high)
	offset := float64(img.Pix[(y0+high/2)*img.W+x0+wide/2]) // small numbers keep their digits
	for j := range high {
		for i, v := range img.Pix[(y0+j)*img.W+x0:][:wide] {
			z[j*wide+i] = float64(v) - offset
		}
	}
	n := float64(t.w * t.h)
	m.v = make([]float32, m.w*m.h)
	best := 0
	sum, squares := t.sums(z, wide, m)
	for at := range m.v {
		i, j := at%m.w, at/m.w
		product := 0.0
		for r := range t.h {
			product += floats.Dot(z[(j+r)*wide+i:][:t.w], t.level[r*t.w:][:t.w])
		}
		if scatter := squares[at] - sum[at]*sum[at]/n; scatter > 1e-9*squares[at] {
			m.v[at] = float32(product / math.Sqrt(scatter))
		}
		if sign*float64(m.v[at]) > sign*float64(m.v[best]) {
			best = at
		}
	}
	p := m.refine(best%m.w, best/m.w)
	p.X += float64(x0) + float64(t.w-1)/2
	p.Y += float64(y0) + float64(t.h-1)/2
	return p, true
}

// sums returns the sums of levels and of their squares over the template's area at each place of m.
func (t *Template) sums(z []float64, wide int, m scores) (sum, squares []float64) {
	sum, squares = make([]float64, m.w*m.h), make([]float64, m.w*m.h)
	for y := range len(z) / wide {
		row := z[y*wide:][:wide]
		s, q := floats.Sum(row[:t.w]), floats.Dot(row[:t.w], row[:t.w])
		for i := range m.w {
			for j := max(0, y-t.h+1); j <= min(y, m.h-1); j++ {
				sum[j*m.w+i] += s
				squares[j*m.w+i] += q
			}
			if i+t.w < wide {
				in, out := row[i+t.w], row[i]
				s += in - out
				q += in*in - out*out
			}
		}
	}
	return sum, squares
}
