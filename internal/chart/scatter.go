package chart

import (
	"errors"
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/plot/vg"
)

// A Scatter shows offsets in the plane, one cloud a head, at the same scale in X and Y, with what
// the drawing allows. Around each cloud stand the ellipse of its mean (solid) and that of the next
// unit (dashed), both at 95 % confidence.
type Scatter struct {
	Title string
	Notes []string
	Unit  string // of both axes
	// Limits of |X| and |Y|, or of the distance from nominal; 0 means none.
	LimitX, LimitY, LimitRadius float64
	Clouds                      []Cloud
}

// A Cloud is the offsets of one head.
type Cloud struct {
	Name string
	X, Y []float64
}

const (
	scatterSide  = vg.Length(400)
	legendWidth  = vg.Length(190)
	legendHeight = vg.Length(34)
)

func (s Scatter) size() (w, h vg.Length) {
	w = edge + 52 + scatterSide + 18 + legendWidth + edge
	return w, headingHeight(s.Title, s.notes(), w-2*edge) + 10 + scatterSide + 36 + edge
}

// limitsFit says how many times larger than the points' spread limits may be to be drawn.
const limitsFit = 2.5

// reach returns the largest distance from nominal along an axis, and whether limits are drawn.
func (s Scatter) reach() (r float64, limits bool) {
	for _, c := range s.Clouds {
		for i := range c.X {
			r = math.Max(r, math.Max(math.Abs(c.X[i]), math.Abs(c.Y[i])))
		}
	}
	if r == 0 {
		r = 1
	}
	limit := math.Max(math.Max(s.LimitX, s.LimitY), s.LimitRadius)
	if limit > 0 && limit <= limitsFit*r {
		return math.Max(r, limit) * 1.08, true
	}
	return r * 1.15, false
}

func (s Scatter) notes() []string {
	notes := append([]string{}, s.Notes...)
	unit := ""
	if s.Unit != "" {
		unit = " " + s.Unit
	}
	var limit string
	switch {
	case s.LimitRadius > 0:
		limit = fmt.Sprintf("limit %g%s from nominal", s.LimitRadius, unit)
	case s.LimitX > 0 || s.LimitY > 0:
		limit = fmt.Sprintf("limits ±%g%s in X, ±%g%s in Y", s.LimitX, unit, s.LimitY, unit)
	default:
		return notes
	}
	if _, drawn := s.reach(); !drawn {
		limit += ", far outside this picture"
	}
	return append(notes, limit)
}

func (s Scatter) draw(p *pen) error {
	points := 0
	for _, c := range s.Clouds {
		points += min(len(c.X), len(c.Y))
	}
	if points == 0 {
		return errors.New("chart: there are no points to draw")
	}
	w, _ := s.size()
	top := p.heading(s.Title, s.notes(), edge, w-edge, p.Max.Y) - 10
	reach, limits := s.reach()
	f := &panel{x0: -reach, x1: reach, y0: -reach, y1: reach}
	f.Min = vg.Point{X: edge + 52, Y: top - scatterSide}
	f.Max = vg.Point{X: f.Min.X + scatterSide, Y: top}
	unit := ""
	if s.Unit != "" {
		unit = " (" + s.Unit + ")"
	}
	p.xScale(f, "X"+unit, true)
	p.yScale(f, "Y"+unit, true)
	p.line(rule, 0.9, nil, f.at(-reach, 0), f.at(reach, 0))
	p.line(rule, 0.9, nil, f.at(0, -reach), f.at(0, reach))
	if limits {
		s.limits(p, f)
	}
	p.line(rule, 0.8, nil, f.Min, vg.Point{X: f.Max.X, Y: f.Min.Y}, f.Max, vg.Point{X: f.Min.X, Y: f.Max.Y}, f.Min)
	y := top - 8
	for i, c := range s.Clouds {
		y = s.cloud(p, f, i, c, vg.Point{X: f.Max.X + 18, Y: y})
	}
	if !s.hasEllipses() {
		return nil
	}
	small := words{size: smallSize, color: faintInk}
	for _, text := range []string{"solid: where the mean lies", "dashed: where the next unit will lie", "(95 % confidence)"} {
		small.text = text
		y -= 11
		p.write(small, vg.Point{X: f.Max.X + 18, Y: y}, left)
	}
	return nil
}

