package fit

// A relaxation shortens steps that swing about their goal. Weights and levels follow the place of an
// edge a step late: it overshoots, and without this some fits swing for ever. It is Aitken's, for
// vectors: Irons & Tuck, International Journal for Numerical Methods in Engineering 1 (1969) 275.
type relaxation struct {
	by   float64
	x, y float64 // the step before, in full
}

const leastRelaxed = 0.2

// next returns the share of a full step to take.
func (r *relaxation) next(x, y float64) float64 {
	dx, dy := r.x-x, r.y-y
	falls := r.x*dx + r.y*dy // not where steps grow: the goal lies farther on
	switch {
	case r.by == 0:
		r.by = 1
	case falls > 0:
		r.by = min(max(r.by*falls/(dx*dx+dy*dy), leastRelaxed), 2*r.by, 1)
	default:
		r.by = min(2*r.by, 1)
	}
	r.x, r.y = x, y
	return r.by
}
