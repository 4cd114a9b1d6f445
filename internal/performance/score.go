package performance

import (
	"math"
	"slices"
	"time"

	"plumbsquare/internal/geom"
)

// grossPx is from where on an error is called gross, px.
const grossPx = 1.0

// A Score is how one method did on one kind of pictures.
type Score struct {
	Method           string
	Wanted, Returned int // values
	Gross            int // errors beyond grossPx
	RMSPx, RMSFinePx float64
	WorstPx          float64
	CPU              time.Duration // median of a picture
}

// A tally gathers errors.
type tally struct {
	wanted int
	errors []float64 // px
	cpu    []time.Duration
}

func (t *tally) score(method string) Score {
	s := Score{Method: method, Wanted: t.wanted, Returned: len(t.errors), CPU: median(t.cpu)}
	var all, fine float64
	for _, e := range t.errors {
		all += e * e
		s.WorstPx = max(s.WorstPx, math.Abs(e))
		if math.Abs(e) > grossPx {
			s.Gross++
		} else {
			fine += e * e
		}
	}
	s.RMSPx = math.Sqrt(all / float64(s.Returned))
	s.RMSFinePx = math.Sqrt(fine / float64(s.Returned-s.Gross))
	return s
}

func median[T int64 | float64 | time.Duration](v []T) T {
	if len(v) == 0 {
		return 0
	}
	return slices.Sorted(slices.Values(v))[len(v)/2]
}

// A placeMethod finds named places of a picture.
type placeMethod struct {
	name string
	find func(*Picture) map[string]geom.ImagePoint
}

// places scores methods against true places, picture by picture and method by method in turn;
// an error is the distance.
func places(pics []*Picture, truth func(*Picture) map[string]geom.ImagePoint, methods []placeMethod) []Score {
	tallies := make([]tally, len(methods))
	for _, p := range pics {
		want := truth(p)
		for i, m := range methods {
			t := &tallies[i]
			var got map[string]geom.ImagePoint
			t.cpu = append(t.cpu, cpuOf(func() { got = m.find(p) }))
			t.wanted += len(want)
			for name, w := range want {
				if g, ok := got[name]; ok {
					t.errors = append(t.errors, math.Hypot(g.X-w.X, g.Y-w.Y))
				}
			}
		}
	}
	out := make([]Score, len(methods))
	for i, m := range methods {
		slices.Sort(tallies[i].errors) // the order of a map must not show in a sum
		out[i] = tallies[i].score(m.name)
	}
	return out
}

// An offsetMethod measures a die's offset; nil where it gives none.
type offsetMethod struct {
	name string
	find func(*Picture) *Offset
}

// offsets scores methods against true offsets: each of X, Y and θ is an error, θ as what it moves
// the die's corner by.
func offsets(pics []*Picture, methods []offsetMethod) []Score {
	tallies := make([]tally, len(methods))
	for _, p := range pics {
		um := p.Scope.Plane(p.Gray.W, p.Gray.H, p.Part.Die.TopMm).UmPerPx()
		for i, m := range methods {
			t := &tallies[i]
			var o *Offset
			t.cpu = append(t.cpu, cpuOf(func() { o = m.find(p) }))
			t.wanted += 3
			if o != nil {
				turn := (geom.Angle(o.ThetaDeg-p.Offset.ThetaDeg) * geom.Degree).Rad()
				t.errors = append(t.errors, (o.XUm-p.Offset.XUm)/um, (o.YUm-p.Offset.YUm)/um, turn*p.leverUm/um)
			}
		}
	}
	out := make([]Score, len(methods))
	for i, m := range methods {
		out[i] = tallies[i].score(m.name)
	}
	return out
}
