package offset

import (
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// Bumps returns the misregistration of every bump to its pad, row by row from the top, for an
// offset of the die and the substrate's scale. The die's grid keeps its size; the pads are printed
// on the substrate and shrink with it about the die's nominal centre:
//
//	m = (X, Y) + (R(θ) − scale) p,
//
// with p the bump's place from the die's centre as the drawing turns it.
func Bumps(d *part.Die, o *reading.Offset, scale float64) []reading.Bump {
	b := d.Bumps
	all := make([]reading.Bump, 0, b.Rows*b.Columns)
	for row := 1; row <= b.Rows; row++ {
		for col := 1; col <= b.Columns; col++ {
			all = append(all, bump(d, o, scale, row, col))
		}
	}
	return all
}

// worstBump returns the bump that lies farthest from its pad.
func worstBump(d *part.Die, o *reading.Offset, scale float64) *reading.Bump {
	var worst *reading.Bump
	// Misregistration is linear in the place, so its length is largest in a corner of the grid.
	for _, row := range [2]int{1, d.Bumps.Rows} {
		for _, col := range [2]int{1, d.Bumps.Columns} {
			if b := bump(d, o, scale, row, col); worst == nil || b.MissUm > worst.MissUm {
				worst = &b
			}
		}
	}
	return worst
}

func bump(d *part.Die, o *reading.Offset, scale float64, row, col int) reading.Bump {
	gx := (float64(col) - float64(d.Bumps.Columns+1)/2) * d.Bumps.PitchMm * 1000
	gy := (float64(d.Bumps.Rows+1)/2 - float64(row)) * d.Bumps.PitchMm * 1000
	sin, cos := math.Sincos((geom.Angle(d.ThetaDeg) * geom.Degree).Rad())
	x, y := cos*gx-sin*gy, sin*gx+cos*gy
	sin, cos = math.Sincos((geom.Angle(o.ThetaDeg) * geom.Degree).Rad())
	mx := o.XUm + cos*x - sin*y - scale*x
	my := o.YUm + sin*x + cos*y - scale*y
	miss := math.Hypot(mx, my)
	j := [3][]float64{{1, 0, -y * geom.Degree.Rad()}, {0, 1, x * geom.Degree.Rad()}, {0, 0, 0}}
	c := propagate(j, func(i, k int) float64 { return o.Cov[i][k] })
	u := math.Sqrt(c[0][0] + c[1][1])
	if miss > 0 {
		ex, ey := mx/miss, my/miss
		u = math.Sqrt(ex*ex*c[0][0] + 2*ex*ey*c[0][1] + ey*ey*c[1][1])
	}
	return reading.Bump{Row: row, Column: col, XUm: mx, YUm: my, MissUm: miss, UUm: u}
}
