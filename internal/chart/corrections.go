package chart

import (
	"errors"
	"fmt"
	"image/color"
	"math"
	"strings"

	"gonum.org/v1/plot/vg"

	"plumbsquare/internal/drift"
)

// Corrections shows how much to correct a placer, head by head and nozzle by nozzle: the offset
// estimated with its interval, the deadband, the way that a correction moves it, and the capability
// before and after. Under it stands in a picture what the signs mean.
type Corrections struct {
	Title  string
	Notes  []string
	Panels []CorrectionPanel
}

// A CorrectionPanel is one quantity.
type CorrectionPanel struct {
	Quantity string
	Unit     string
	Axis     Axis
	Rows     []drift.Correction
}

// An Axis says which way of the drawing frame a quantity points.
type Axis int

// The axes of the drawing frame, and that of a quantity that has none in it.
const (
	NoAxis Axis = iota
	AxisX
	AxisY
	AxisTheta
)

const (
	correctionName   = vg.Length(128)
	correctionPlot   = vg.Length(290)
	correctionAdvice = vg.Length(246)
	correctionRow    = vg.Length(30)
	correctionHead   = vg.Length(30)
	correctionScale  = vg.Length(34)
	signHeight       = vg.Length(118)
	signWidth        = vg.Length(212)
)

func (q Corrections) width() vg.Length {
	return edge + correctionName + correctionPlot + 14 + correctionAdvice + edge
}

func (q Corrections) size() (w, h vg.Length) {
	w = q.width()
	h = headingHeight(q.Title, q.Notes, w-2*edge) + 6
	for _, panel := range q.Panels {
		h += correctionHead + vg.Length(len(panel.Rows))*correctionRow + correctionScale
	}
	lines := wrap(drift.Convention, conventionWords, w-2*edge)
	return w, h + 20 + q.signsHeight() + vg.Length(len(lines))*12 + edge
}

func (q Corrections) signsHeight() vg.Length {
	if len(q.axes()) == 0 {
		return 0
	}
	return signHeight
}

// axes are those of the panels, in order.
func (q Corrections) axes() (axes []Axis) {
	for _, panel := range q.Panels {
		if panel.Axis != NoAxis {
			axes = append(axes, panel.Axis)
		}
	}
	return axes
}

func (q Corrections) draw(p *pen) error {
	if len(q.Panels) == 0 {
		return errors.New("chart: there are no corrections to draw")
	}
	w := q.width()
	top := p.heading(q.Title, q.Notes, edge, w-edge, p.Max.Y) - 6
	for _, panel := range q.Panels {
		top = panel.draw(p, top)
	}
	top -= 14
	p.line(rule, 0.8, nil, vg.Point{X: edge, Y: top}, vg.Point{X: w - edge, Y: top})
	x := edge
	for _, axis := range q.axes() {
		axis.draw(p, vg.Point{X: x, Y: top - 6})
		x += signWidth + 12
	}
	top -= q.signsHeight()
	for _, line := range wrap(drift.Convention, conventionWords, w-2*edge) {
		top -= 12
		text := conventionWords
		text.text = line
		p.write(text, vg.Point{X: edge, Y: top}, left)
	}
	return nil
}

var conventionWords = words{size: smallSize, color: faintInk}

// draw draws the rows of one quantity from top down and returns where it ends.
func (c CorrectionPanel) draw(p *pen, top vg.Length) vg.Length {
	e := newExtent()
	e.see(0)
	for _, r := range c.Rows {
		e.see(r.Advice.Offset, r.Advice.Interval.Low, r.Advice.Interval.High, r.Deadband, -r.Deadband)
	}
	f := &panel{}
	f.x0, f.x1 = e.widened(0.06, 0.06)
	f.Min = vg.Point{X: edge + correctionName, Y: top - correctionHead - vg.Length(len(c.Rows))*correctionRow}
	f.Max = vg.Point{X: f.Min.X + correctionPlot, Y: top - correctionHead}
	f.y1 = 1
	p.write(words{c.title(), textSize, true, ink}, vg.Point{X: edge, Y: f.Max.Y + 8}, left)
	y := f.Max.Y
	for i, r := range c.Rows {
		if i%2 == 0 {
			p.area(zoneB, vg.Rectangle{Min: vg.Point{X: edge, Y: y - correctionRow}, Max: vg.Point{X: f.Max.X + 14 + correctionAdvice, Y: y}})
		}
		if d := r.Deadband; d > 0 {
			p.area(color.RGBA{0xd3, 0xdc, 0xe3, 0xff}, vg.Rectangle{Min: vg.Point{X: f.x(-d), Y: y - correctionRow + 3}, Max: vg.Point{X: f.x(d), Y: y - 3}})
		}
		y -= correctionRow
	}
	p.xScale(f, c.axisTitle(), false)
	p.line(centreInk, 1.2, nil, vg.Point{X: f.x(0), Y: f.Min.Y}, vg.Point{X: f.x(0), Y: f.Max.Y})
	y = f.Max.Y - correctionRow/2
	for _, r := range c.Rows {
		c.row(p, f, r, y)
		y -= correctionRow
	}
	p.line(rule, 0.8, nil, f.Min, vg.Point{X: f.Max.X, Y: f.Min.Y})
	return f.Min.Y - correctionScale
}

