package chart

import (
	"errors"
	"fmt"
	"image/color"
	"math"
	"strconv"

	"gonum.org/v1/plot/vg"
)

// A Heat is a map of an array over many samples: how often each site failed, and which do so more
// often than chance allows. It shows the array as its picture does, row A on top.
type Heat struct {
	Title string
	Notes []string
	Sites []HeatSite
}

// A HeatSite is one site over all samples.
type HeatSite struct {
	Row, Column    int // from 1
	RowName        string
	Failed, Looked int
	Repeated       bool // more often than chance allows
}

// leastScale is the share at which the colours end at least: one failure in many samples is no fire.
const leastScale = 0.25

// heatStops are the colours of shares from few to all: each darker than the one before, so that
// the order shows without hue, and from blue to orange-brown, which every common kind of colour
// vision tells apart.
var heatStops = [...]color.RGBA{{0xdf, 0xea, 0xf2, 0xff}, {0x8f, 0xb9, 0xd6, 0xff}, {0xe0, 0x9a, 0x3e, 0xff}, {0xb2, 0x52, 0x0c, 0xff}, {0x5a, 0x1c, 0x00, 0xff}}

// heatInk returns the colour of a share from 0 to 1.
func heatInk(share float64) color.RGBA {
	v := min(max(share, 0), 1) * float64(len(heatStops)-1)
	i := min(int(v), len(heatStops)-2)
	f := v - float64(i)
	mix := func(a, b uint8) uint8 { return uint8(math.Round(float64(a) + f*(float64(b)-float64(a)))) }
	a, b := heatStops[i], heatStops[i+1]
	return color.RGBA{mix(a.R, b.R), mix(a.G, b.G), mix(a.B, b.B), 0xff}
}

func (h Heat) span() (s gridSpan) {
	for _, q := range h.Sites {
		s.see(q.Row, q.Column)
	}
	return s
}

func (h Heat) size() (w, hh vg.Length) { return h.span().size(h.Title, h.Notes) }

func (h Heat) draw(p *pen) error {
	if len(h.Sites) == 0 {
		return errors.New("chart: there are no sites to draw")
	}
	span := h.span()
	names := make([]string, span.rows)
	most := leastScale
	for _, q := range h.Sites {
		names[q.Row-1] = q.RowName
		most = max(most, q.share())
	}
	g := p.newGrid(span, h.Title, h.Notes, names)
	for _, q := range h.Sites {
		h.site(p, q, g.at(q.Row, q.Column), g.side, most)
	}
	for _, q := range h.Sites { // rings over all, for they reach into the next cells
		if q.Repeated {
			p.outlineCell(g.at(q.Row, q.Column), g.side*0.56, max(1.2, g.side*0.1))
		}
	}
	h.legend(p, g.below(), most)
	return nil
}

func (q HeatSite) share() float64 { return float64(q.Failed) / float64(max(q.Looked, 1)) }

func (h Heat) site(p *pen, q HeatSite, at vg.Point, cell vg.Length, most float64) {
	half := cell * 0.46
	box := vg.Rectangle{Min: vg.Point{X: at.X - half, Y: at.Y - half}, Max: vg.Point{X: at.X + half, Y: at.Y + half}}
	switch {
	case q.Looked == 0:
		p.mark(cross, at, cell*0.2, soundInk, false)
		return
	case q.Failed == 0:
		p.mark(disc, at, cell*0.12, soundInk, false)
		return
	}
	share := q.share() / most
	p.area(heatInk(share), box)
	w := words{strconv.Itoa(q.Failed), min(cell*0.55, textSize), true, ink}
	if share > 0.6 {
		w.color = paper
	}
	if w.width() < cell*0.86 {
		p.write(w, vg.Point{X: at.X, Y: at.Y - 0.36*w.size}, middle)
	}
}

// outlineCell draws a square frame around a place.
func (p *pen) outlineCell(at vg.Point, half, width vg.Length) {
	c := func(x, y vg.Length) vg.Point { return vg.Point{X: at.X + x*half, Y: at.Y + y*half} }
	p.line(ink, width, nil, c(-1, -1), c(1, -1), c(1, 1), c(-1, 1), c(-1, -1), c(1, -1))
}

func (h Heat) legend(p *pen, at vg.Point, most float64) {
	if most > 0 {
		const steps, wide, tall = 40, vg.Length(2.4), vg.Length(9)
		w := words{"failed in 0", textSize, false, ink}
		box := p.write(w, at, left)
		x := box.Max.X + 5
		for i := range steps {
			from := x + wide*vg.Length(i)
			p.area(heatInk((float64(i)+0.5)/steps), vg.Rectangle{Min: vg.Point{X: from, Y: at.Y - 1}, Max: vg.Point{X: from + wide + 0.2, Y: at.Y - 1 + tall}})
		}
		box = p.write(words{fmt.Sprintf("%.3g %% of samples", 100*most), textSize, false, ink}, vg.Point{X: x + wide*steps + 5, Y: at.Y}, left)
		at.X = box.Max.X + 18
	}
	p.legend(at, "more often than chance allows", func(at vg.Point) { p.outlineCell(at, 4, 1.4) })
}
