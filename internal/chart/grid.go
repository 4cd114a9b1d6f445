package chart

import (
	"image/color"
	"strconv"

	"gonum.org/v1/plot/vg"
)

// A gridSpan is how many rows and columns an array has in a map.
type gridSpan struct{ rows, columns int }

func (g *gridSpan) see(row, column int) {
	g.rows, g.columns = max(g.rows, row), max(g.columns, column)
}

const (
	mapSide   = vg.Length(620) // of the longer side of the array
	mapEdge   = vg.Length(24)  // for the names of rows and columns
	mapLegend = vg.Length(32)  // below the array
	mapLeast  = vg.Length(420) // width, for the title
	cellMost  = vg.Length(26)
)

// cell is the side of a site's square.
func (g gridSpan) cell() vg.Length {
	return min(mapSide/vg.Length(max(g.rows, g.columns, 1)), cellMost)
}

// size returns the size of a map with a heading.
func (g gridSpan) size(title string, notes []string) (w, h vg.Length) {
	w = max(2*edge+mapEdge+g.cell()*vg.Length(max(g.columns, 1)), mapLeast)
	return w, headingHeight(title, notes, w-2*edge) + 8 + mapEdge + g.cell()*vg.Length(max(g.rows, 1)) + mapLegend + edge
}

// A grid is where the sites of a map lie on a figure.
type grid struct {
	gridSpan
	side vg.Length // of a cell
	top  vg.Length
}

// newGrid writes the heading and the names of rows and columns; rows holds the names from row 1 on.
func (p *pen) newGrid(s gridSpan, title string, notes, rows []string) grid {
	w, _ := s.size(title, notes)
	g := grid{s, s.cell(), 0}
	g.top = p.heading(title, notes, edge, w-edge, p.Max.Y) - 8 - mapEdge
	label := words{size: min(smallSize, g.side*0.62), color: faintInk}
	for r := 1; r <= g.rows && r <= len(rows); r++ {
		label.text = rows[r-1]
		p.try(label, right, p.Rectangle, vg.Point{X: edge + mapEdge - 4, Y: g.at(r, 1).Y - 0.36*label.size})
	}
	every := numberEvery(g.side, g.columns)
	for c := 1; c <= g.columns; c++ {
		if c == 1 || c%every == 0 {
			label.text = strconv.Itoa(c)
			p.try(label, middle, p.Rectangle, vg.Point{X: g.at(1, c).X, Y: g.top + 4})
		}
	}
	return g
}

// at returns the middle of a site, row and column from 1.
func (g *grid) at(row, column int) vg.Point {
	return vg.Point{X: edge + mapEdge + g.side*(vg.Length(column)-0.5), Y: g.top - g.side*(vg.Length(row)-0.5)}
}

// below returns where the legend's base line starts.
func (g *grid) below() vg.Point {
	return vg.Point{X: edge + mapEdge, Y: g.top - g.side*vg.Length(g.rows) - 16}
}

// legend explains a sign and returns where the next one stands: on the same line where it still
// fits, else on the next.
func (p *pen) legend(at vg.Point, text string, sign func(at vg.Point)) vg.Point {
	const room, gap = vg.Length(13), vg.Length(18)
	w := words{text, textSize, false, ink}
	if at.X > edge+mapEdge && at.X+room+w.width() > p.Max.X-edge/2 {
		at = vg.Point{X: edge + mapEdge, Y: at.Y - 14}
	}
	sign(vg.Point{X: at.X + 4, Y: at.Y + 3})
	box := p.write(w, vg.Point{X: at.X + room, Y: at.Y}, left)
	at.X = box.Max.X + gap
	return at
}

// vector draws a line with a head at its end.
func (p *pen) vector(c color.Color, width vg.Length, from, to vg.Point, head vg.Length) {
	dx, dy := to.X-from.X, to.Y-from.Y
	l := hypot(dx, dy)
	if l == 0 {
		return
	}
	ux, uy := dx/l, dy/l
	head = min(head, l)
	neck := vg.Point{X: to.X - ux*head, Y: to.Y - uy*head}
	p.line(c, width, nil, from, neck)
	wing := 0.45 * head
	var path vg.Path
	path.Move(to)
	path.Line(vg.Point{X: neck.X - uy*wing, Y: neck.Y + ux*wing})
	path.Line(vg.Point{X: neck.X + uy*wing, Y: neck.Y - ux*wing})
	path.Close()
	p.SetColor(c)
	p.Fill(path)
}
