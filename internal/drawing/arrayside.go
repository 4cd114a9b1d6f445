package drawing

import (
	"fmt"
	"strings"

	"plumbsquare/internal/part"
)

// arraySide draws the side with columns or balls: every site with its name, row letters at the
// left, column numbers on top, the corner of A1 marked.
func (f frame) arraySide(p *part.Part) error {
	a := p.Array
	sites, err := a.Sites()
	if err != nil {
		return err
	}
	f.substrate(p.Substrate, strings.TrimSuffix(a.Kind, "s")+" side")
	f.axes(p.Substrate)
	f.a1Corner(p.Substrate)
	f.rowsAndColumns(p.Substrate, a)
	full := *a
	full.Absent = nil
	all, err := full.Sites()
	if err != nil {
		return err
	}
	r, next := f.k*a.DiameterMm/2, 0
	for _, s := range all {
		x, y := f.x(s.At.X.Mm()), f.y(s.At.Y.Mm())
		title := fmt.Sprintf("%s at (%s, %s)", s.Name, num(s.At.X.Mm()), num(s.At.Y.Mm()))
		if next == len(sites) || sites[next].Name != s.Name {
			f.circle(x, y, r, noColumnStyle, title+", absent")
			continue
		}
		next++
		if a.PadMm > a.DiameterMm {
			f.circle(x, y, f.k*a.PadMm/2, padStyle, "")
		}
		f.circle(x, y, r, columnStyle, title)
		// As large as fits: an average glyph is 0.6 em wide, a line 0.7 em high.
		size := min(1.6*r/(0.6*float64(len(s.Name))), r)
		f.text(x, y+0.35*size, label{size: size}, s.Name)
	}
	f.pitch(a)
	return nil
}

// rowsAndColumns writes the row letters and column numbers along the substrate's edges.
func (f frame) rowsAndColumns(s part.Substrate, a *part.Array) {
	size := min(12, 0.62*f.k*a.PitchMm)
	for row := 1; row <= a.Rows; row++ {
		letters := strings.TrimSuffix(part.SiteName(row, 1), "1")
		y := f.oy - f.k*a.PitchMm*float64(a.Rows+1-2*row)/2
		f.text(f.x(-s.WidthMm/2)-9, y+0.35*size, label{size: size, anchor: "end", fill: ink}, letters)
	}
	for column := 1; column <= a.Columns; column++ {
		x := f.ox + f.k*a.PitchMm*float64(2*column-1-a.Columns)/2
		f.text(x, f.y(s.HeightMm/2)-8, label{size: size, fill: ink}, fmt.Sprint(column))
	}
}

// a1Corner fills the corner of the substrate next to A1.
func (f frame) a1Corner(s part.Substrate) {
	const side = 20 // px
	x, y := f.x(-s.WidthMm/2), f.y(s.HeightMm/2)
	f.path(fmt.Sprintf("M%s %sh%dL%s %sz", px(x), px(y), side, px(x), px(y+side)), style{fill: ink}, "corner of A1")
	f.text(x-7, y-8, label{size: 15, weight: "bold", anchor: "end"}, "A1")
}

// pitch draws the dimension of one pitch below the last row.
func (f frame) pitch(a *part.Array) {
	if a.Columns < 2 {
		return
	}
	y := f.oy + f.k*a.PitchMm*float64(a.Rows-1)/2
	x := f.ox + f.k*a.PitchMm*float64(a.Columns-1)/2
	below := y + f.k*a.DiameterMm/2
	thin := style{stroke: grey, width: 0.8}
	at := f.oy + f.k*a.PitchMm*float64(a.Rows)/2 + 34
	for _, x := range []float64{x, x - f.k*a.PitchMm} {
		f.line(x, below, x, at+5, thin)
	}
	f.line(x-f.k*a.PitchMm-14, at, x+14, at, thin)
	f.arrow(x, at, -1, 0, grey)
	f.arrow(x-f.k*a.PitchMm, at, 1, 0, grey)
	f.text(x-f.k*a.PitchMm-18, at+4.5, label{size: 13, anchor: "end"}, num(a.PitchMm))
}
