// Package picture turns the bytes of a picture file into grey levels with their noise, and
// says when a picture can't be measured and what the technician should change.
package picture

// A Gray is one picture: W × H grey levels, row by row from the top left. Levels are linear
// in light and run from 0 to FullScale as in the file (255 or 65535).
type Gray struct {
	W, H      int
	Pix       []uint16 // len W*H
	FullScale int
}

// At returns the grey level of pixel (x, y), which must lie inside.
func (g *Gray) At(x, y int) float64 { return float64(g.Pix[y*g.W+x]) }

// New returns a black picture.
func New(w, h, fullScale int) *Gray {
	return &Gray{W: w, H: h, Pix: make([]uint16, w*h), FullScale: fullScale}
}

// Crop returns a copy of the pixels from (x0, y0) up to, not including, (x1, y1), clipped to
// the picture: its pixel (0, 0) is (max(x0, 0), max(y0, 0)) of g.
func (g *Gray) Crop(x0, y0, x1, y1 int) *Gray {
	x0, y0 = max(x0, 0), max(y0, 0)
	x1, y1 = max(min(x1, g.W), x0), max(min(y1, g.H), y0)
	c := New(x1-x0, y1-y0, g.FullScale)
	if c.W == 0 {
		return c
	}
	for y := range c.H {
		copy(c.Pix[y*c.W:(y+1)*c.W], g.Pix[(y0+y)*g.W+x0:])
	}
	return c
}
