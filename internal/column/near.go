package column

import (
	"math"
	"slices"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
)

// A nearRow is the row of sites along the edge that faces the lens of a side view.
type nearRow struct {
	sites  []site  // from left to right as seen, x along the row
	alongY bool    // whether it runs along the drawing's Y
	sense  float64 // +1 where the picture's right is +X or +Y, -1 where it is the other way
}

// quarters returns how many quarter turns counter-clockwise an angle is, 0 to 3.
func quarters(put geom.Angle) int { return int(math.Round(put.Deg()/90)) & 3 }

// near returns the row that faces the lens when the sample was turned by quarters counter-clockwise
// as seen from above: the bottom row, the first column, the top row, the last column. The
// picture's right is +X, -Y, -X, +Y.
func near(list []site, quarter int) nearRow {
	r := nearRow{alongY: quarter%2 == 1, sense: [4]float64{1, -1, -1, 1}[quarter]}
	place := func(s site) int { return [4]int{-s.row, s.col, s.row, -s.col}[quarter] }
	nearest := math.MaxInt
	for _, s := range list {
		nearest = min(nearest, place(s))
	}
	for _, s := range list {
		if place(s) != nearest {
			continue
		}
		if r.alongY {
			s.x, s.y = r.sense*s.y, 0
		} else {
			s.x, s.y = r.sense*s.x, 0
		}
		r.sites = append(r.sites, s)
	}
	slices.SortStableFunc(r.sites, func(a, b site) int {
		switch {
		case a.x < b.x:
			return -1
		case a.x > b.x:
			return 1
		}
		return 0
	})
	return r
}

// toDrawing turns what was measured along the picture's right into the drawing's axes.
func (r *nearRow) toDrawing(a *reading.Array) {
	for i := range a.Sites {
		s := &a.Sites[i]
		d := r.sense * s.DXUm
		s.DXUm, s.TiltDeg = d, r.sense*s.TiltDeg
		if r.alongY {
			s.DXUm, s.DYUm = 0, d
			if s.State != reading.Missing && s.State != reading.Unseen {
				s.AzimuthDeg = 90
			}
		}
		if c := s.Silhouette; c != nil {
			c.FootUm, c.BendUm = r.sense*c.FootUm, r.sense*c.BendUm
		}
	}
	along, u := r.sense*a.XUm, a.UXUm
	a.XUm, a.UXUm = along, u
	if a.LeanDeg > 0 && r.sense < 0 {
		a.LeanAzimuthDeg = 180 - a.LeanAzimuthDeg
	}
	if r.alongY {
		a.XUm, a.UXUm, a.YUm, a.UYUm = 0, 0, along, u
		a.LeanAzimuthDeg += 90
	}
}
