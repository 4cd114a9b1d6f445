package chart

import (
	"errors"
	"fmt"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot/vg"
)

// An ArrayMap is one array of columns or balls as it was measured: what is missing or wrong, how
// columns lean, where tips lie off their sites, enlarged. It shows the array as the drawing does,
// row A on top, column 1 at the left, +X right and +Y up.
type ArrayMap struct {
	Title string
	Notes []string
	Sites []MapSite
	// Leans draws each column's lean instead of its tip's offset.
	Leans bool
}

// A MapSite is one site as measured.
type MapSite struct {
	Row, Column int // from 1
	RowName     string
	State       SiteState
	X, Y        float64 // tip minus site, µm; of leans degrees toward +X and +Y
}

// A SiteState is what is wrong with a site.
type SiteState int

// The states, most serious last.
const (
	SiteSound SiteState = iota
	SiteUnseen
	SiteOff    // beyond the limit on place
	SiteTilted // beyond the limit on tilt
	SiteJoined // bridged or doubled
	SiteMissing
)

// quietInk is for what is in order, so that what isn't stands out.
var quietInk = color.RGBA{0x55, 0x7f, 0x9e, 0xff}

// stateLooks are shape, colour and word of each state.
var stateLooks = [...]struct {
	form shape
	ink  color.Color
	word string
}{
	SiteSound:   {disc, soundInk, "in order"},
	SiteUnseen:  {disc, soundInk, "not seen"},
	SiteOff:     {square, awayInk, "out of place"},
	SiteTilted:  {triangle, tiltedInk, "tilted"},
	SiteJoined:  {cross, limitInk, "bridged or doubled"},
	SiteMissing: {diamond, missingInk, "missing"},
}

func (m ArrayMap) span() (s gridSpan) {
	for _, q := range m.Sites {
		s.see(q.Row, q.Column)
	}
	return s
}

func (m ArrayMap) size() (w, h vg.Length) {
	w, h = m.span().size(m.Title, m.Notes)
	return w, h + 14
}

func (m ArrayMap) draw(p *pen) error {
	if len(m.Sites) == 0 {
		return errors.New("chart: there are no sites to draw")
	}
	span := m.span()
	names := make([]string, span.rows)
	for _, q := range m.Sites {
		names[q.Row-1] = q.RowName
	}
	g := p.newGrid(span, m.Title, m.Notes, names)
	scale := m.enlarge(g.side)
	count := map[SiteState]int{}
	for _, q := range m.Sites {
		m.site(p, q, g.at(q.Row, q.Column), g.side, scale)
		count[q.State]++
	}
	unit, what := "µm", "tip off its site"
	if m.Leans {
		unit, what = "°", "lean"
	}
	at := g.below()
	const shown = vg.Length(26) // length of the arrow in the legend
	if scale > 0 {
		at = p.legend(at, fmt.Sprintf("%s: %s %s", what, tidyNumber(float64(shown/scale)), unit), func(at vg.Point) {
			p.vector(quietInk, 1.1, vg.Point{X: at.X - shown + 2, Y: at.Y}, vg.Point{X: at.X + 2, Y: at.Y}, 5)
		})
	}
	for s := SiteMissing; s > SiteSound; s-- {
		if n := count[s]; n > 0 {
			at = p.legend(at, fmt.Sprintf("%s: %d", stateLooks[s].word, n), func(at vg.Point) { p.mark(stateLooks[s].form, at, 4, stateLooks[s].ink, s == SiteUnseen) })
		}
	}
	return nil
}

// enlarge returns points a unit: the vector longer than nineteen of twenty comes to 0.8 of a cell.
// It is rounded so that the arrow of the legend stands for a round value.
func (m ArrayMap) enlarge(cell vg.Length) vg.Length {
	var l []float64
	for _, q := range m.Sites {
		if v := math.Hypot(q.X, q.Y); q.State != SiteMissing && q.State != SiteUnseen && v > 0 && !math.IsInf(v, 0) {
			l = append(l, v)
		}
	}
	if len(l) == 0 {
		return 0
	}
	slices.Sort(l)
	const shown = 26
	longest := l[(len(l)-1)*19/20]
	of := shown / float64(0.8*cell) * longest // what the legend's arrow would stand for
	p := math.Pow(10, math.Floor(math.Log10(of)))
	for _, f := range []float64{1, 2, 5, 10} {
		if f*p >= of {
			return vg.Length(shown / (f * p))
		}
	}
	return vg.Length(shown / (10 * p))
}

func (m ArrayMap) site(p *pen, q MapSite, at vg.Point, cell, scale vg.Length) {
	look := stateLooks[q.State]
	switch q.State {
	case SiteMissing, SiteJoined:
		p.mark(look.form, at, cell*0.4, look.ink, false)
		return
	case SiteUnseen:
		p.mark(look.form, at, cell*0.2, look.ink, true)
		return
	case SiteSound:
		p.mark(disc, at, max(cell*0.09, 0.7), look.ink, false)
	default:
		p.mark(look.form, at, cell*0.34, look.ink, true)
	}
	// An arrow that would reach over more than two cells is cut and ends in a bar's thickness more.
	dx, dy := vg.Length(q.X)*scale, vg.Length(q.Y)*scale
	width := max(0.7, cell*0.055)
	if q.State != SiteSound {
		width *= 1.7
	}
	if l := hypot(dx, dy); l > 2*cell {
		dx, dy = dx*2*cell/l, dy*2*cell/l
	}
	colour := color.Color(quietInk)
	if q.State != SiteSound {
		colour = look.ink
	}
	p.vector(colour, width, at, vg.Point{X: at.X + dx, Y: at.Y + dy}, max(cell*0.22, 2.2))
}

func hypot(x, y vg.Length) vg.Length { return vg.Length(math.Hypot(float64(x), float64(y))) }

// tidyNumber writes a round number without an exponent.
func tidyNumber(v float64) string { return fmt.Sprintf("%.3g", v) }
