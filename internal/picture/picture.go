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
