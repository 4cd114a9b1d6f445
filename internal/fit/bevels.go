package fit

import (
	"math"

	"plumbsquare/internal/geom"
)

// A Tie is what is known of two opposite sides: by how much together they lie outward of their
// lines, to a standard uncertainty.
type Tie struct {
	A, B    int
	Sum, Sd geom.Length
}

// Bevelled is what is known beforehand of all sides of a body.
type Bevelled struct {
	Ties         []Tie
	Blur, UBlur  geom.Length
	SameChamfer  geom.Length // how alike the widths of the sides' chamfers are, standard deviation
	SameBlurPart float64     // how alike their point spreads are, of the whole
}

const (
	jointStill    = 0.01 // px: each side is fitted once more
	bevelSettling = 4    // steps in which levels and beads, still far off, settle before edges move
)

// FitBevels fits all sides of a body from starts that belong together. Sides may be nil; so is
// what isn't seen.
//
// They are fitted together first, with one chamfer, one point spread and the distances between
// them that are known: a side whose chamfer hardly differs from face or glue would else be lost
// to what lies beside it. From there each side finds its own place; what is known of distances
// doesn't enter the result, so that a body of another size shows.
func FitBevels(sides [4]*Side, starts [4]BevelStart, known Bevelled) (bevels [4]*Bevel) {
	j := joint{known: known}
	for k, s := range sides {
		if s == nil || starts[k].Face == starts[k].Glue && starts[k].Bevel == starts[k].Ground {
			continue
		}
		j.sides[k] = newBevelModel(s.b, starts[k])
		j.blur, j.chamfer = known.Blur.Um(), starts[k].Chamfer.Um()
		j.um = s.b.um
	}
	if !j.fit() {
		return bevels
	}
	for k, m := range j.sides {
		if m == nil {
			continue
		}
		m.know(vBlur, j.blur, known.SameBlurPart*j.blur)
		m.know(vWidth, j.chamfer, math.Hypot(known.SameChamfer.Um(), j.uChamfer))
		if b, err := m.alone(); err == nil {
			bevels[k] = b
		}
	}
	return bevels
}

// A joint is the fit of all sides together. Its parameters are the sides' own common ones, side
// by side, with the two that all share at the end.
type joint struct {
	sides         [4]*bevelModel
	known         Bevelled
	blur, chamfer float64
	uChamfer      float64
	um            float64
}

const (
	jBlur    = 4 * vCommon
	jChamfer = jBlur + 1
	jParams  = jBlur + 2
)

// index returns where a side's common parameter stands.
func (j *joint) index(side, p int) int {
	switch p + vOwn {
	case vBlur:
		return jBlur
	case vWidth:
		return jChamfer
	}
	return side*vCommon + p
}

func (j *joint) fit() bool {
	blur0, chamfer0 := j.blur, j.chamfer
	uChamfer0 := 0.3*chamfer0 + 0.5*j.um
	for step := range 2 * bevelSteps {
		// Levels in DN stand beside places in µm, by the room's own elimination, which doesn't mind.
		var h [jParams * jParams]float64
		var d [jParams]float64
		add := func(a, b int, v float64) { h[min(a, b)*jParams+max(a, b)] += v }
		add(jBlur, jBlur, 1/(j.known.UBlur.Um()*j.known.UBlur.Um()))
		d[jBlur] = (blur0 - j.blur) / (j.known.UBlur.Um() * j.known.UBlur.Um())
		add(jChamfer, jChamfer, 1/(uChamfer0*uChamfer0))
		d[jChamfer] = (chamfer0 - j.chamfer) / (uChamfer0 * uChamfer0)
		for k, m := range j.sides {
			if m == nil {
				continue
			}
			m.common[vBlur-vOwn], m.common[vWidth-vOwn] = j.blur, j.chamfer
			m.linearise()
			mh, mg := m.total()
			for p := range vCommon {
				a := j.index(k, p)
				d[a] += mg[p]
				for q := p; q < vCommon; q++ {
					add(a, j.index(k, q), mh[p*vCommon+q])
				}
			}
		}
		for _, t := range j.known.Ties {
			if j.sides[t.A] == nil || j.sides[t.B] == nil {
				continue
			}
			a, b, w := t.A*vCommon, t.B*vCommon, 1/(t.Sd.Um()*t.Sd.Um())
			off := t.Sum.Um() - j.sides[t.A].common[0] - j.sides[t.B].common[0]
			d[a] += w * off
			d[b] += w * off
			add(a, a, w)
			add(b, b, w)
			add(a, b, w)
		}
		for i := range jParams {
			if h[i*jParams+i] == 0 {
				h[i*jParams+i] = 1 // what no side uses stays
			}
		}
		if step < bevelSettling {
			j.hold(&h, &d)
		}
		if !cholesky(h[:], jParams) {
			return false
		}
		choleskySolve(h[:], jParams, d[:])
		if !finite(d[:]) {
			return false
		}
		if j.take(&d) && step > bevelSettling {
			var unit [jParams]float64
			unit[jChamfer] = 1
			choleskySolve(h[:], jParams, unit[:])
			j.uChamfer = math.Sqrt(unit[jChamfer])
			return true
		}
	}
	return true
}

// hold lets only levels move.
func (j *joint) hold(h *[jParams * jParams]float64, g *[jParams]float64) {
	still := []int{jBlur, jChamfer}
	for k := range j.sides {
		still = append(still, k*vCommon+vPlace-vOwn, k*vCommon+vTurn-vOwn)
	}
	for _, p := range still {
		for q := range jParams {
			h[min(p, q)*jParams+max(p, q)] = 0
		}
		h[p*jParams+p], g[p] = 1, 0
	}
}

// take moves all sides and reports whether the step no longer mattered.
func (j *joint) take(d *[jParams]float64) bool {
	still := true
	blur := min(max(j.blur+d[jBlur], 0.8*j.blur, 0.35*j.um), 1.25*j.blur)
	chamfer := max(j.chamfer+min(max(d[jChamfer], -0.5*j.um), 0.5*j.um), 0)
	for k, m := range j.sides {
		if m == nil {
			continue
		}
		var own [vCommon]float64
		for p := range own {
			own[p] = d[j.index(k, p)]
		}
		own[vBlur-vOwn], own[vWidth-vOwn] = blur-j.blur, chamfer-j.chamfer
		m.take(&own)
		still = still && m.settled(&own, jointStill)
	}
	j.blur, j.chamfer = blur, chamfer
	return still
}
