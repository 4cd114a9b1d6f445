package spc

import (
	"math"
	"testing"
)

// Garwood's table of 95 and 99 % limits, as printed in Pearson & Hartley, Biometrika Tables for
// Statisticians, volume 1, table 40 (from memory), to its digits; and closed forms: none counted gives
// −ln(α/2) above, one gives −ln(1−α/2) below.
func TestPoissonInterval(t *testing.T) {
	for _, c := range []struct {
		x          int
		confidence float64
		low, high  float64
		within     float64
	}{
		{0, 0.95, 0, 3.69, 5e-3}, {1, 0.95, 0.0253, 5.57, 5e-3}, {2, 0.95, 0.242, 7.22, 5e-3}, {5, 0.95, 1.62, 11.67, 5e-3},
		{10, 0.95, 4.80, 18.39, 5e-3}, {20, 0.95, 12.22, 30.89, 5e-3}, {50, 0.95, 37.11, 65.92, 5e-3},
		{10, 0.99, 3.72, 21.40, 5e-3},
		{0, 0.9, 0, -math.Log(0.05), 1e-12}, {1, 0.9, -math.Log(0.95), 4.743865, 1e-6},
	} {
		iv, err := PoissonInterval(c.x, c.confidence)
		if err != nil {
			t.Fatal(err)
		}
		wantAbs(t, "low", iv.Low, c.low, c.within)
		wantAbs(t, "high", iv.High, c.high, c.within)
	}
	if big, err := PoissonInterval(1_000_000, 0); err != nil || math.Abs(big.High-1_000_000-1960) > 10 {
		t.Errorf("of a million: %v, %v", big, err)
	}
	for _, bad := range []struct {
		x          int
		confidence float64
	}{{-1, 0}, {3, 1}} {
		if _, err := PoissonInterval(bad.x, bad.confidence); err == nil {
			t.Errorf("%+v: want an error", bad)
		}
	}
}
