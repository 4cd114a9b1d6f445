package offset

import (
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// worstBump returns the bump that lies farthest from its pad. The die's grid keeps its size; the
// pads are printed on the substrate and shrink with it.
func worstBump(d *part.Die, o *reading.Offset, scale float64) *reading.Bump {
	b := d.Bumps
	sin, cos := math.Sincos((geom.Angle(o.ThetaDeg) * geom.Degree).Rad())
	var worst *reading.Bump
	// Misregistration is linear in the place, so its length is largest in a corner of the grid.
	for _, row := range [2]int{1, b.Rows} {
		for _, col := range [2]int{1, b.Columns} {
			x := (float64(col) - float64(b.Columns+1)/2) * b.PitchMm * 1000
			y := (float64(b.Rows+1)/2 - float64(row)) * b.PitchMm * 1000
			mx := o.XUm + cos*x - sin*y - scale*x
			my := o.YUm + sin*x + cos*y - scale*y
			miss := math.Hypot(mx, my)
			if worst != nil && miss <= worst.MissUm {
				continue
			}
			j := [3][]float64{{1, 0, -y * geom.Degree.Rad()}, {0, 1, x * geom.Degree.Rad()}, {0, 0, 0}}
			c := propagate(j, func(i, k int) float64 { return o.Cov[i][k] })
			u := math.Sqrt(c[0][0] + c[1][1])
			if miss > 0 {
				ex, ey := mx/miss, my/miss
				u = math.Sqrt(ex*ex*c[0][0] + 2*ex*ey*c[0][1] + ey*ey*c[1][1])
			}
			worst = &reading.Bump{Row: row, Column: col, XUm: mx, YUm: my, MissUm: miss, UUm: u}
		}
	}
	return worst
}
