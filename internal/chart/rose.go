package chart

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/plot/vg"
)

// A Rose shows in which directions columns lean: a histogram around the circle, counter-clockwise
// from +X. A petal's area is its share, so that twice as many don't look four times as many. The
// arrow is the mean resultant: its direction the circular mean, its length, out of the outer
// circle's radius, 1 when all lean alike.
type Rose struct {
	Title string
	Notes []string
	Deg   []float64 // directions

	MeanDeg, Length, P float64 // circular mean, mean resultant length, p of the Rayleigh test
	Common             bool    // the directions aren't uniform
}

const (
	petals     = 24
	roseRadius = vg.Length(130)
	roseRim    = vg.Length(22) // for the names of the axes
)

func (r Rose) size() (w, h vg.Length) {
	w = max(2*(roseRadius+roseRim+edge), 340)
	return w, headingHeight(r.Title, r.notes(), w-2*edge) + 8 + 2*(roseRadius+roseRim) + edge
}

// notes adds what the test says.
func (r Rose) notes() []string {
	p := fmt.Sprintf("p = %.2g", r.P)
	if r.P < 0.0001 {
		p = "p < 0.0001"
	}
	says := fmt.Sprintf("%d directions, Rayleigh test %s: no common direction", len(r.Deg), p)
	if r.Common {
		says = fmt.Sprintf("%d directions, Rayleigh test %s: common direction %.0f°, mean length %.2f", len(r.Deg), p, r.MeanDeg, r.Length)
	}
	return append(append([]string(nil), r.Notes...), says)
}

func (r Rose) draw(p *pen) error {
	if len(r.Deg) == 0 {
		return errors.New("chart: there are no directions to draw")
	}
	w, _ := r.size()
	top := p.heading(r.Title, r.notes(), edge, w-edge, p.Max.Y) - 8
	c := vg.Point{X: w / 2, Y: top - roseRim - roseRadius}
	var count [petals]int
	most := 0
	for _, d := range r.Deg {
		if math.IsNaN(d) || math.IsInf(d, 0) {
			return errors.New("chart: a direction is no number")
		}
		// The first petal lies about +X.
		i := int(math.Floor(d/360*petals+0.5)) % petals
		if i < 0 {
			i += petals
		}
		count[i]++
		most = max(most, count[i])
	}
	on := func(radius vg.Length, deg float64) vg.Point {
		s, co := math.Sincos(deg * math.Pi / 180)
		return vg.Point{X: c.X + radius*vg.Length(co), Y: c.Y + radius*vg.Length(s)}
	}
	for _, share := range []float64{0.25, 0.5, 0.75, 1} {
		p.circle(c, roseRadius*vg.Length(math.Sqrt(share)))
	}
	for k := range 4 {
		p.line(rule, 0.6, nil, c, on(roseRadius+4, float64(90*k)))
		name := words{[4]string{"+X", "+Y", "−X", "−Y"}[k], textSize, false, faintInk}
		at := on(roseRadius+13, float64(90*k))
		p.write(name, vg.Point{X: at.X, Y: at.Y - 0.36*textSize}, middle)
	}
	for i, n := range count {
		if n == 0 {
			continue
		}
		radius := roseRadius * vg.Length(math.Sqrt(float64(n)/float64(most)))
		mid, half := 2*math.Pi*float64(i)/petals, math.Pi/petals
		var path vg.Path
		path.Move(c)
		path.Line(on(radius, (mid-half)*180/math.Pi))
		path.Arc(c, radius, mid-half, 2*half)
		path.Close()
		p.SetColor(dataLine)
		p.Fill(path)
		p.line(dataInk, 0.8, nil, c, on(radius, (mid-half)*180/math.Pi))
		p.line(dataInk, 0.8, nil, c, on(radius, (mid+half)*180/math.Pi))
		p.arc(c, radius, mid-half, 2*half)
	}
	scale := words{fmt.Sprintf("outer circle: %d of 15°", most), smallSize, false, faintInk}
	p.try(scale, right, p.Rectangle, vg.Point{X: w - edge, Y: p.Min.Y + 4})
	if r.Common {
		p.vector(hitInk, 2.4, c, on(roseRadius*vg.Length(r.Length), r.MeanDeg), 10)
	}
	return nil
}

// circle draws a thin circle of a scale.
func (p *pen) circle(c vg.Point, radius vg.Length) {
	var path vg.Path
	path.Move(vg.Point{X: c.X + radius, Y: c.Y})
	path.Arc(c, radius, 0, 2*math.Pi)
	p.SetLineStyle(lineStyle(rule, 0.5, nil))
	p.Stroke(path)
}

func (p *pen) arc(c vg.Point, radius vg.Length, start, angle float64) {
	var path vg.Path
	s, co := math.Sincos(start)
	path.Move(vg.Point{X: c.X + radius*vg.Length(co), Y: c.Y + radius*vg.Length(s)})
	path.Arc(c, radius, start, angle)
	p.SetLineStyle(lineStyle(dataInk, 0.8, nil))
	p.Stroke(path)
}
