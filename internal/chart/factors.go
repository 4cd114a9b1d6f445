package chart

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/plot/vg"

	"plumbsquare/internal/spc"
)

// Factors shows the mean at each level of each factor with its interval, and how much of the
// variance the factor explains, the one that explains most at the left.
type Factors struct {
	Title    string
	Notes    []string
	Quantity string
	Unit     string
	Effects  []spc.FactorEffect
}

const (
	levelWidth    = vg.Length(34)
	factorGap     = vg.Length(26)
	factorLeast   = vg.Length(150) // a factor's width: its remarks need room
	factorsHeight = vg.Length(230)
)

// mostLevels are drawn of a factor.
const mostLevels = 40

func factorWidth(e spc.FactorEffect) vg.Length {
	return max(vg.Length(min(len(e.Levels), mostLevels))*levelWidth, factorLeast)
}

func (q Factors) size() (w, h vg.Length) {
	w = edge + 60 + edge
	for _, e := range q.Effects {
		w += factorWidth(e) + factorGap
	}
	w = max(w, 420)
	return w, headingHeight(q.Title, q.Notes, w-2*edge) + 46 + factorsHeight + 32 + edge
}

func (q Factors) draw(p *pen) error {
	if len(q.Effects) == 0 {
		return errors.New("chart: there are no factors to draw")
	}
	w, _ := q.size()
	top := p.heading(q.Title, q.Notes, edge, w-edge, p.Max.Y) - 46
	e := newExtent()
	for _, effect := range q.Effects {
		for _, l := range effect.Levels {
			e.see(l.Mean, l.Low, l.High)
		}
	}
	f := &panel{x0: 0, x1: 1}
	f.y0, f.y1 = e.widened(0.06, 0.06)
	f.Min = vg.Point{X: edge + 56, Y: top - factorsHeight}
	f.Max = vg.Point{X: w - edge, Y: top}
	title := "mean " + q.Quantity
	if q.Unit != "" {
		title += " (" + q.Unit + ")"
	}
	p.yScale(f, title, true)
	if f.y0 < 0 && f.y1 > 0 {
		p.line(rule, 0.9, nil, f.at(0, 0), f.at(1, 0))
	}
	x := f.Min.X + factorGap/2
	for _, effect := range q.Effects {
		q.factor(p, f, effect, x)
		x += factorWidth(effect) + factorGap
	}
	p.frame(f)
	return nil
}

// factor draws the levels of one factor from x on.
func (q Factors) factor(p *pen, f *panel, e spc.FactorEffect, x vg.Length) {
	width := factorWidth(e)
	color, form, hollow := dataInk, disc, false
	if e.Claimed {
		color, form = hitInk, diamond
	}
	levels := e.Levels[:min(len(e.Levels), mostLevels)]
	step := width / vg.Length(len(levels))
	for i, l := range levels {
		at := vg.Point{X: x + (vg.Length(i)+0.5)*step, Y: f.y(l.Mean)}
		if !math.IsInf(l.Low, 0) && !math.IsNaN(l.Low) && l.High > l.Low {
			lo, hi := f.y(l.Low), f.y(l.High)
			p.line(color, 1.3, nil, vg.Point{X: at.X, Y: lo}, vg.Point{X: at.X, Y: hi})
			for _, y := range []vg.Length{lo, hi} {
				p.line(color, 1.3, nil, vg.Point{X: at.X - 4, Y: y}, vg.Point{X: at.X + 4, Y: y})
			}
		}
		p.mark(form, at, 3, color, hollow)
		name := words{l.Level, smallSize, false, ink}.cut(step - 4)
		p.try(name, middle, p.Rectangle, vg.Point{X: at.X, Y: f.Min.Y - 5 - ascent*smallSize})
		p.try(words{fmt.Sprintf("n %d", l.N), smallSize, false, faintInk}.cut(step-4), middle, p.Rectangle, vg.Point{X: at.X, Y: f.Min.Y - 16 - ascent*smallSize})
	}
	head := words{e.Name, textSize, true, color}.cut(width)
	p.write(head, vg.Point{X: x, Y: f.Max.Y + 30}, left)
	share := words{fmt.Sprintf("%.0f %% of the variance", 100*e.Alone.Omega2), smallSize, false, ink}.cut(width)
	p.write(share, vg.Point{X: x, Y: f.Max.Y + 18}, left)
	verdict := fmt.Sprintf("no difference shown (q %s)", probability(e.Q))
	if e.Claimed {
		verdict = fmt.Sprintf("levels differ (q %s)", probability(e.Q))
	}
	p.write(words{verdict, smallSize, false, faintInk}.cut(width), vg.Point{X: x, Y: f.Max.Y + 7}, left)
}

// probability writes a p or q value.
func probability(v float64) string {
	if v < 0.0001 {
		return "below 0.0001"
	}
	return fmt.Sprintf("= %.2g", v)
}
