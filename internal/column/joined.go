package column

import (
	"math"

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
	lobeStep   = 0.4 // share of a ball's fall of light by which what sticks out beside it exceeds the ground
	lobeSigmas = 4.0 // the same over noise
	lobeRays   = 4   // neighbouring directions of all that it fills at least, some 45°: a crumb fills fewer
)

// lobeAt are the radii, as shares of a ball's, at which a second ball is looked for beside it: one
// that counts reaches over all of them. beyondAt are radii at which it has ended.
var (
	lobeAt   = [...]float64{1.2, 1.3, 1.45}
	beyondAt = [...]float64{1.7, 1.78, 1.86}
)

// doubles returns the places in seats of balls with a second one beside them on the same pad: a
// lobe as bright as a ball sticks out where there is neither bridge nor bare pad.
func doubles(pic *shot, f *discFitter, seats []seat, bridged [][2]int, v sight) []int {
	lobes := make([][directions]bool, len(seats))
	for i := range seats {
		if s := &seats[i]; s.found && f.holds(s.d.x, s.d.y, 1.9*v.r+1) {
			lobes[i] = f.lobe(s, v.r, pic.padPx(), lobeStep*max(v.step, s.d.steps[directions/2]))
		}
	}
	// A bridge fills the eighths of the circle on both sides of the way to the other ball.
	for _, p := range bridged {
		for k, i := range p {
			a, b := &seats[i].d, &seats[p[1-k]].d
			dx, dy := b.x-a.x, b.y-a.y
			for n, ray := range rays {
				if dx*ray.x+dy*ray.y > math.Sqrt2/2*math.Hypot(dx, dy) {
					lobes[i][n] = false
				}
			}
		}
	}
	var out []int
	for i := range seats {
		if longestRun(&lobes[i]) >= lobeRays {
			out = append(out, i)
		}
	}
	return out
}

// padPx is the radius within which a bare pad may shine.
func (pic *shot) padPx() float64 { return 500*pic.part.Array.PadMm/pic.base.UmPerPx() + 2 }

// lobe reports in which directions something as large as a ball sticks out of one: what lies
// at lobeAt is brighter by step than the ground beyond it, and none of it is its own pad.
func (f *discFitter) lobe(s *seat, r, pad, step float64) (out [directions]bool) {
	for k := range out {
		at := func(share float64) (x, y float64) {
			rho := s.d.r + (share-1)*r
			return s.d.x + rho*rays[k].x, s.d.y + rho*rays[k].y
		}
		var beyond, mean float64
		for _, share := range beyondAt {
			beyond += f.between(at(share)) / float64(len(beyondAt))
		}
		out[k] = true
		for _, share := range lobeAt {
			x, y := at(share)
			level := f.between(x, y)
			mean += level / float64(len(lobeAt))
			if level < beyond+step/2 || math.Hypot(x-s.px, y-s.py) < pad {
				out[k] = false
				break
			}
		}
		noise := math.Sqrt(f.noise.Var(beyond) * (1.0/float64(len(lobeAt)) + 1.0/float64(len(beyondAt))))
		out[k] = out[k] && mean > beyond+max(step, lobeSigmas*noise)
	}
	return out
}

// longestRun returns how many neighbouring directions are set, all around.
func longestRun(v *[directions]bool) int {
	best, run := 0, 0
	for k := range 2 * directions {
		run++
		if !v[k%directions] {
			run = 0
		}
		best = max(best, min(run, directions))
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

// acrossShare is how far to both sides of the way a bridge is looked at, as a share of the balls'
// diameter: it fills more than half of that, a fibre doesn't.
const acrossShare = 0.18

// bridgePx is how far apart the places on the way are looked at, px: less than the blur.
const bridgePx = 2.0

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
	for t := from; t <= to; t += bridgePx {
		var across [7]float64
		for k := range across {
			w := acrossShare * (a.r + b.r) * float64(k-3) / 3
			across[k] = f.between(a.x+t*dx-w*dy, a.y+t*dy+w*dx)
		}
		sortFew(across[:])
		darkest = min(darkest, across[3])
	}
	return darkest
}
