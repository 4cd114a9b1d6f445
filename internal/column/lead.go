package column

import (
	"math"

	"plumbsquare/internal/geom"
)

const (
	leadBalls   = 60  // balls, spread over the array, that tell how far it lies off its sites
	leadPx      = 2.0 // as far as that a ball's fit finds it anyhow
	leadScatter = 2.5 // px about what all have in common that healthy balls lie apart, at most
	roughFit    = 0.6 // share of the rays that must agree on a rough centre
)

// lead moves the places where balls are looked for to where the array lies, when it is placed off its
// sites, turned or of another pitch by more than a fit's reach: within balls there is much that
// shines, and where a fit begins off the middle it ends on that.
func (pic *shot) lead(o *outline, seats []seat) {
	f := &discFitter{g: pic.g, plane: pic.tip, sigma: o.sigmaPx}
	r := pic.radiusPx()
	q := newGirthFitter(o.sigmaPx, r, 1)
	var all shift
	for range 3 {
		stride := max(1, len(seats)/leadBalls)
		tried := 0
		var from, by []geom.ImagePoint
		for i := stride / 2; i < len(seats); i += stride {
			at := geom.ImagePoint{X: seats[i].px, Y: seats[i].py}
			dx, dy := all.at(pic, at)
			if !f.holds(at.X+dx, at.Y+dy, (1+girthOut)*r+2) {
				continue
			}
			tried++
			q.sample(f, 0, at.X+dx, at.Y+dy)
			if ax, ay, ok := q.rough(0); ok {
				from, by = append(from, at), append(by, geom.ImagePoint{X: ax, Y: ay})
			}
		}
		if 2*len(from) < tried || len(from) < leastLimbs {
			break
		}
		more, agree := pic.commonShift(from, by)
		if agree < 0.5 {
			break
		}
		all.x, all.y, all.grow, all.turn = all.x+more.x, all.y+more.y, all.grow+more.grow, all.turn+more.turn
	}
	most := 0.0
	for i := range seats {
		dx, dy := all.at(pic, geom.ImagePoint{X: seats[i].px, Y: seats[i].py})
		most = max(most, math.Hypot(dx, dy))
	}
	if most < leadPx {
		return
	}
	for i := range seats {
		s := &seats[i]
		dx, dy := all.at(pic, geom.ImagePoint{X: s.px, Y: s.py})
		s.px, s.py = s.px+dx, s.py+dy
	}
}

// A shift moves what lies in the picture: by px, and by px at half of its width from the middle.
type shift struct{ x, y, grow, turn float64 }

// field returns a place from the middle of the picture in halves of its width.
func (pic *shot) field(p geom.ImagePoint) (u, v float64) {
	half := float64(pic.g.W) / 2
	return (p.X - float64(pic.g.W-1)/2) / half, (p.Y - float64(pic.g.H-1)/2) / half
}

func (s shift) at(pic *shot, p geom.ImagePoint) (dx, dy float64) {
	u, v := pic.field(p)
	return s.x + s.grow*u - s.turn*v, s.y + s.grow*v + s.turn*u
}

// commonShift fits a shift to how far the balls at some places lie away, robustly (Cauchy's weights,
// narrowing), and returns the share of the balls that agree with it.
func (pic *shot) commonShift(from, by []geom.ImagePoint) (s shift, agree float64) {
	for step := range 20 {
		scale := max(leadScatter/2, 6/float64(1+step))
		var n, sx, sy, uu, grow, turn float64
		agree = 0
		for i, p := range from {
			u, v := pic.field(p)
			dx, dy := s.at(pic, p)
			ex, ey := by[i].X-dx, by[i].Y-dy
			w := 1 / (1 + (ex*ex+ey*ey)/(scale*scale))
			n += w
			sx += w * ex
			sy += w * ey
			uu += w * (u*u + v*v)
			grow += w * (u*ex + v*ey)
			turn += w * (u*ey - v*ex)
			if math.Hypot(ex, ey) < leadScatter {
				agree += 1 / float64(len(from))
			}
		}
		s.x, s.y, s.grow, s.turn = s.x+sx/n, s.y+sy/n, s.grow+grow/uu, s.turn+turn/uu
	}
	return s, agree
}

// rough returns where a ball's centre lies from that of its rays, px, by where light falls last along
// each, and whether enough of them agree.
func (q *girthFitter) rough(i int) (x, y float64, ok bool) {
	lag := max(1, int(q.sigma/girthStep))
	var at [directions]float64
	for k := range at {
		at[k] = math.NaN()
		if place, ok := lastFallOf(q.rays[i][k*q.n:(k+1)*q.n], lag); ok {
			at[k] = q.from + girthStep*place
		}
	}
	r := q.from / (1 - girthIn) // the drawn one
	fit := 0.0                  // share of the rays
	for step := range 8 {
		var n, sx, sy, s float64
		scale2 := max(1, 16/float64(1+step*step))
		for k, way := range rays {
			e := at[k] - r - (x*way.x + y*way.y)
			if math.IsNaN(e) {
				continue
			}
			w := 1 / (1 + e*e/scale2)
			n += w
			s += w * e
			sx += w * e * way.x
			sy += w * e * way.y
		}
		if n == 0 {
			return 0, 0, false
		}
		fit = n / directions
		r, x, y = r+s/n, x+2*sx/n, y+2*sy/n
	}
	return x, y, fit > roughFit
}