func (c CorrectionPanel) title() string {
	return strings.ToUpper(c.Quantity[:1]) + c.Quantity[1:]
}

func (c CorrectionPanel) axisTitle() string {
	unit := ""
	if c.Unit != "" {
		unit = " (" + c.Unit + ")"
	}
	return "measured minus nominal" + unit
}

func (c CorrectionPanel) row(p *pen, f *panel, r drift.Correction, y vg.Length) {
	a := r.Advice
	look, form := dataInk, disc
	if a.Correct {
		look, form = hitInk, diamond
	}
	name := words{r.Name(), smallSize, true, look}
	p.write(name.cut(correctionName-8), vg.Point{X: edge + 4, Y: y + 2}, left)
	basis := words{fmt.Sprintf("%d values, %s", a.N, r.Change.Form), smallSize, false, faintInk}
	p.write(basis.cut(correctionName-8), vg.Point{X: edge + 4, Y: y - 9}, left)
	bar := y + 4
	lo, hi := f.x(a.Interval.Low), f.x(a.Interval.High)
	p.line(look, 1.5, nil, vg.Point{X: lo, Y: bar}, vg.Point{X: hi, Y: bar})
	for _, x := range []vg.Length{lo, hi} {
		p.line(look, 1.5, nil, vg.Point{X: x, Y: bar - 3}, vg.Point{X: x, Y: bar + 3})
	}
	p.mark(form, vg.Point{X: f.x(a.Offset), Y: bar}, 3, look, false)
	if a.Correct {
		p.arrow(centreInk, 1.6, vg.Point{X: f.x(a.Offset), Y: y - 7}, vg.Point{X: f.x(0), Y: y - 7})
	}
	half := (a.Interval.High - a.Interval.Low) / 2
	x := f.Max.X + 14
	advice := "leave it"
	if a.Correct {
		advice = "add " + drift.Signed(a.Correction, half, c.Unit)
		if to := c.Axis.toward(-a.Offset); to != "" { // whatever the sign of the gain
			advice += ": " + to
		}
	}
	p.write(words{advice, textSize, true, look}.cut(correctionAdvice), vg.Point{X: x, Y: y + 2}, left)
	detail := fmt.Sprintf("offset %s ± %s", drift.Signed(a.Offset, half, ""), strings.TrimSpace(drift.Figure(half, half)+" "+c.Unit))
	if a.Before != nil && a.After != nil {
		detail += fmt.Sprintf("; Ppk %.2f", a.Before.K.Value)
		if a.Correct {
			detail += fmt.Sprintf(" → %.2f expected", a.After.K.Value)
		}
	}
	p.write(words{detail, smallSize, false, faintInk}.cut(correctionAdvice), vg.Point{X: x, Y: y - 9}, left)
}

// toward says which way the next part moves.
func (a Axis) toward(move float64) string {
	way := map[Axis][2]string{AxisX: {"right", "left"}, AxisY: {"up", "down"}, AxisTheta: {"counter-clockwise", "clockwise"}}[a]
	if move < 0 {
		return way[1]
	}
	return way[0]
}

