package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// rootBetween returns x in [a, b] with f(x) = 0 by Brent's method (Brent, Algorithms for
// Minimization without Derivatives, 1973, chapter 4). f must change its sign over the bracket;
// it returns NaN when it doesn't, so that callers can say what had no answer.
func rootBetween(f func(float64) float64, a, b float64) float64 {
	fa, fb := f(a), f(b)
	if fa == 0 {
		return a
	}
	if fb == 0 {
		return b
	}
	if math.IsNaN(fa) || math.IsNaN(fb) || (fa > 0) == (fb > 0) {
		return math.NaN()
	}
	c, fc := a, fa
	d := b - a
	e := d
	for range 200 {
		if (fb > 0) == (fc > 0) {
			c, fc = a, fa
			d = b - a
			e = d
		}
		if math.Abs(fc) < math.Abs(fb) {
			a, b, c = b, c, b
			fa, fb, fc = fb, fc, fb
		}
		tol := 2 * 0x1p-52 * math.Abs(b)
		m := (c - b) / 2
		if math.Abs(m) <= tol || fb == 0 {
			return b
		}
		if math.Abs(e) >= tol && math.Abs(fa) > math.Abs(fb) {
			var p, q float64
			s := fb / fa
			if a == c {
				p, q = 2*m*s, 1-s
			} else {
				q = fa / fc
				r := fb / fc
				p = s * (2*m*q*(q-r) - (b-a)*(r-1))
				q = (q - 1) * (r - 1) * (s - 1)
			}
			if p > 0 {
				q = -q
			} else {
				p = -p
			}
			if 2*p < math.Min(3*m*q-math.Abs(tol*q), math.Abs(e*q)) {
				e, d = d, p/q
			} else {
				d, e = m, m
			}
		} else {
			d, e = m, m
		}
		a, fa = b, fb
		if math.Abs(d) > tol {
			b += d
		} else {
			b += math.Copysign(tol, m)
		}
		fb = f(b)
	}
	return b
}

// minimumBetween returns where f is least in [a, b], for f with one minimum there, by
// golden-section search: it compares values only, so it resolves x to about the square root
// of the machine precision times the curvature's scale.
func minimumBetween(f func(float64) float64, a, b float64) float64 {
	const invPhi = 0.61803398874989484820
	x1, x2 := b-invPhi*(b-a), a+invPhi*(b-a)
	f1, f2 := f(x1), f(x2)
	for range 120 {
		if b-a <= 1e-10*(math.Abs(a)+math.Abs(b)) {
			break
		}
		if f1 <= f2 {
			b, x2, f2 = x2, x1, f1
			x1 = b - invPhi*(b-a)
			f1 = f(x1)
		} else {
			a, x1, f1 = x1, x2, f2
			x2 = a + invPhi*(b-a)
			f2 = f(x2)
		}
	}
	return (a + b) / 2
}

// gaussPanels returns the nodes and weights of Gauss–Legendre quadrature of order 24 in each of
// equal panels of [lo, hi], in ascending order.
func gaussPanels(lo, hi float64, panels int) (x, weight []float64) {
	const order = 24
	var node, w [order]float64
	quad.Legendre{}.FixedLocations(node[:], w[:], 0, 1)
	h := (hi - lo) / float64(panels)
	for i := range panels {
		a := lo + float64(i)*h
		for k := range order {
			x = append(x, a+h*node[k])
			weight = append(weight, h*w[k])
		}
	}
	return x, weight
}

// needFinite returns an error that names the first value that is NaN or infinite, counted from
// one as people count, or says that fewer than least values came.
func needFinite(what string, x []float64, least int) error {
	for i, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%s: value %d of %d is %v, want a finite number", what, i+1, len(x), v)
		}
	}
	if len(x) < least {
		return fmt.Errorf("%s: want at least %d values, got %d", what, least, len(x))
	}
	return nil
}

// needProbability returns an error unless 0 < p < 1.
func needProbability(what string, p float64) error {
	if !(p > 0 && p < 1) {
		return fmt.Errorf("%s: want a number between 0 and 1, both excluded, got %v", what, p)
	}
	return nil
}

// confidenceOr95 gives an option's confidence level, 0.95 where it was left zero.
func confidenceOr95(what string, confidence float64) (float64, error) {
	if confidence == 0 {
		return 0.95, nil
	}
	return confidence, needProbability(what+": confidence", confidence)
}
