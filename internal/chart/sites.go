package chart

import (
	"errors"
	"fmt"
	"image/color"
	"strconv"

	"gonum.org/v1/plot/vg"
)

// Sites is a map of an array of columns or balls over many samples: at which sites something was
// missing, tilted or out of place, and how often. It shows the array as its picture does, row A on
// top, column 1 at the left.
type Sites struct {
	Title string
	Notes []string
	Sites []Site
}

// A Site is what was seen at one place of the array.
type Site struct {
	Row, Column           int // from 1
	RowName               string
	Missing, Tilted, Away int // samples in which it was
	Joined                int // bridged or doubled, likewise
}

// Colours of the map; shapes tell the same.
var (
	missingInk = hitInk
	tiltedInk  = dataInk
	awayInk    = eventInk
	joinedInk  = limitInk
	soundInk   = color.RGBA{0xd3, 0xd9, 0xde, 0xff}
)

func (s Sites) span() (g gridSpan) {
	for _, q := range s.Sites {
		g.see(q.Row, q.Column)
	}
	return g
}

func (s Sites) size() (w, h vg.Length) { return s.span().size(s.Title, s.Notes) }

func (s Sites) draw(p *pen) error {
	if len(s.Sites) == 0 {
		return errors.New("chart: there are no sites to draw")
	}
	span := s.span()
	names := make([]string, span.rows)
	for _, q := range s.Sites {
		names[q.Row-1] = q.RowName
	}
	g := p.newGrid(span, s.Title, s.Notes, names)
	for _, q := range s.Sites {
		s.site(p, q, g.at(q.Row, q.Column), g.side)
	}
	s.legend(p, g.below())
	return nil
}

func (s Sites) site(p *pen, q Site, at vg.Point, cell vg.Length) {
	n, form, ink := q.worst()
	if n == 0 {
		p.mark(disc, at, cell*0.17, soundInk, false)
		return
	}
	p.mark(form, at, cell*0.36, ink, false)
	if n > 1 {
		w := words{strconv.Itoa(n), min(cell*0.46, textSize), true, paper}
		if w.width() < cell*0.62 {
			p.write(w, vg.Point{X: at.X, Y: at.Y - 0.36*w.size}, middle)
		}
	}
}

// worst returns the most serious thing seen at a site, and in how many samples.
func (q Site) worst() (n int, form shape, ink color.Color) {
	switch {
	case q.Missing > 0:
		return q.Missing, diamond, missingInk
	case q.Joined > 0:
		return q.Joined, cross, joinedInk
	case q.Tilted > 0:
		return q.Tilted, triangle, tiltedInk
	case q.Away > 0:
		return q.Away, square, awayInk
	}
	return 0, disc, soundInk
}

func (s Sites) legend(p *pen, at vg.Point) {
	for _, l := range []struct {
		count func(Site) int
		form  shape
		ink   color.Color
		name  string
	}{
		{func(q Site) int { return q.Missing }, diamond, missingInk, "missing"},
		{func(q Site) int { return q.Tilted }, triangle, tiltedInk, "tilted"},
		{func(q Site) int { return q.Away }, square, awayInk, "out of place"},
		{func(q Site) int { return q.Joined }, cross, joinedInk, "bridged or doubled"},
	} {
		sites := 0
		for _, q := range s.Sites {
			if l.count(q) > 0 {
				sites++
			}
		}
		if sites == 0 && l.form == cross { // balls only
			continue
		}
		p.mark(l.form, vg.Point{X: at.X + 4, Y: at.Y + 3}, 4, l.ink, false)
		word := "sites"
		if sites == 1 {
			word = "site"
		}
		box := p.write(words{fmt.Sprintf("%s: %d %s", l.name, sites, word), textSize, false, ink}, vg.Point{X: at.X + 13, Y: at.Y}, left)
		at.X = box.Max.X + 18
	}
	p.try(words{"numbers: samples, where more than one", smallSize, false, faintInk}, left, p.Rectangle, vg.Point{X: at.X, Y: at.Y},
		vg.Point{X: edge + mapEdge, Y: at.Y - 13})
}
