package chart

import (
	"errors"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/plot/vg"
)

// Curves shows functions of one quantity in one picture: operating characteristics of sampling plans,
// run lengths of charts over the shift of the level. The curve that comes first is drawn last, so
// that it lies on top.
type Curves struct {
	Title          string
	Notes          []string
	XTitle, YTitle string
	LogY           bool
	YMax           float64 // top of the scale; 0 for what the curves need
	Curves         []Curve // at most as many as can be told apart
	Levels         []CurveLevel
}

// mostCurves can be told apart by colour and dashes.
const mostCurves = 6

// A Curve is a function by its values.
type Curve struct {
	Name string
	Note string // under the name, in a few words
	X, Y []float64
	Mark []CurveMark
}

// A CurveMark is a point of a curve that is worth its numbers.
type CurveMark struct {
	X, Y float64
	Text string
}

// A CurveLevel is a line across at a value of y that is worth comparing with.
type CurveLevel struct {
	Y    float64
	Text string
}

const (
	curvesWidth  = vg.Length(470)
	curvesHeight = vg.Length(310)
)

func (q Curves) size() (w, h vg.Length) {
	w = edge + 52 + curvesWidth + 14 + legendWidth + edge
	return w, headingHeight(q.Title, q.Notes, w-2*edge) + 14 + curvesHeight + 38 + edge
}

var curveDashes = [mostCurves][]vg.Length{nil, dashed, dotted, dashDotted, {9, 3}, {3, 1.5, 1, 1.5}}

func (q Curves) draw(p *pen) error {
	if len(q.Curves) == 0 {
		return errors.New("chart: there are no curves to draw")
	}
	if len(q.Curves) > mostCurves {
		return errors.New("chart: more curves than can be told apart")
	}
	w, _ := q.size()
	f := &panel{}
	f.Max.Y = p.heading(q.Title, q.Notes, edge, w-edge, p.Max.Y) - 14
	f.Min = vg.Point{X: edge + 52, Y: f.Max.Y - curvesHeight}
	f.Max.X = f.Min.X + curvesWidth
	q.scales(f)
	q.yTicks(p, f)
	p.xScale(f, q.XTitle, true)
	for _, l := range q.Levels {
		if y := q.y(l.Y); y >= f.y0 && y <= f.y1 {
			p.line(limitInk, 0.9, dotted, f.at(f.x0, y), f.at(f.x1, y))
		}
	}
	for i := len(q.Curves) - 1; i >= 0; i-- {
		q.curve(p, f, i)
	}
	p.frame(f)
	q.marks(p, f)
	for _, l := range q.Levels {
		if y := q.y(l.Y); y >= f.y0 && y <= f.y1 {
			text := words{l.Text, smallSize, false, limitInk}
			for _, a := range []align{right, left} {
				x := f.Max.X - 3
				if a == left {
					x = f.Min.X + 4
				}
				if p.onPaper(text, a, f.Rectangle, vg.Point{X: x, Y: f.y(y) + 3}, vg.Point{X: x, Y: f.y(y) - 10}) {
					break
				}
			}
		}
	}
	q.legend(p, vg.Point{X: f.Max.X + 16, Y: f.Max.Y - 10})
	return nil
}

// y is where a value stands on the scale.
func (q Curves) y(v float64) float64 {
	if q.LogY {
		return math.Log10(v)
	}
	return v
}

func (q Curves) scales(f *panel) {
	x, y := newExtent(), newExtent()
	for _, c := range q.Curves {
		x.see(c.X...)
		for _, v := range c.Y {
			y.see(q.y(v))
		}
	}
	f.x0, f.x1 = x.widened(0, 0)
	if q.LogY {
		f.y0, f.y1 = math.Min(0, math.Floor(y.min)), y.max+0.05*(y.max-y.min)
	} else {
		f.y0, f.y1 = 0, y.max*1.04
	}
	if q.YMax > 0 {
		f.y1 = q.y(q.YMax)
	}
}

func (q Curves) yTicks(p *pen, f *panel) {
	if !q.LogY {
		p.yScale(f, q.YTitle, true)
		return
	}
	for decade := int(math.Floor(f.y0)); decade <= int(math.Ceil(f.y1)); decade++ {
		for _, m := range []float64{1, 2, 5} {
			v := m * math.Pow10(decade)
			y := math.Log10(v)
			if y < f.y0-1e-9 || y > f.y1+1e-9 {
				continue
			}
			p.line(zoneB, 0.6, nil, f.at(f.x0, y), f.at(f.x1, y))
			if m == 1 {
				p.line(zoneA, 0.8, nil, f.at(f.x0, y), f.at(f.x1, y))
			}
			at := f.at(f.x0, y)
			p.line(rule, 0.8, nil, vg.Point{X: at.X - 3, Y: at.Y}, at)
			if m == 1 || f.y1-f.y0 < 4 {
				p.try(words{grouped(v), smallSize, false, faintInk}, right, p.Rectangle, vg.Point{X: at.X - 5, Y: at.Y - 0.36*smallSize})
			}
		}
	}
	p.upright(words{q.YTitle, textSize, false, ink}, vg.Point{X: edge + 8, Y: (f.Min.Y + f.Max.Y) / 2})
}

