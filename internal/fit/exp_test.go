package fit

import (
	"math"
	"testing"
)

// Against the standard library, over what exponents an edge's shadow can have.
func TestExp(t *testing.T) {
	for x := -60.0; x <= 60; x += 0.00731 {
		if got, want := exp(x), math.Exp(x); math.Abs(got/want-1) > 4e-11 {
			t.Fatalf("exp(%v) = %v, want %v", x, got, want)
		}
	}
}
