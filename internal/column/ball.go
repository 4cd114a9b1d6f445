package column

import (
	"cmp"
	"fmt"

	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/scope"
)

// Ball measures a picture of balls from above: where the widest section of each lies, its
// diameter, and which are missing, bridged or doubled. The warnings name the two ends of each
// bridge. put is how the sample was put under the scope, a multiple of 90° counter-clockwise as
// seen. Errors that are a *reading.Refusal say what the technician should change.
func Ball(g *picture.Gray, n picture.Noise, p *part.Part, s *scope.Scope, put geom.Angle) (*Result, error) {
	list, err := sites(p)
	if err != nil {
		return nil, err
	}
	pic := newShot(g, n, p, s, list, p.Array.EquatorMm)
	pic.put = put
	o, r, err := pic.datum()
	if err != nil {
		return nil, err
	}
	seats := pic.seats(o)
	pic.lead(o, seats)
	f := pic.newDiscFitter(o, seats)
	v := pic.findTips(f, o, seats)
	dropDoubles(seats, v)
	if err := cmp.Or(pic.judgeWay(f, o, seats, v), pic.judgeArray(f, o, seats, v)); err != nil {
		return nil, err
	}
	f.settle(pic, seats, f.mirror(pic, seats, v))
	offsets := pic.offsets(o, seats)
	if err := pic.judgePitch(o, seats, offsets); err != nil {
		return nil, err
	}
	r.Array = pic.columns(o, seats, offsets, footing{}, f)
	pairs := bridges(f, seats, v)
	for _, p := range pairs {
		r.Warnings = append(r.Warnings, fmt.Sprintf("balls %s and %s are bridged", seats[p[0]].name, seats[p[1]].name))
	}
	crowd(r.Array, pairs, doubles(pic, f, seats, pairs, v))
	return r, nil
}

// balls reports whether the array is one of balls.
func (pic *shot) balls() bool { return pic.part.Array.Kind == "balls" }

const (
	// leastGleam is the share of the usual gleam below which a disc is a bare pad: a ball mirrors
	// the lights, a pad doesn't.
	leastGleam = 0.4

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

// gleamPx is how many pixels in a radius are enough to see the reflections.
const gleamPx = 8.0

// gleam returns by how much the brightest fiftieth of a face exceeds its median.
func (f *discFitter) gleam(d *disc) float64 {
	r := 0.8 * d.r
	every := max(2, int(r/gleamPx))
	v := make([]float64, 0, int(r+1)*int(r+1))
	for y := max(0, int(d.y-r)); y <= min(f.g.H-1, int(d.y+r)); y += every {
		for x := max(0, int(d.x-r)); x <= min(f.g.W-1, int(d.x+r)); x += every {
			dx, dy := float64(x)-d.x, float64(y)-d.y
			if dx*dx+dy*dy < r*r {
				v = append(v, f.g.At(x, y))
			}
		}
	}
	if len(v) == 0 {
		return 0
	}
	high := len(v) * 49 / 50
	bright := fit.Nth(v, high)
	return bright - fit.Nth(v[:high+1], len(v)/2)
}