func (s Scatter) hasEllipses() bool {
	for _, c := range s.Clouds {
		if _, _, ok := ellipses(c.X, c.Y); ok {
			return true
		}
	}
	return false
}

func (s Scatter) limits(p *pen, f *panel) {
	if s.LimitRadius > 0 {
		p.outline(f, ellipse{ax: s.LimitRadius, by: s.LimitRadius}, limitInk, 1.1, dashed)
		return
	}
	x, y := s.LimitX, s.LimitY
	if x == 0 {
		x = f.x1
	}
	if y == 0 {
		y = f.y1
	}
	p.line(limitInk, 1.1, dashed, f.at(-x, -y), f.at(x, -y), f.at(x, y), f.at(-x, y), f.at(-x, -y))
}

// outline draws an ellipse, cut off where it leaves the panel.
func (p *pen) outline(f *panel, e ellipse, c color.Color, width vg.Length, dashes []vg.Length) {
	const steps = 180
	var line []vg.Point
	for i := 0; i <= steps; i++ {
		x, y := e.at(2 * math.Pi * float64(i) / steps)
		if x < f.x0 || x > f.x1 || y < f.y0 || y > f.y1 {
			if len(line) > 1 {
				p.StrokeLines(lineStyle(c, width, dashes), line)
			}
			line = nil
			continue
		}
		line = append(line, f.at(x, y))
	}
	if len(line) > 1 {
		p.StrokeLines(lineStyle(c, width, dashes), line)
	}
}

// cloud draws one head and its line of the legend, and returns the height under that.
func (s Scatter) cloud(p *pen, f *panel, i int, c Cloud, legend vg.Point) vg.Length {
	form, ink, hollow := seriesLook(i)
	n := min(len(c.X), len(c.Y))
	radius := vg.Length(2.3)
	switch {
	case n > 300:
		radius = 1.5
	case n < 30:
		radius = 3
	}
	for k := range n {
		p.mark(form, f.at(c.X[k], c.Y[k]), radius, ink, hollow)
	}
	if mean, next, ok := ellipses(c.X[:n], c.Y[:n]); ok {
		p.outline(f, next, ink, 0.9, dashed)
		p.outline(f, mean, paper, 3, nil)
		p.outline(f, mean, ink, 1.6, nil)
	}
	if legend.Y < f.Min.Y+legendHeight+40 {
		return legend.Y // a page of its own would be needed: the clouds stay, unnamed
	}
	name := words{c.Name, textSize, true, faintInk}
	name.color = seriesInk[i%len(seriesInk)]
	name = name.cut(legendWidth - 16)
	p.mark(form, vg.Point{X: legend.X + 4, Y: legend.Y - ascent*textSize/2}, 3.2, ink, hollow)
	p.write(name, vg.Point{X: legend.X + 14, Y: legend.Y - ascent*textSize}, left)
	if n > 0 {
		mx, my := stat.Mean(c.X[:n], nil), stat.Mean(c.Y[:n], nil)
		d := 1
		if n > 1 {
			d = decimalsFor(math.Sqrt((stat.Variance(c.X[:n], nil) + stat.Variance(c.Y[:n], nil)) / float64(2*n)))
		}
		text := fmt.Sprintf("n = %d, mean X %s, Y %s", n, number(mx, d), number(my, d))
		p.write(words{text, smallSize, false, faintInk}, vg.Point{X: legend.X + 14, Y: legend.Y - ascent*textSize - 11}, left)
	}
	return legend.Y - legendHeight
}
