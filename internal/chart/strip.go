package chart

import (
	"image/color"

	"gonum.org/v1/plot/vg"

	"plumbsquare/internal/spc"
)

// A Strip is a row of cells under a control chart, one a subgroup, that tells what stands behind
// the points: on a chart of T², how much of a point is one variable's doing.
type Strip struct {
	Name string
	// Values by [spc.Point.Index] as multiples of their limit: cells darken up to 1, and above it
	// turn to another colour and carry a dot.
	Values []float64
}

// Contributions returns the strips of a chart of T²: what each variable alone, and given the
// others, has to do with every point, whichever is larger.
func Contributions(c *spc.VectorChart) []Strip {
	strips := make([]Strip, len(c.Names))
	for j, name := range c.Names {
		strips[j].Name = name
	}
	for i, pt := range c.Points {
		for _, part := range c.Decompose(i) {
			s := &strips[part.Variable]
			for len(s.Values) <= pt.Index {
				s.Values = append(s.Values, 0)
			}
			s.Values[pt.Index] = max(part.Alone/part.AloneLimit, part.Given/part.GivenLimit)
		}
	}
	return strips
}

const (
	stripHeight = vg.Length(13)
	stripGap    = vg.Length(2)
)

func (c Control) stripsHeight() vg.Length {
	if len(c.Strips) == 0 {
		return 0
	}
	return vg.Length(len(c.Strips))*(stripHeight+stripGap) + panelGap/2
}

// strips draws the rows under the panels and returns them as the lowest panel, for the axis.
func (c Control) strips(p *pen, above *panel) *panel {
	f := *above
	top := above.Min.Y - panelGap
	step := f.x(1) - f.x(0)
	for _, s := range c.Strips {
		bottom := top - stripHeight
		name := words{s.Name, smallSize, false, faintInk}.cut(f.Min.X - edge - 6)
		p.write(name, vg.Point{X: f.Min.X - 5, Y: bottom + stripHeight/2 - 0.36*smallSize}, right)
		for i, v := range s.Values {
			x := f.x(float64(i))
			cell := vg.Rectangle{Min: vg.Point{X: x - step*0.44, Y: bottom}, Max: vg.Point{X: x + step*0.44, Y: top}}
			p.area(stripShade(v), cell)
			if v > 1 && step >= closest {
				p.mark(disc, vg.Point{X: x, Y: bottom + stripHeight/2}, min(2, step*0.3), paper, false)
			}
		}
		top = bottom - stripGap
	}
	f.Min.Y, f.Max.Y = top, above.Min.Y
	return &f
}

// stripShade runs from nearly paper to the data's colour at the limit.
func stripShade(v float64) color.Color {
	if v > 1 {
		return hitInk
	}
	if !(v > 0) {
		v = 0
	}
	mix := func(from, to uint8) uint8 { return uint8(float64(from) + v*(float64(to)-float64(from))) }
	return color.RGBA{mix(zoneB.R, dataLine.R), mix(zoneB.G, dataLine.G), mix(zoneB.B, dataLine.B), 0xff}
}
