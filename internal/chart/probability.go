package chart

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
	"gonum.org/v1/plot/vg"

	"plumbsquare/internal/spc"
)

// A Probability is a probability plot: values in order against the share of values below them, on
// a scale on which a normal law is a straight line, and the fitted laws as lines. Where points bend
// away from a line at its ends, its tails aren't those of the values.
type Probability struct {
	Title    string
	Notes    []string
	Quantity string
	Unit     string
	Values   []float64
	Fits     []spc.Fit // at most as many as there are line styles
}

const (
	probabilityWidth  = vg.Length(470)
	probabilityHeight = vg.Length(330)
)

func (q Probability) size() (w, h vg.Length) {
	w = edge + 52 + probabilityWidth + 14 + indexWidth + edge
	return w, headingHeight(q.Title, q.Notes, w-2*edge) + 10 + probabilityHeight + 38 + edge
}

// shares are those that the scale is labelled with, in percent.
var shares = []float64{0.01, 0.1, 1, 5, 10, 25, 50, 75, 90, 95, 99, 99.9, 99.99}

func (q Probability) draw(p *pen) error {
	n := len(q.Values)
	if n < 2 {
		return errors.New("chart: a probability plot needs two values or more")
	}
	x := slices.Clone(q.Values)
	slices.Sort(x)
	normal := distuv.UnitNormal
	// Median ranks after Benard & Bos-Levenbach (1953, Statistica Neerlandica 7, 163–173).
	rank := func(i int) float64 { return normal.Quantile((float64(i) + 0.7) / (float64(n) + 0.4)) }
	w, _ := q.size()
	f := &panel{}
	f.Max.Y = p.heading(q.Title, q.Notes, edge, w-edge, p.Max.Y) - 10
	f.Min = vg.Point{X: edge + 52, Y: f.Max.Y - probabilityHeight}
	f.Max.X = f.Min.X + probabilityWidth
	e := extent{x[0], x[n-1]}
	f.x0, f.x1 = e.widened(0.08, 0.08)
	reach := math.Max(-rank(0), 2.4) * 1.08
	f.y0, f.y1 = -reach, reach
	for _, share := range shares {
		z := normal.Quantile(share / 100)
		if math.Abs(z) > reach {
			continue
		}
		y := f.y(z)
		p.line(zoneA, 0.6, nil, vg.Point{X: f.Min.X, Y: y}, vg.Point{X: f.Max.X, Y: y})
		p.line(rule, 0.8, nil, vg.Point{X: f.Min.X - 3, Y: y}, vg.Point{X: f.Min.X, Y: y})
		p.try(words{fmt.Sprintf("%g %%", share), smallSize, false, faintInk}, right, p.Rectangle, vg.Point{X: f.Min.X - 5, Y: y - 0.36*smallSize})
	}
	p.upright(words{"share of values below", textSize, false, ink}, vg.Point{X: edge + 8, Y: (f.Min.Y + f.Max.Y) / 2})
	unit := ""
	if q.Unit != "" {
		unit = " (" + q.Unit + ")"
	}
	p.xScale(f, q.Quantity+unit, true)
	styles := [][]vg.Length{nil, dashed, dotted, dashDotted}
	legend := vg.Point{X: f.Max.X + 16, Y: f.Max.Y - 10}
	for i, fit := range q.Fits[:min(len(q.Fits), len(styles))] {
		ink := seriesInk[(i+1)%len(seriesInk)]
		var line []vg.Point
		flush := func() {
			if len(line) > 1 {
				p.StrokeLines(lineStyle(ink, 1.3, styles[i]), line)
			}
			line = nil
		}
		for k := 0; k <= 300; k++ {
			v := f.x0 + (f.x1-f.x0)*float64(k)/300
			z := normal.Quantile(fit.CDF(v))
			if !(math.Abs(z) <= reach) {
				flush()
				continue
			}
			line = append(line, f.at(v, z))
		}
		flush()
		p.line(ink, 1.3, styles[i], legend, vg.Point{X: legend.X + 20, Y: legend.Y})
		p.write(words{familyName(fit.Family), smallSize, true, ink}, vg.Point{X: legend.X + 25, Y: legend.Y - 0.36*smallSize}, left)
		p.write(words{fmt.Sprintf("A² = %.2f", fit.AD), smallSize, false, faintInk}, vg.Point{X: legend.X + 25, Y: legend.Y - 12}, left)
		legend.Y -= 32
	}
	for i, v := range x {
		p.mark(disc, f.at(v, rank(i)), 2, dataInk, false)
	}
	p.frame(f)
	return nil
}
