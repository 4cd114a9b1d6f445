package column

import (
	"fmt"
	"math"
	"slices"

	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/scope"
)

// Ball measures a picture of balls from above: where the widest section of each lies, its
// diameter, and which are missing. Balls joined by a bridge are named in the warnings. Errors
// that are a *reading.Refusal say what the technician should change.
func Ball(g *picture.Gray, n picture.Noise, p *part.Part, s *scope.Scope) (*Result, error) {
	list, err := sites(p)
	if err != nil {
		return nil, err
	}
	pic := newShot(g, n, p, s, list, p.Array.EquatorMm)
	o, err := pic.outline()
	if err != nil {
		return nil, err
	}
	seats := pic.seats(o)
	f := pic.newDiscFitter(o, seats)
	v := pic.findTips(f, o, seats)
	dropDoubles(seats, v)
	if err := pic.judgeArray(f, o, seats, v); err != nil {
		return nil, err
	}
	f.centreOnGleams(pic, seats, v)
	r := &Result{BlurPx: o.blurPx(), Substrate: o.reading(pic.base)}
	r.Array = pic.columns(o, seats, pic.offsets(o, seats), footing{}, f)
	r.Warnings = bridges(f, seats, v)
	return r, nil
}

// balls reports whether the array is one of balls.
func (pic *shot) balls() bool { return pic.part.Array.Kind == "balls" }

const (
	// leastGleam is the share of the usual gleam below which a disc is a bare pad: a ball mirrors
	// the lights, a pad doesn't.
	leastGleam = 0.3

	// offStep is the share of the usual fall of light of a ball off its site: beside it the pad
	// that it left bare is as bright as the ball.
	offStep = 0.2
)

// findGleams measures the reflections in all balls found and what is usual.
func (pic *shot) findGleams(f *discFitter, seats []seat, v *sight) {
	var all []float64
	for i := range seats {
		s := &seats[i]
		if s.found {
			s.d.gleam = f.gleam(&s.d)
			if v.whole(&s.d) {
				all = append(all, s.d.gleam)
			}
		}
	}
	if len(all) > 0 {
		v.gleam = median(all)
	}
}

// gleam returns by how much the brightest fiftieth of a face exceeds its median.
func (f *discFitter) gleam(d *disc) float64 {
	r := 0.8 * d.r
	var v []float64
	for y := max(0, int(d.y-r)); y <= min(f.g.H-1, int(d.y+r)); y += 2 {
		for x := max(0, int(d.x-r)); x <= min(f.g.W-1, int(d.x+r)); x += 2 {
			dx, dy := float64(x)-d.x, float64(y)-d.y
			if dx*dx+dy*dy < r*r {
				v = append(v, f.g.At(x, y))
			}
		}
	}
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return v[len(v)*49/50] - v[len(v)/2]
}

// bridges names the pairs of neighbours that are joined: nowhere between them is it as dark as
// it is between others.
func bridges(f *discFitter, seats []seat, v sight) []string {
	type pair struct {
		a, b  *seat
		level float64 // of the darkest place between the two
	}
	at := make(map[[2]int]*seat, len(seats))
	for i := range seats {
		at[[2]int{seats[i].row, seats[i].col}] = &seats[i]
	}
	var pairs []pair
	var levels []float64
	for i := range seats {
		a := &seats[i]
		for _, next := range [2][2]int{{a.row, a.col + 1}, {a.row + 1, a.col}} {
			b := at[next]
			if b == nil || !a.found || !b.found {
				continue
			}
			l := f.darkestBetween(&a.d, &b.d)
			pairs = append(pairs, pair{a, b, l})
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
	var out []string
	for _, p := range pairs {
		if p.level > limit {
			out = append(out, fmt.Sprintf("balls %s and %s are bridged", p.a.name, p.b.name))
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
