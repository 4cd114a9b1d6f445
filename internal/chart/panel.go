package chart

import (
	"image/color"
	"math"

	"gonum.org/v1/plot/vg"
)

// A panel is a rectangle of the figure with a scale on both sides.
type panel struct {
	vg.Rectangle
	x0, x1, y0, y1 float64
}

func (p *panel) x(v float64) vg.Length {
	return p.Min.X + vg.Length((v-p.x0)/(p.x1-p.x0))*(p.Max.X-p.Min.X)
}

func (p *panel) y(v float64) vg.Length {
	return p.Min.Y + vg.Length((v-p.y0)/(p.y1-p.y0))*(p.Max.Y-p.Min.Y)
}

func (p *panel) at(x, y float64) vg.Point { return vg.Point{X: p.x(x), Y: p.y(y)} }

// An extent is the range of the values it has seen; infinite and NaN ones are passed over.
type extent struct{ min, max float64 }

func newExtent() extent { return extent{math.Inf(1), math.Inf(-1)} }

func (e *extent) see(values ...float64) {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		e.min, e.max = math.Min(e.min, v), math.Max(e.max, v)
	}
}

// widened returns the range with a share of its width added below and above; a range of nothing
// gets some width, so that it can be a scale.
func (e extent) widened(below, above float64) (lo, hi float64) {
	if e.min > e.max {
		return -1, 1
	}
	width := e.max - e.min
	if width <= 1e-12*math.Max(math.Abs(e.min), math.Abs(e.max)) || width == 0 {
		width = math.Max(math.Abs(e.max)*0.1, 1)
		if e.max == 0 {
			width = 1
		}
		return e.min - width/2, e.max + width/2
	}
	return e.min - below*width, e.max + above*width
}

// tickSpace is the least height between labels of a scale.
const tickSpace = vg.Length(20)

// ticks returns round values of a scale and the decimals that they need.
func ticks(lo, hi float64, most int) (at []float64, decimals int) {
	step := niceStep((hi - lo) / float64(most))
	for v := math.Ceil(lo/step-1e-9) * step; v <= hi+1e-9*step; v += step {
		at = append(at, v)
	}
	return at, min(max(-int(math.Floor(math.Log10(step)+1e-9)), 0), 12)
}

// niceStep returns the smallest of 1, 2, 5 times a power of ten that isn't below step.
func niceStep(step float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(step)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= step*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// frame draws the left and bottom side of a panel.
func (p *pen) frame(f *panel) {
	p.line(rule, 0.8, nil, vg.Point{X: f.Min.X, Y: f.Max.Y}, f.Min, vg.Point{X: f.Max.X, Y: f.Min.Y})
}

// tickLabels is how much room the labels of a scale take.
func tickWidth(at []float64, decimals int) (w vg.Length) {
	for _, v := range at {
		w = max(w, words{text: number(v, decimals), size: smallSize}.width())
	}
	return w
}

// yScale draws the scale at the left of a panel and its title, and lines across it where asked.
func (p *pen) yScale(f *panel, title string, across bool) {
	at, decimals := ticks(f.y0, f.y1, max(int((f.Max.Y-f.Min.Y)/tickSpace), 2))
	for _, v := range at {
		y := f.y(v)
		if across {
			p.line(color.RGBA{0xe9, 0xed, 0xf0, 0xff}, 0.6, nil, vg.Point{X: f.Min.X, Y: y}, vg.Point{X: f.Max.X, Y: y})
		}
		p.line(rule, 0.8, nil, vg.Point{X: f.Min.X - 3, Y: y}, vg.Point{X: f.Min.X, Y: y})
		p.write(words{number(v, decimals), smallSize, false, faintInk}, vg.Point{X: f.Min.X - 5, Y: y - 0.36*smallSize}, right)
	}
	w := words{title, textSize, false, ink}
	if room := f.Max.Y - f.Min.Y + panelGap/2; w.width() > room {
		w.size = smallSize
		w = w.cut(room)
	}
	p.upright(w, vg.Point{X: f.Min.X - 10 - tickWidth(at, decimals) - descent*textSize, Y: (f.Min.Y + f.Max.Y) / 2})
}

// xScale draws the scale under a panel and its title.
func (p *pen) xScale(f *panel, title string, across bool) {
	at, decimals := ticks(f.x0, f.x1, max(int((f.Max.X-f.Min.X)/44), 2))
	for _, v := range at {
		x := f.x(v)
		if across {
			p.line(color.RGBA{0xe9, 0xed, 0xf0, 0xff}, 0.6, nil, vg.Point{X: x, Y: f.Min.Y}, vg.Point{X: x, Y: f.Max.Y})
		}
		p.line(rule, 0.8, nil, vg.Point{X: x, Y: f.Min.Y - 3}, vg.Point{X: x, Y: f.Min.Y})
		p.write(words{number(v, decimals), smallSize, false, faintInk}, vg.Point{X: x, Y: f.Min.Y - 5 - ascent*smallSize}, middle)
	}
	p.write(words{title, textSize, false, ink}, vg.Point{X: (f.Min.X + f.Max.X) / 2, Y: f.Min.Y - 9 - ascent*(smallSize+textSize)}, middle)
}

// A headingLine is one line at the top of a figure, its base line so far below the top.
type headingLine struct {
	words words
	below vg.Length
}

func headingLines(title string, notes []string, width vg.Length) (lines []headingLine, height vg.Length) {
	height = 8
	add := func(w words, before, after vg.Length) {
		for _, line := range wrap(w.text, w, width) {
			w.text = line
			height += before + ascent*w.size
			lines = append(lines, headingLine{w, height})
			height += after * w.size
		}
	}
	add(words{title, titleSize, true, ink}, 0, 0.36)
	for _, n := range notes {
		add(words{n, textSize, false, faintInk}, 1, 0.3)
	}
	return lines, height
}

func headingHeight(title string, notes []string, width vg.Length) vg.Length {
	_, h := headingLines(title, notes, width)
	return h
}

// heading writes title and notes at the top of a figure and returns the height that is left.
func (p *pen) heading(title string, notes []string, leftX, rightX, top vg.Length) vg.Length {
	lines, h := headingLines(title, notes, rightX-leftX)
	for _, l := range lines {
		p.write(l.words, vg.Point{X: leftX, Y: top - l.below}, left)
	}
	return top - h
}
