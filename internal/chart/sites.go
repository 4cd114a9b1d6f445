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
}

// Colours of the map; shapes tell the same.
var (
	missingInk = hitInk
	tiltedInk  = dataInk
	awayInk    = eventInk
	soundInk   = color.RGBA{0xd3, 0xd9, 0xde, 0xff}
)

func (s Sites) span() (rows, columns int) {
	for _, q := range s.Sites {
		rows, columns = max(rows, q.Row), max(columns, q.Column)
	}
	return max(rows, 1), max(columns, 1)
}

const (
	mapSide  = vg.Length(620) // of the longer side of the array
	mapEdge  = vg.Length(24)  // for the names of rows and columns
	cellMost = vg.Length(26)
)

func (s Sites) cell() vg.Length {
	rows, columns := s.span()
	return min(mapSide/vg.Length(max(rows, columns)), cellMost)
}

func (s Sites) size() (w, h vg.Length) {
	rows, columns := s.span()
	w = max(2*edge+mapEdge+s.cell()*vg.Length(columns), 420)
	return w, headingHeight(s.Title, s.Notes, w-2*edge) + 8 + mapEdge + s.cell()*vg.Length(rows) + 32 + edge
}

func (s Sites) draw(p *pen) error {
	if len(s.Sites) == 0 {
		return errors.New("chart: there are no sites to draw")
	}
	w, _ := s.size()
	cell := s.cell()
	rows, columns := s.span()
	top := p.heading(s.Title, s.Notes, edge, w-edge, p.Max.Y) - 8 - mapEdge
	at := func(row, column int) vg.Point {
		return vg.Point{X: edge + mapEdge + cell*(vg.Length(column)-0.5), Y: top - cell*(vg.Length(row)-0.5)}
	}
	names := make([]string, rows+1)
	for _, q := range s.Sites {
		names[q.Row] = q.RowName
	}
	label := words{size: min(smallSize, cell*0.62), color: faintInk}
	for r := 1; r <= rows; r++ {
		label.text = names[r]
		p.try(label, right, p.Rectangle, vg.Point{X: edge + mapEdge - 4, Y: at(r, 1).Y - 0.36*label.size})
	}
	every := numberEvery(cell, columns)
	for c := 1; c <= columns; c++ {
		if c == 1 || c%every == 0 {
			label.text = strconv.Itoa(c)
			p.try(label, middle, p.Rectangle, vg.Point{X: at(1, c).X, Y: top + 4})
		}
	}
	for _, q := range s.Sites {
		s.site(p, q, at(q.Row, q.Column), cell)
	}
	s.legend(p, vg.Point{X: edge + mapEdge, Y: top - cell*vg.Length(rows) - 16})
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
	} {
		sites := 0
		for _, q := range s.Sites {
			if l.count(q) > 0 {
				sites++
			}
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
