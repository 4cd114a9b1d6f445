package column

import (
	"errors"
	"math"

	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
)

// What a part's array is measured from, beside its substrate's outline.
const (
	datumMarks = "marks"
	datumArray = "array"
)

// datum finds the drawing frame and begins the result. It is the outline's; where the part says
// so, its marks take the frame over, and the outline only tells blur and light. An array that is
// its own datum is found by the outline too: bestFit takes it from there.
func (pic *shot) datum() (*outline, *Result, error) {
	o, err := pic.outline()
	if pic.part.Array.Datum != datumMarks {
		if err != nil {
			return nil, nil, err
		}
		return o, &Result{BlurPx: o.blurPx(), Substrate: o.reading(pic.base)}, nil
	}
	var refusal *reading.Refusal
	if err != nil && !errors.As(err, &refusal) {
		return nil, nil, err
	}
	found, err := fiducial.Find(fit.Source{Gray: pic.g, Noise: pic.noise}, pic.part, pic.scope, pic.put)
	if err != nil {
		return nil, nil, err
	}
	r := &Result{Substrate: new(reading.Substrate), Warnings: found.Warnings}
	if o == nil { // the edges may well lie outside of the picture
		blur := found.Blur.Um() / pic.base.UmPerPx()
		o = &outline{sigmaPx: math.Sqrt(blur*blur + 1.0/12)}
	} else {
		r.Substrate = o.reading(pic.base)
	}
	o.pose, o.cov = found.Pose, found.Cov
	r.BlurPx = o.blurPx()
	plane := pic.scope.Plane(pic.g.W, pic.g.H, found.PlaneMm)
	at := plane.ToImage(o.pose.Origin)
	s := r.Substrate
	s.OriginXPx, s.OriginYPx = at.X, at.Y
	s.TurnDeg, s.UTurnDeg = o.pose.Turn.Deg(), geom.Angle(math.Sqrt(o.cov[2][2])).Deg()
	s.Scale, s.UScale = o.pose.Scale, math.Sqrt(o.cov[3][3])
	s.Marks = found.Read(plane)
	return o, r, nil
}

// quarter is how many quarter turns the sample was put under the scope, 0 to 3.
func (pic *shot) quarter() int { return quarters(pic.put) }

// A bestFit is the motion from the drawing to an array that is its own datum.
type bestFit struct {
	rigidFit
	vMean, vTurn float64 // variances per axis, µm² and rad²
}

// bestFit fits shift and turn to the tips or balls, those left out that lie astray; scale stays, so
// that an error of pitch remains in the offsets. Of parts with another datum it is nil.
func (pic *shot) bestFit(o *outline, seats []seat, offsets [][2]float64) *bestFit {
	if pic.part.Array.Datum != datumArray {
		return nil
	}
	use := found(seats)
	for range 3 {
		b := pic.rigid(o, seats, offsets, use)
		var far []float64
		for i := range seats {
			if use[i] {
				dx, dy := b.left(&seats[i], offsets[i])
				far = append(far, math.Hypot(dx, dy))
			}
		}
		limit := max(astraySigmas*median(far)/1.1774, 1) // the median of a length in the plane, in scatters per axis
		for i := range seats {
			dx, dy := b.left(&seats[i], offsets[i])
			use[i] = seats[i].found && math.Hypot(dx, dy) < limit
		}
	}
	out := &bestFit{rigidFit: pic.rigid(o, seats, offsets, use)}
	var n, rr, v float64
	for i := range seats {
		if s := &seats[i]; use[i] {
			n++
			rr += s.x*s.x + s.y*s.y
			v += (s.d.cov[0][0] + s.d.cov[1][1]) / 2 * s.d.umPx * s.d.umPx
		}
	}
	if n > 0 {
		out.vMean, out.vTurn = v/n/n, v/n/max(rr, 1)
	}
	return out
}

// astraySigmas is how many scatters per axis from the others a tip may lie and count for the fit.
const astraySigmas = 5.0

// left is what the fit leaves of an offset.
func (r *rigidFit) left(s *seat, offset [2]float64) (dx, dy float64) {
	return offset[0] - r.xUm + r.turn*s.y, offset[1] - r.yUm - r.turn*s.x
}

// placeVar is the variance per axis, µm², with which the array says where a site is.
func (b *bestFit) placeVar(o *outline, s *seat) float64 {
	return b.vMean + (s.x*s.x+s.y*s.y)*(b.vTurn+o.cov[3][3]/2)
}

func found(seats []seat) []bool {
	out := make([]bool, len(seats))
	for i := range seats {
		out[i] = seats[i].found
	}
	return out
}
