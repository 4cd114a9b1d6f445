package chart

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"gonum.org/v1/plot/vg"

	"plumbsquare/internal/drift"
)

// Drift shows how a level moved in time, at each level of a factor: the points that it was looked for
// in, the level found, and when the move began with the interval of that. All panels have one scale.
type Drift struct {
	Title    string
	Notes    []string
	Quantity string
	Unit     string
	Panels   []DriftPanel
}

// A DriftPanel is one level of a factor, or everything.
type DriftPanel struct {
	Name   string
	Points []drift.Point
	Change drift.Change
}

const (
	driftWidth  = vg.Length(600)
	driftHeight = vg.Length(104)
	driftGap    = vg.Length(24)
	driftLeft   = vg.Length(58)
)

func (q Drift) size() (w, h vg.Length) {
	w = edge + driftLeft + driftWidth + 14 + edge
	return w, headingHeight(q.Title, q.Notes, w-2*edge) + vg.Length(len(q.Panels))*(driftHeight+driftGap) + 44 + edge
}

// timed reports whether the points' times are known, and the first.
func (q Drift) timed() (start time.Time, ok bool) {
	for _, panel := range q.Panels {
		for _, pt := range panel.Points {
			if pt.Mid.IsZero() {
				return start, false
			}
			first := pt.Mid.Add(-time.Duration(pt.X * float64(day)))
			if start.IsZero() || first.Before(start) {
				start = first
			}
		}
	}
	return start, !start.IsZero()
}

func (q Drift) draw(p *pen) error {
	x, y := newExtent(), newExtent()
	start, timed := q.timed()
	shift := make([]float64, len(q.Panels)) // days from start to where each panel's points count from
	for i, panel := range q.Panels {
		if timed && len(panel.Points) > 0 {
			first := panel.Points[0]
			shift[i] = first.Mid.Sub(start).Hours()/24 - first.X
		}
		for _, pt := range panel.Points {
			x.see(pt.X + shift[i])
			y.see(pt.Mean)
		}
		y.see(panel.Change.Before, panel.Change.After)
	}
	if x.min > x.max {
		return errors.New("chart: there are no points to draw")
	}
	w, _ := q.size()
	top := p.heading(q.Title, q.Notes, edge, w-edge, p.Max.Y)
	f := &panel{}
	f.x0, f.x1 = x.widened(0.02, 0.02)
	f.y0, f.y1 = y.widened(0.1, 0.1)
	f.Min.X, f.Max.X = edge+driftLeft, edge+driftLeft+driftWidth
	for i, panel := range q.Panels {
		f.Max.Y = top - driftGap
		f.Min.Y = f.Max.Y - driftHeight
		q.panel(p, f, panel, shift[i])
		top = f.Min.Y
	}
	if timed {
		p.timeScale(f, start, "time")
	} else {
		f.x0, f.x1 = f.x0+1, f.x1+1 // people count from one
		p.xScale(f, "number", false)
	}
	return nil
}

func (q Drift) panel(p *pen, f *panel, d DriftPanel, shift float64) {
	c := d.Change
	moved := c.Form != drift.Steady && len(d.Points) > 0
	if moved {
		when := c.BeginInterval()
		band := vg.Rectangle{Min: f.at(math.Max(f.x0, when.Low+shift), f.y0), Max: f.at(math.Min(f.x1, when.High+shift), f.y1)}
		if band.Max.X-band.Min.X < 2 {
			band.Min.X, band.Max.X = band.Min.X-1, band.Max.X+1
		}
		p.area(zoneA, band)
		begin := math.Max(f.x0, c.Begin()+shift)
		p.line(eventInk, 1, dashed, f.at(begin, f.y0), f.at(begin, f.y1))
	}
	title := "offset"
	if q.Quantity != "" {
		title = q.Quantity
	}
	if q.Unit != "" {
		title += " (" + q.Unit + ")"
	}
	p.yScale(f, title, true)
	if f.y0 < 0 && f.y1 > 0 {
		p.line(rule, 0.9, nil, f.at(f.x0, 0), f.at(f.x1, 0))
	}
	q.level(p, f, d, shift)
	color := dataInk
	if moved {
		color = hitInk
	}
	for _, pt := range d.Points {
		p.mark(disc, f.at(pt.X+shift, pt.Mean), 2.2, dataInk, false)
	}
	p.frame(f)
	name := words{d.Name, textSize, true, color}
	place := vg.Point{X: f.Min.X, Y: f.Max.Y + 5}
	p.write(name, place, left)
	note := words{c.Short(q.Unit) + "; " + chance(c), smallSize, false, faintInk}
	place.X += name.width() + 8
	p.write(note.cut(f.Max.X-place.X), place, left)
}

// chance says how sure a move, or that there is none, is.
func chance(c drift.Change) string {
	if c.Why != "" {
		return fmt.Sprintf("%d points", c.Points)
	}
	return strings.TrimSpace("q " + probability(c.Q))
}

// level draws the level found.
func (q Drift) level(p *pen, f *panel, d DriftPanel, shift float64) {
	if len(d.Points) == 0 {
		return
	}
	from, to := d.Points[0].X, d.Points[len(d.Points)-1].X
	c := d.Change
	at := func(x float64) vg.Point { return f.at(x+shift, c.LevelAt(x)) }
	switch c.Form {
	case drift.Steady:
		p.line(centreInk, 1.4, nil, at(from), at(to))
	case drift.Step:
		begin := c.Begin()
		before := f.at(begin+shift, c.Before)
		p.line(hitInk, 1.5, nil, at(from), before, at(begin), at(to))
	case drift.Ramp:
		begin := math.Max(from, c.Begin())
		p.line(hitInk, 1.5, nil, at(from), at(begin), at(to))
	}
}
