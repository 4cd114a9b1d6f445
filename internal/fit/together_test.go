package fit_test

import (
	"math"
	"testing"

	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/synth"
)

// sideLine returns side k of the block as it lies: +x, +y, -x, -y.
func sideLine(s *synth.Scene, k int) fit.Line {
	first := right(s)
	centre := geom.ScopePoint{X: geom.Length(s.FixtureXUm), Y: geom.Length(s.FixtureYUm)}
	sin, cos := math.Sincos(math.Pi / 2 * float64(k))
	dx, dy := float64(first.Mid.X-centre.X), float64(first.Mid.Y-centre.Y)
	return fit.Line{
		Mid: geom.ScopePoint{X: centre.X + geom.Length(cos*dx-sin*dy), Y: centre.Y + geom.Length(sin*dx+cos*dy)},
		Dir: first.Dir + geom.Angle(k)*90*geom.Degree,
	}
}

// The foot of the shadow is exactly as dark as the die, so that the level has no step at the side,
// only a bend: the hardest of sides. Each alone finds what there is to be found, if its fit is let settle;
// what the others say of the shadow must not lead it astray, and together they say no more than they know.
func TestSidesThatShareAShadow(t *testing.T) {
	const depth = 0.5
	var alone2, together2, stated2, n float64
	for i := range 10 {
		rng := seeded(700 + uint64(i))
		s := block(1.2, 60)
		s.Look.Die = s.Look.Substrate * (1 - depth)
		s.Dirt.ContactShadow = depth
		askew(s, rng)
		g := drawn(t, s, rng)
		src := fit.Source{Gray: g, Plane: s.Scope.Plane(g.W, g.H, 0), Noise: readNoise(s)}
		var edges []*fit.Edge
		for k := range 4 {
			w := window(1.2)
			w.BestOnly = true
			found, err := fit.FitEdges(src, sideLine(s, k), w)
			if err != nil {
				t.Fatalf("side %d: %v", k, err)
			}
			edges = append(edges, found[0])
		}
		place := func(k int) float64 {
			offset, _ := edges[k].Line.In(sideLine(s, k))
			return offset.Um() / umPerPx
		}
		// The middle between two sides is what an offset is made of.
		middle := func(k int) float64 { return (place(k) - place(k+2)) / 2 }
		for k := range 2 {
			alone2 += middle(k) * middle(k)
		}
		fit.Together(edges)
		for k := range 2 {
			together2 += middle(k) * middle(k)
			u2 := (edges[k].Cov[0][0] + edges[k+2].Cov[0][0]) / (4 * umPerPx * umPerPx)
			stated2 += middle(k) * middle(k) / u2
			n++
		}
	}
	t.Logf("middle of two sides: alone %.3f px, together %.3f px RMS, error/u %.2f", math.Sqrt(alone2/n), math.Sqrt(together2/n), math.Sqrt(stated2/n))
	// A fit that settles tells a side's place alone as well; that alone it was 0.33 px off came of
	// steps that swung.
	if together, alone := math.Sqrt(together2/n), math.Sqrt(alone2/n); max(together, alone) > 0.2 || together > 1.1*alone {
		t.Errorf("together %.3f px RMS, alone %.3f px", together, alone)
	}
	if r := math.Sqrt(stated2 / n); r > 1.05+3/math.Sqrt(2*n) {
		t.Errorf("errors are %.2f of what is stated", r)
	}
}
