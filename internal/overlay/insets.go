package overlay

import (
	"cmp"
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"

	"plumbsquare/internal/reading"
)

const (
	mostInsets = 6    // in one row
	insetSide  = 158. // units
	insetRow   = 206. // units, with its text
	insetSpan  = 1.1  // pitches to both sides of the site
)

// gravity orders states, the most serious first; others have no inset.
var gravity = map[string]int{reading.Missing: 1, reading.Bridged: 2, reading.Doubled: 3, reading.Tilted: 4, reading.Off: 5}

// defects lists the sites that something is wrong with, worst first.
func defects(r *reading.Reading) (list []*reading.Site) {
	if r.Array == nil || r.Refusal != nil {
		return nil
	}
	for i := range r.Array.Sites {
		if s := &r.Array.Sites[i]; gravity[s.State] > 0 {
			list = append(list, s)
		}
	}
	size := func(s *reading.Site) float64 {
		if s.State == reading.Tilted {
			return math.Abs(s.TiltDeg)
		}
		return math.Hypot(s.DXUm, s.DYUm)
	}
	slices.SortStableFunc(list, func(a, b *reading.Site) int {
		if d := gravity[a.State] - gravity[b.State]; d != 0 || a.State == reading.Missing {
			return d
		}
		return cmp.Compare(size(b), size(a))
	})
	return list
}

// insets draws the worst defects enlarged, in a row across a box.
func (d *drawing) insets(list []*reading.Site, box image.Rectangle) {
	d.fill(strip, box)
	u := d.unit
	side := insetSide * u
	pitch := 1000 * d.p.Array.PitchMm / d.s.Plane(d.g.W, d.g.H, d.p.Array.HeightMm).UmPerPx()
	text := label{size: 16 * u, colour: white, bare: true}
	for i, s := range list[:min(len(list), mostInsets)] {
		at := point{(8 + float64(i)*(insetSide+7)) * u, float64(box.Min.Y) + 8*u}
		d.closeUp(s, at, side, insetSpan*pitch)
		d.text(text, at.add(0, side+20*u), d.fit(text, defectWords(s), side))
	}
	if more := len(list) - mostInsets; more > 0 {
		text.align = 1
		text.size = 14 * u
		text.colour = pale
		d.text(text, point{float64(box.Max.X) - 8*u, float64(box.Max.Y) - 5*u}, fmt.Sprintf("and %d more", more))
	}
}

// defectWords names a site and what is wrong with it.
func defectWords(s *reading.Site) string {
	switch s.State {
	case reading.Tilted:
		return fmt.Sprintf("%s tilted %.1f°", s.Name, math.Abs(s.TiltDeg))
	case reading.Off:
		return fmt.Sprintf("%s off %.0f µm", s.Name, math.Hypot(s.DXUm, s.DYUm))
	}
	return s.Name + " " + s.State
}

// closeUp draws the surroundings of a site, half px of the picture to all sides, into a square of
// the canvas, stretched to its own greys, with a cross where the site or its tip is.
func (d *drawing) closeUp(s *reading.Site, at point, side, half float64) {
	n := int(side)
	if n < 2 || !drawable(point{s.XPx, s.YPx}) {
		return
	}
	low, high := math.Inf(1), math.Inf(-1)
	grey := make([]float64, n*n)
	for y := range n {
		for x := range n {
			v := d.level(s.XPx+half*(2*(float64(x)+0.5)/float64(n)-1), s.YPx+half*(2*(float64(y)+0.5)/float64(n)-1))
			grey[y*n+x] = v
			low, high = min(low, v), max(high, v)
		}
	}
	for y := range n {
		for x := range n {
			v := uint8(235 * (grey[y*n+x] - low) / max(high-low, 1))
			d.img.SetRGBA(int(at.x)+x, int(at.y)+y, color.RGBA{v, v, v, 255})
		}
	}
	// Four ticks point at the place and leave what is there free.
	c := at.add(side/2, side/2)
	p := d.line(pen{colour: yellow, width: 1.4})
	from, to := 0.36*side, 0.46*side
	for _, t := range [4]point{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
		d.polyline(p, c.add(from*t.x, from*t.y), c.add(to*t.x, to*t.y))
	}
}

// level reads the picture at a place by bilinear interpolation; beyond its border, the border.
func (d *drawing) level(x, y float64) float64 {
	x, y = min(max(x, 0), float64(d.g.W-1)), min(max(y, 0), float64(d.g.H-1))
	i, j := min(int(x), max(d.g.W-2, 0)), min(int(y), max(d.g.H-2, 0))
	a, b := x-float64(i), y-float64(j)
	k, l := min(i+1, d.g.W-1), min(j+1, d.g.H-1)
	return (d.g.At(i, j)*(1-a)+d.g.At(k, j)*a)*(1-b) + (d.g.At(i, l)*(1-a)+d.g.At(k, l)*a)*b
}
