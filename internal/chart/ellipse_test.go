package chart

import (
	"math"
	"math/rand/v2"
	"testing"
)

// F(0.95; 2, 10) = 4.103 and F(0.95; 2, 4) = 6.944 stand in every table of the F distribution (here
// from memory); S is chosen so that the half axes can be worked out by hand.
func TestEllipses(t *testing.T) {
	// Twelve points, four at each of three places on the x axis and four off it: S diagonal.
	x := []float64{-3, 3, -3, 3, -3, 3, 0, 0, 0, 0, 0, 0}
	y := []float64{0, 0, 0, 0, 0, 0, -2, 2, -2, 2, -2, 2}
	sxx, syy := 6*9.0/11, 6*4.0/11
	mean, next, ok := ellipses(x, y)
	if !ok {
		t.Fatal("no ellipses")
	}
	const n, f = 12, 4.103
	k := 2.0 * (n - 1) / (n * (n - 2)) * f
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"mean, x", math.Hypot(mean.ax, mean.ay), math.Sqrt(k * sxx)},
		{"mean, y", math.Hypot(mean.bx, mean.by), math.Sqrt(k * syy)},
		{"next, x", math.Hypot(next.ax, next.ay), math.Sqrt(k * (n + 1) * sxx)},
	} {
		if math.Abs(c.got/c.want-1) > 2e-4 {
			t.Errorf("%s: half axis %v, want %v", c.name, c.got, c.want)
		}
	}
	if _, _, ok := ellipses(x[:3], y[:3]); ok {
		t.Error("an ellipse of three points")
	}
	if _, _, ok := ellipses(x, x); ok {
		t.Error("an ellipse of points on a line")
	}
}

// Simulated, the ellipses must hold the true mean and the next point as often as they say.
func TestEllipsesCover(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 9))
	draw := func() (float64, float64) {
		a, b := r.NormFloat64(), r.NormFloat64()
		return 5 + 2*a, -1 + 1.5*a + b
	}
	inside := func(e ellipse, x, y float64) bool {
		u := ((x-e.mx)*e.ax + (y-e.my)*e.ay) / (e.ax*e.ax + e.ay*e.ay)
		v := ((x-e.mx)*e.bx + (y-e.my)*e.by) / (e.bx*e.bx + e.by*e.by)
		return u*u+v*v <= 1
	}
	const trials, n = 4000, 8
	var means, nexts int
	for range trials {
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i], y[i] = draw()
		}
		mean, next, ok := ellipses(x, y)
		if !ok {
			t.Fatal("no ellipses")
		}
		if inside(mean, 5, -1) {
			means++
		}
		if px, py := draw(); inside(next, px, py) {
			nexts++
		}
	}
	tolerance := 4 * math.Sqrt(0.95*0.05/trials)
	for name, got := range map[string]int{"true mean": means, "next point": nexts} {
		if share := float64(got) / trials; math.Abs(share-0.95) > tolerance {
			t.Errorf("the %s lies inside in %.2f %% of trials, want 95 ± %.1f", name, 100*share, 100*tolerance)
		}
	}
}
