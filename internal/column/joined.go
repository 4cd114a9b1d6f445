package column

import (
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
)

// crowd marks balls that are bridged or doubled, and counts them.
func crowd(a *reading.Array, bridged [][2]int, doubled []int) {
	for _, i := range doubled {
		a.Sites[i].State = reading.Doubled
		a.Doubled++
	}
	for _, p := range bridged {
		for _, i := range p {
			switch a.Sites[i].State {
			case reading.Bridged:
				continue
			case reading.Doubled:
				a.Doubled--
			}
			a.Sites[i].State = reading.Bridged
			a.Bridged++
		}
	}
}

const (
	lobeStep = 0.4 // share of a ball's fall of light by which what sticks out beside it exceeds the usual ground
	lobeRays = 3   // neighbouring directions of all that it fills at least, some 30°
)

// lobeAt are the radii, as shares of a ball's, at which a second ball is looked for beside it: one
// that counts reaches over all of them.
var lobeAt = [...]float64{1.2, 1.3, 1.45}

// doubles returns the places in seats of balls with a second one beside them on the same pad: a
// lobe as bright as a ball sticks out where there is neither bridge nor bare pad.
func doubles(pic *shot, f *discFitter, seats []seat, bridged [][2]int, v sight) []int {
	var beside []float64
	lobes := make([][directions]float64, len(seats))
	for i := range seats {
		s := &seats[i]
		if !s.found || !f.holds(s.d.x, s.d.y, 1.5*v.r+1) {
			continue
		}
		lobes[i] = f.lobe(s, v.r, pic.padPx())
		l := lobes[i]
		sortFew(l[:])
		beside = append(beside, l[directions/2])
	}
	if len(beside) == 0 {
		return nil
	}
	limit := median(beside) + lobeStep*v.step
	// A bridge fills the eighths of the circle on both sides of the way to the other ball.
	for _, p := range bridged {
		for k, i := range p {
			a, b := &seats[i].d, &seats[p[1-k]].d
			to := geom.Angle(math.Atan2(b.y-a.y, b.x-a.x))
			for n := range lobes[i] {
				if math.Cos((to - geom.Angle(math.Atan2(rays[n].y, rays[n].x))).Rad()) > math.Sqrt2/2 {
					lobes[i][n] = math.Inf(-1)
				}
			}
		}
	}
	var out []int
	for i := range seats {
		if seats[i].found && longestRun(lobes[i], limit) >= lobeRays {
			out = append(out, i)
		}
	}
	return out
}

// padPx is the radius within which a bare pad may shine.
func (pic *shot) padPx() float64 { return 500*pic.part.Array.PadMm/pic.base.UmPerPx() + 2 }

// lobe returns the level beside a ball in each direction: the darkest of those at lobeAt; nothing
// where its own pad may show.
func (f *discFitter) lobe(s *seat, r, pad float64) (levels [directions]float64) {
	for k := range levels {
		levels[k] = math.Inf(1)
		for _, share := range lobeAt {
			rho := s.d.r + (share-1)*r
			x, y := s.d.x+rho*rays[k].x, s.d.y+rho*rays[k].y
			if math.Hypot(x-s.px, y-s.py) < pad {
				levels[k] = math.Inf(-1)
				break
			}
			levels[k] = min(levels[k], f.between(x, y))
		}
	}
	return levels
}

// longestRun returns how many neighbouring directions exceed the limit, all around.
func longestRun(v [directions]float64, limit float64) int {
	best, run := 0, 0
	for k := range 2 * directions {
		if v[k%directions] > limit {
			run++
			best = max(best, min(run, directions))
		} else {
			run = 0
		}
	}
	return best
}

// bridges returns the pairs of neighbours, as places in seats, that are joined: nowhere between
// them is it as dark as it is between others.
func bridges(f *discFitter, seats []seat, v sight) [][2]int {
	type pair struct {
		ends  [2]int
		level float64 // of the darkest place between the two
	}
	at := make(map[[2]int]int, len(seats))
	for i := range seats {
		at[[2]int{seats[i].row, seats[i].col}] = i
	}
	var pairs []pair
	var levels []float64
	for i := range seats {
		a := &seats[i]
		for _, next := range [2][2]int{{a.row, a.col + 1}, {a.row + 1, a.col}} {
			k, ok := at[next]
			if !ok || !a.found || !seats[k].found {
				continue
			}
			l := f.darkestBetween(&a.d, &seats[k].d)
			pairs = append(pairs, pair{[2]int{i, k}, l})
			levels = append(levels, l)
		}
	}
	if len(pairs) < 4 {
		return nil
	}
	usual := median(levels)
	for i := range levels {
		levels[i] = math.Abs(levels[i] - usual)
	}
	limit := usual + max(bridgeStep*v.step, 8*1.4826*median(levels))
	var out [][2]int
	for _, p := range pairs {
		if p.level > limit {
			out = append(out, p.ends)
		}
	}
	return out
}

// bridgeStep is how much brighter than the usual gap a bridge is, as a share of a ball's fall of
// light across its edge.
const bridgeStep = 0.7

// darkestBetween returns the level of the darkest place on the way from one ball to another, each
// place being the middle one of seven across the way: a bridge is bright all along and wider than
// a fibre.
func (f *discFitter) darkestBetween(a, b *disc) float64 {
	dx, dy := b.x-a.x, b.y-a.y
	l := math.Hypot(dx, dy)
	dx, dy = dx/l, dy/l
	from, to := a.r+2*f.sigma, l-b.r-2*f.sigma
	if to <= from {
		return math.Inf(1)
	}
	darkest := math.Inf(1)
	for t := from; t <= to; t++ {
		var across [7]float64
		for k := range across {
			w := 0.1 * (a.r + b.r) * float64(k-3) / 3
			across[k] = f.between(a.x+t*dx-w*dy, a.y+t*dy+w*dx)
		}
		sortFew(across[:])
		darkest = min(darkest, across[3])
	}
	return darkest
}