// draw shows what the signs of an axis mean: a part that sits too far in the positive direction, and
// the way that a negative correction moves the next one.
func (a Axis) draw(p *pen, corner vg.Point) {
	names := map[Axis]string{AxisX: "X: + is right", AxisY: "Y: + is up", AxisTheta: "θ: + is counter-clockwise"}
	p.write(words{names[a], smallSize, true, ink}, vg.Point{X: corner.X, Y: corner.Y - 10}, left)
	centre := vg.Point{X: corner.X + 52, Y: corner.Y - 62}
	const side, moved = vg.Length(27), vg.Length(17)
	p.square(faintInk, 1, dashed, centre, side, 0)
	text := vg.Point{X: corner.X + 112, Y: corner.Y - 46}
	at, turn := centre, 0.0
	switch a {
	case AxisX:
		at.X += moved
	case AxisY:
		at.Y += moved
	case AxisTheta:
		turn = 18 * math.Pi / 180
	}
	p.square(dataInk, 1.6, nil, at, side, turn)
	if a == AxisTheta {
		p.turnArrow(dataInk, centre, side*0.62, 0.1, 1.1)
		p.turnArrow(centreInk, centre, side*1.25, 0.95, 0.05)
	} else {
		p.mark(cross, centre, 3, faintInk, false)
		p.arrow(dataInk, 1.5, centre, at)
		away := func(v vg.Point, by vg.Length) vg.Point { // beside the part
			if a == AxisX {
				return vg.Point{X: v.X, Y: v.Y - side - 9 + by}
			}
			return vg.Point{X: v.X + side + 9 + by, Y: v.Y}
		}
		p.arrow(centreInk, 1.8, away(at, 0), away(centre, 0))
	}
	for _, line := range []words{
		{"dashed: nominal", smallSize, false, faintInk},
		{"solid: where parts sit", smallSize, false, dataInk},
		{"offset is positive", smallSize, false, dataInk},
		{"add a negative correction:", smallSize, true, centreInk},
		{"the next part moves " + a.toward(-1), smallSize, false, centreInk},
	} {
		p.write(line, text, left)
		text.Y -= 11.5
	}
}

// arrow draws an arrow; too short a one is its head alone.
func (p *pen) arrow(c color.Color, width vg.Length, from, to vg.Point) {
	dx, dy := float64(to.X-from.X), float64(to.Y-from.Y)
	length := math.Hypot(dx, dy)
	if length == 0 {
		return
	}
	ux, uy := dx/length, dy/length
	const head = 6.5
	neck := vg.Point{X: to.X - vg.Length(ux*head*0.8), Y: to.Y - vg.Length(uy*head*0.8)}
	if length > head {
		p.line(c, width, nil, from, neck)
	}
	p.arrowHead(c, to, math.Atan2(dy, dx), head)
}

func (p *pen) arrowHead(c color.Color, tip vg.Point, direction, head float64) {
	var path vg.Path
	path.Move(tip)
	for _, side := range []float64{2.75, -2.75} { // radians off the direction
		path.Line(vg.Point{X: tip.X + vg.Length(head*math.Cos(direction+side)), Y: tip.Y + vg.Length(head*math.Sin(direction+side))})
	}
	path.Close()
	p.SetColor(c)
	p.Fill(path)
}

// turnArrow draws an arrow along a circle, from one angle to another in radians.
func (p *pen) turnArrow(c color.Color, centre vg.Point, radius vg.Length, from, to float64) {
	var line []vg.Point
	const steps = 24
	at := func(angle float64) vg.Point {
		return vg.Point{X: centre.X + radius*vg.Length(math.Cos(angle)), Y: centre.Y + radius*vg.Length(math.Sin(angle))}
	}
	sign := math.Copysign(1, to-from)
	neck := to - sign*4/float64(radius)
	for i := range steps + 1 {
		line = append(line, at(from+(neck-from)*float64(i)/steps))
	}
	p.line(c, 1.6, nil, line...)
	p.arrowHead(c, at(to), neck+sign*math.Pi/2, 6.5)
}

// square draws a square of half the side about a point, turned counter-clockwise in radians.
func (p *pen) square(c color.Color, width vg.Length, dashes []vg.Length, at vg.Point, half vg.Length, turn float64) {
	var line []vg.Point
	for _, k := range [][2]float64{{-1, -1}, {1, -1}, {1, 1}, {-1, 1}, {-1, -1}} {
		x, y := k[0]*math.Cos(turn)-k[1]*math.Sin(turn), k[0]*math.Sin(turn)+k[1]*math.Cos(turn)
		line = append(line, vg.Point{X: at.X + half*vg.Length(x), Y: at.Y + half*vg.Length(y)})
	}
	p.line(c, width, dashes, line...)
}
