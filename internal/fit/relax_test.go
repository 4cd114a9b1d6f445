package fit

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// A full step that overshoots its goal by anything up to threefold swings ever farther when taken in
// full; relaxed it arrives.
func TestRelaxedStepsArrive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		gain := rapid.Float64Range(0.3, 3).Draw(t, "gain")
		x, y := rapid.Float64Range(-50, 50).Draw(t, "x"), rapid.Float64Range(-50, 50).Draw(t, "y")
		var r relaxation
		for range 40 {
			dx, dy := -gain*x, -gain*y
			by := r.next(dx, dy)
			if by < leastRelaxed || by > 1 {
				t.Fatalf("share %g of a step", by)
			}
			x, y = x+by*dx, y+by*dy
		}
		if far := math.Hypot(x, y); far > 1e-3 {
			t.Errorf("still %g from the goal at a gain of %g", far, gain)
		}
	})
}
