package reading_test

import (
	"math"
	"testing"

	"plumbsquare/internal/reading"
)

// The first three are the examples of the Review of Particle Physics, introduction, section 5.3
// (from memory); the others apply its rule.
func TestPlusMinus(t *testing.T) {
	for _, c := range []struct {
		value, u float64
		want     string
	}{
		{0.827, 0.119, "0.83 ± 0.12"},
		{0.827, 0.367, "0.8 ± 0.4"},
		{0.827, 0.950, "0.8 ± 1.0"},
		{12.3417, 0.31, "12.34 ± 0.31"},
		{-12.3417, 0.31, "−12.34 ± 0.31"},
		{-0.001, 0.31, "0.00 ± 0.31"},
		{1234.5, 123, "1230 ± 120"},
		{1234.5, 478, "1200 ± 500"},
		{0.0123, 0.00042, "0.0123 ± 0.0004"},
		{5, 0, "5"},
		{math.NaN(), 1, "–"},
	} {
		if got := reading.PlusMinus(c.value, c.u); got != c.want {
			t.Errorf("PlusMinus(%v, %v) = %q, want %q", c.value, c.u, got, c.want)
		}
	}
}
