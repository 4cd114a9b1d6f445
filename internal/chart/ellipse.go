package chart

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// An ellipse is the set m + r·(cos t·a, sin t·b) for t from 0 to 2π, a and b at right angles.
type ellipse struct{ mx, my, ax, ay, bx, by float64 }

func (e ellipse) at(t float64) (x, y float64) {
	s, c := math.Sincos(t)
	return e.mx + c*e.ax + s*e.bx, e.my + c*e.ay + s*e.by
}

const ellipseConfidence = 0.95

// ellipses returns, for points of a bivariate normal law, the region that holds their true mean
// and the one that holds the next point, each with 95 % confidence: (x−m)ᵀS⁻¹(x−m) ≤ c with
// c = 2(n−1)/(n(n−2))·F and 2(n²−1)/(n(n−2))·F, F the 0.95 quantile of F(2, n−2) (Hotelling 1931,
// Ann. Math. Statist. 2, 360–378; Chew 1966, J. Am. Statist. Assoc. 61, 605–617). There is none
// for fewer than four points, or when they lie on a line.
func ellipses(x, y []float64) (mean, next ellipse, ok bool) {
	n := float64(len(x))
	if n < 4 {
		return mean, next, false
	}
	mx, my := stat.Mean(x, nil), stat.Mean(y, nil)
	sxx, syy, sxy := stat.Variance(x, nil), stat.Variance(y, nil), stat.Covariance(x, y, nil)
	// Principal axes of S.
	half, diff := (sxx+syy)/2, (sxx-syy)/2
	root := math.Hypot(diff, sxy)
	l1, l2 := half+root, half-root
	if !(l2 > 1e-12*l1) {
		return mean, next, false
	}
	angle := math.Atan2(sxy, diff) / 2
	s, c := math.Sincos(angle)
	f := distuv.F{D1: 2, D2: n - 2}.Quantile(ellipseConfidence)
	of := func(k float64) ellipse {
		r1, r2 := math.Sqrt(k*l1), math.Sqrt(k*l2)
		return ellipse{mx, my, r1 * c, r1 * s, -r2 * s, r2 * c}
	}
	return of(2 * (n - 1) / (n * (n - 2)) * f), of(2 * (n*n - 1) / (n * (n - 2)) * f), true
}
