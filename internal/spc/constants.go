package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// Constants are the factors of control charts for subgroups of N independent normal values, with
// limits three standard deviations from the centre. Names are those of the published tables
// (ASTM MNL 7), except that Go has no lower case for them: D2 and D3 here are d2 and d3, the mean
// and standard deviation of the range, and the limit factors D1 to D4 carry Range before them.
type Constants struct {
	N int

	D2          float64 // d2, mean of the range in σ
	D3          float64 // d3, standard deviation of the range in σ
	MedianRange float64 // d4, median of the range in σ
	C4          float64 // c4, mean of the standard deviation in σ
	C5          float64 // c5 = √(1−c4²), standard deviation of the standard deviation in σ
	MedianSD    float64 // median of the standard deviation in σ

	A, A2, A3      float64 // limits of means from σ, R̄, s̄
	B3, B4, B5, B6 float64 // limits of s from s̄ (B3, B4) and from σ (B5, B6)
	E2, E3         float64 // limits of individual values from R̄, s̄

	RangeD1, RangeD2, RangeD3, RangeD4 float64 // limits of R from σ (D1, D2) and from R̄ (D3, D4)
}

// ConstantsFor computes the factors for subgroups of n, from their definitions and not from a
// table. It costs a few milliseconds and returns an error when n is below two.
func ConstantsFor(n int) (Constants, error) {
	if n < 2 {
		return Constants{}, fmt.Errorf("control chart constants: want a subgroup size of at least 2, got %d", n)
	}
	c := Constants{N: n, D2: D2(n), D3: D3(n), C4: C4(n), MedianRange: medianRange(n), MedianSD: medianSD(n)}
	c.C5 = sdOfSD(c.C4)
	root := math.Sqrt(float64(n))
	c.A, c.A2, c.A3 = 3/root, 3/(c.D2*root), 3/(c.C4*root)
	c.B5, c.B6 = math.Max(0, c.C4-3*c.C5), c.C4+3*c.C5
	c.B3, c.B4 = c.B5/c.C4, c.B6/c.C4
	c.E2, c.E3 = 3/c.D2, 3/c.C4
	c.RangeD1, c.RangeD2 = math.Max(0, c.D2-3*c.D3), c.D2+3*c.D3
	c.RangeD3, c.RangeD4 = c.RangeD1/c.D2, c.RangeD2/c.D2
	return c, nil
}

// C4 returns c4(n) = √(2/(n−1))·Γ(n/2)/Γ((n−1)/2), the mean of the standard deviation of n
// independent normal values in units of σ. It is NaN when n is below two.
func C4(n int) float64 {
	if n < 2 {
		return math.NaN()
	}
	nu := float64(n - 1)
	if nu > 200 { // the gamma functions would cost digits; the series is exact to 1e-15 here
		v := 1 / nu
		return 1 + v*(-1./4+v*(1./32+v*(5./128+v*(-21./2048+v*(-399./8192)))))
	}
	a, _ := math.Lgamma((nu + 1) / 2)
	b, _ := math.Lgamma(nu / 2)
	return math.Sqrt(2/nu) * math.Exp(a-b)
}

// sdOfSD returns c5 = √(1−c4²).
func sdOfSD(c4 float64) float64 { return math.Sqrt((1 - c4) * (1 + c4)) }

// D2 returns d2(n) = ∫(1 − Φⁿ − (1−Φ)ⁿ)dx, the mean range of n independent normal values in
// units of σ (Tippett 1925, Biometrika 17, 364–387). It is NaN when n is below two.
func D2(n int) float64 {
	if n < 2 {
		return math.NaN()
	}
	// The integrand is entire and dies faster than any exponential: the trapezoidal rule
	// converges geometrically.
	const step, far = 1. / 32, 12.
	sum := 0.5 * beyondEither(0, n)
	for i := 1; i <= far/step; i++ {
		sum += beyondEither(float64(i)*step, n)
	}
	return 2 * step * sum
}

// beyondEither returns 1 − Φ(x)ⁿ − (1−Φ(x))ⁿ.
func beyondEither(x float64, n int) float64 {
	q := upperTail(x)
	return -math.Expm1(float64(n)*math.Log1p(-q)) - math.Pow(q, float64(n))
}

// D3 returns d3(n), the standard deviation of the range of n independent normal values in units
// of σ, from E(R²) = 2∫r(1−W(r))dr with W the distribution of the range. It is NaN when n is
// below two.
func D3(n int) float64 {
	if n < 2 {
		return math.NaN()
	}
	const nodes, far = 56, 18.
	square := 2 * quad.Fixed(func(r float64) float64 { return r * (1 - rangeCDF(r, n)) }, 0, far, nodes, quad.Legendre{}, 0)
	d2 := D2(n)
	return math.Sqrt(square - d2*d2)
}

// rangeCDF returns the probability that n standard normal values span no more than r:
// n∫φ(m−r/2)(Φ(m+r/2)−Φ(m−r/2))ⁿ⁻¹dm, folded at m = 0 by symmetry.
func rangeCDF(r float64, n int) float64 {
	const step = 1. / 8
	var sum float64
	for i := 0; ; i++ {
		m := float64(i) * step
		lo, hi := m-r/2, m+r/2
		if lo > 9 { // φ(9) is 1e-18
			break
		}
		inside := upperTail(lo) - upperTail(hi)
		term := (normalDensity(lo) + normalDensity(hi)) * math.Pow(inside, float64(n-1))
		if i == 0 {
			term /= 2
		}
		sum += term
	}
	return math.Min(1, float64(n)*step*sum)
}

// medianRange returns the median of the range of n standard normal values.
func medianRange(n int) float64 {
	lo, hi := 0., 20.
	for range 60 {
		mid := (lo + hi) / 2
		if rangeCDF(mid, n) < 0.5 {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// medianSD returns the median of the standard deviation of n standard normal values,
// √(χ²₀.₅(n−1)/(n−1)).
func medianSD(n int) float64 {
	nu := float64(n - 1)
	return math.Sqrt(distuv.ChiSquared{K: nu}.Quantile(0.5) / nu)
}

// upperTail returns 1 − Φ(x) without losing digits in the tail.
func upperTail(x float64) float64 { return math.Erfc(x/math.Sqrt2) / 2 }

// normalDensity returns φ(x).
func normalDensity(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
