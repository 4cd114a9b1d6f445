package fit

import (
	"math"
	"slices"
)

// A likeness says how alike a parameter is from side to side.
type likeness struct {
	param    int
	spread   float64 // standard deviation
	relative bool    // to the value
}

// What the sides of one body under one light have in common: one plane is equally sharp, and
// its height over the ground makes the length and the shape of the shadow.
var alike = [...]likeness{
	{eBlur - eOwn, 0.03, true},
	{eReach - eOwn, 0.2, false},
	{eShape - eOwn, 0.2, false},
}

// Together fits once more the edges of one body seen under one light, each knowing the sharpness
// and the shadow of the others. A dark body's side over dark ground hardly shows where the shadow
// begins; what its other sides say of the shadow then tells where the side is. Edges that are nil
// or clean, and those that fail, stay as they are.
func Together(edges []*Edge) {
	before := slices.Clone(edges)
	for i, e := range before {
		if e == nil || e.model == nil {
			continue
		}
		others := slices.DeleteFunc(slices.Clone(before), func(o *Edge) bool { return o == nil || o == e || o.model == nil })
		if len(others) == 0 {
			return
		}
		m := *e.model
		for _, a := range alike {
			m.typical[a.param] = a.among(others)
		}
		if again, err := m.solve(0); err == nil {
			again.Offset, again.Slope = again.Line.In(m.from)
			edges[i] = again
		}
	}
}

// among returns what a parameter is by other edges: their mean, weighted by how well each knows it.
func (a likeness) among(edges []*Edge) prior {
	var w, sum float64
	for _, e := range edges {
		v, sd, spread := e.model.common[a.param], e.model.sds[a.param], a.spread
		if a.relative {
			spread *= v
		}
		wi := 1 / (sd*sd + spread*spread)
		w, sum = w+wi, sum+wi*v
	}
	mean, spread := sum/w, a.spread
	if a.relative {
		spread *= mean
	}
	return prior{mean, math.Sqrt(spread*spread + 1/w)}
}