// grouped writes a number with its thousands apart.
func grouped(v float64) string {
	text := strconv.FormatFloat(v, 'f', -1, 64)
	whole, rest, _ := strings.Cut(text, ".")
	for i := len(whole) - 3; i > 0 && len(whole) > 4; i -= 3 {
		whole = whole[:i] + "\u202f" + whole[i:]
	}
	if rest != "" {
		return whole + "." + rest
	}
	return whole
}

func (q Curves) look(i int) (words, []vg.Length) {
	return words{size: smallSize, bold: true, color: seriesInk[i%len(seriesInk)]}, curveDashes[i]
}

// curve draws one, cut where it leaves the panel.
func (q Curves) curve(p *pen, f *panel, i int) {
	c := q.Curves[i]
	look, dashes := q.look(i)
	var line []vg.Point
	flush := func() {
		if len(line) > 1 {
			p.StrokeLines(lineStyle(look.color, 1.5, dashes), line)
		}
		line = nil
	}
	for k, x := range c.X {
		y := q.y(c.Y[k])
		if !(y >= f.y0-1e-9 && y <= f.y1+1e-9) {
			if k > 0 && len(line) > 0 && !math.IsNaN(y) && !math.IsInf(y, 0) { // up to where it leaves
				before := q.y(c.Y[k-1])
				edge := f.y1
				if y < f.y0 {
					edge = f.y0
				}
				share := (edge - before) / (y - before)
				line = append(line, f.at(c.X[k-1]+share*(x-c.X[k-1]), edge))
			}
			flush()
			continue
		}
		line = append(line, f.at(x, y))
	}
	flush()
}

func (q Curves) marks(p *pen, f *panel) {
	type place struct {
		at   vg.Point
		text words
	}
	var places []place
	for i, c := range q.Curves {
		look, _ := q.look(i)
		for _, m := range c.Mark {
			y := q.y(m.Y)
			if m.X < f.x0 || m.X > f.x1 || y < f.y0 || y > f.y1 {
				continue
			}
			at := f.at(m.X, y)
			p.mark(shape(i%int(shapeCount)), at, 3, look.color, false)
			p.keep = append(p.keep, vg.Rectangle{Min: vg.Point{X: at.X - 3, Y: at.Y - 3}, Max: vg.Point{X: at.X + 3, Y: at.Y + 3}})
			look.text, look.bold = m.Text, false
			places = append(places, place{at, look})
		}
	}
	for _, m := range places {
		x, y := m.at.X, m.at.Y
		if !p.onPaper(m.text, left, f.Rectangle, vg.Point{X: x + 7, Y: y + 4}, vg.Point{X: x + 7, Y: y - 11}) {
			p.onPaper(m.text, right, f.Rectangle, vg.Point{X: x - 7, Y: y + 4}, vg.Point{X: x - 7, Y: y - 11})
		}
	}
}

func (q Curves) legend(p *pen, at vg.Point) {
	for i, c := range q.Curves {
		look, dashes := q.look(i)
		p.line(look.color, 1.5, dashes, at, vg.Point{X: at.X + 24, Y: at.Y})
		room := legendWidth - 40
		look.text = c.Name
		y := at.Y - 0.36*smallSize
		for _, line := range wrap(c.Name, look, room) {
			look.text = line
			p.write(look, vg.Point{X: at.X + 29, Y: y}, left)
			y -= 11
		}
		note := words{c.Note, smallSize, false, faintInk}
		for _, line := range wrap(c.Note, note, room) {
			note.text = line
			p.write(note, vg.Point{X: at.X + 29, Y: y}, left)
			y -= 11
		}
		at.Y = y - 4
	}
}

// onPaper writes as try does, on a piece of paper that covers the curves under it.
func (p *pen) onPaper(w words, a align, bounds vg.Rectangle, points ...vg.Point) bool {
	for _, at := range points {
		box := w.box(at, a)
		if box.Min.X >= bounds.Min.X && box.Max.X <= bounds.Max.X && box.Min.Y >= bounds.Min.Y && box.Max.Y <= bounds.Max.Y && p.free(box) {
			p.area(paper, box)
			p.write(w, at, a)
			return true
		}
	}
	return false
}
