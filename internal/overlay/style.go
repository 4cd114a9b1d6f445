package overlay

import (
	"image/color"
	"math"

	"plumbsquare/internal/reading"
)

// Colours after Okabe and Ito, "Color Universal Design" (2008): told apart with every common kind
// of colour vision. Whatever a colour says is also said by a shape, a line style or a word.
var (
	orange     = color.RGBA{230, 159, 0, 255}
	skyBlue    = color.RGBA{86, 180, 233, 255}
	green      = color.RGBA{0, 158, 115, 255}
	yellow     = color.RGBA{240, 228, 66, 255}
	vermillion = color.RGBA{213, 94, 0, 255}
	purple     = color.RGBA{204, 121, 167, 255}
	white      = color.RGBA{255, 255, 255, 255}
	pale       = color.RGBA{190, 190, 190, 255}
	strip      = color.RGBA{22, 24, 28, 255}
)

func verdictColour(d reading.Decision) color.RGBA {
	switch d {
	case reading.Accept:
		return green
	case reading.Reject:
		return vermillion
	case reading.Review:
		return orange
	}
	return purple
}

// badge draws the sign of a verdict, a shape each, in a circle of radius r: a tick in a disc, a
// cross in a square, a question mark in a triangle, a turned arrow in a diamond.
func (c *canvas) badge(d reading.Decision, centre point, r float64) {
	col := verdictColour(d)
	p := pen{colour: white, width: r * 0.2, bare: true}
	switch d {
	case reading.Accept:
		c.paths(col, arc(centre, r, 0, 2*math.Pi))
		c.polyline(p, centre.add(-0.48*r, 0.02*r), centre.add(-0.12*r, 0.4*r), centre.add(0.5*r, -0.38*r))
	case reading.Reject:
		c.paths(col, corner(centre, 1.28*r, 4, math.Pi/4))
		c.polyline(p, centre.add(-0.45*r, -0.45*r), centre.add(0.45*r, 0.45*r))
		c.polyline(p, centre.add(-0.45*r, 0.45*r), centre.add(0.45*r, -0.45*r))
	case reading.Review:
		low := centre.add(0, 0.22*r)
		c.paths(col, corner(low, 1.3*r, 3, math.Pi/2))
		c.text(label{size: 1.25 * r, bold: true, colour: color.RGBA{0, 0, 0, 255}, bare: true, align: 0.5}, low.add(0, 0.44*r), "?")
	default:
		c.paths(col, corner(centre, 1.2*r, 4, 0))
		c.polyline(p, arc(centre, 0.45*r, math.Pi*0.35, math.Pi*2)...)
		c.paths(white, []point{centre.add(0.45*r+0.3*r, 0.02*r), centre.add(0.45*r, -0.36*r), centre.add(0.45*r-0.3*r, 0.02*r)})
	}
}
