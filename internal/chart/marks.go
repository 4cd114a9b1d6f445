package chart

import (
	"image/color"
	"math"
	"strings"

	"gonum.org/v1/plot/vg"
)

const quarterTurn = math.Pi / 2

func splitWords(s string) []string { return strings.Fields(s) }

// A shape is what a point is drawn as.
type shape int

const (
	disc shape = iota
	square
	triangle
	diamond
	cross
	wedge // triangle on its tip
	shapeCount
)

// mark draws a point; those that are hollow are filled with paper.
func (p *pen) mark(s shape, at vg.Point, radius vg.Length, c color.Color, hollow bool) {
	var path vg.Path
	corner := func(x, y vg.Length) {
		pt := vg.Point{X: at.X + x*radius, Y: at.Y + y*radius}
		if len(path) == 0 {
			path.Move(pt)
		} else {
			path.Line(pt)
		}
	}
	switch s {
	case disc:
		path.Move(vg.Point{X: at.X + radius, Y: at.Y})
		path.Arc(at, radius, 0, 2*math.Pi)
	case square:
		corner(-0.88, -0.88)
		corner(0.88, -0.88)
		corner(0.88, 0.88)
		corner(-0.88, 0.88)
	case triangle:
		corner(-1.1, -0.75)
		corner(1.1, -0.75)
		corner(0, 1.2)
	case wedge:
		corner(-1.1, 0.75)
		corner(1.1, 0.75)
		corner(0, -1.2)
	case diamond:
		corner(-1.25, 0)
		corner(0, -1.25)
		corner(1.25, 0)
		corner(0, 1.25)
	case cross:
		const a = 0.34
		for _, q := range [][2]vg.Length{{a, a}, {a, 1.15}, {-a, 1.15}, {-a, a}, {-1.15, a}, {-1.15, -a}, {-a, -a}, {-a, -1.15}, {a, -1.15}, {a, -a}, {1.15, -a}, {1.15, a}} {
			corner(q[0], q[1])
		}
	}
	path.Close()
	if hollow {
		p.SetColor(paper)
		p.Fill(path)
		p.SetColor(c)
		p.SetLineWidth(1.1)
		p.SetLineDash(nil, 0)
		p.Stroke(path)
		return
	}
	p.SetColor(c)
	p.Fill(path)
}

// Series are told apart by shape first and by colour second.
var seriesInk = [...]color.RGBA{
	{0x0f, 0x4c, 0x75, 0xff}, // blue
	{0xc8, 0x46, 0x00, 0xff}, // vermilion
	{0x00, 0x7d, 0x5f, 0xff}, // green
	{0x8a, 0x3f, 0x73, 0xff}, // purple
	{0x7a, 0x4b, 0x00, 0xff}, // brown
	{0x3b, 0x3b, 0x3b, 0xff}, // grey
}

// seriesLook returns the look of the i-th series; hollow from the second round of shapes on.
func seriesLook(i int) (s shape, c color.Color, hollow bool) {
	return shape(i % int(shapeCount)), seriesInk[i%len(seriesInk)], i/int(shapeCount)%2 == 1
}
