package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// A BoundedDesign says what bounded adjustment of a drifting process costs. The drift is an
// integrated moving average: a new level each time, moved by λ times a shock of standard deviation
// σ (Box & Luceño 1997, chapters 6 and 7; Box & Jenkins 1963).
type BoundedDesign struct {
	Ratio    float64 // limit over λσ
	Interval float64 // average number of results between two adjustments
	// Inflation is G in: mean square deviation = σ²(1+λ²G). It is 0 for adjustment every time.
	Inflation float64
}

// SDIncrease returns by which fraction the standard deviation exceeds that of adjusting every time.
func (b BoundedDesign) SDIncrease(lambda float64) float64 {
	return math.Sqrt(1+lambda*lambda*b.Inflation) - 1
}

// DesignBounded computes interval and inflation of a limit, as a multiple of λσ: from the integral
// equation of a random walk of unit steps that starts anew at 0 when it leaves ±ratio, by
// Gauss–Legendre quadrature (Crowder 1992, as for the run length of a chart). Ratio must be above
// 0 and at most 40.
func DesignBounded(ratio float64) (BoundedDesign, error) {
	if !(ratio > 0 && ratio <= 40) {
		return BoundedDesign{}, fmt.Errorf("bounded adjustment: limit of %v λσ: want above 0 and at most 40", ratio)
	}
	x, w := gaussPanels(-ratio, ratio, 1+int(ratio/2))
	n := len(x)
	a := mat.NewDense(n, n, nil)
	rhs := mat.NewDense(n, 2, nil)
	for i := range x {
		for j := range x {
			a.Set(i, j, -normalDensity(x[j]-x[i])*w[j])
		}
		a.Set(i, i, 1+a.At(i, i))
		rhs.Set(i, 0, 1)
		rhs.Set(i, 1, x[i]*x[i])
	}
	var sol mat.Dense
	if err := sol.Solve(a, rhs); err != nil {
		return BoundedDesign{}, fmt.Errorf("bounded adjustment: limit of %v λσ: %w", ratio, err)
	}
	b := BoundedDesign{Ratio: ratio, Interval: 1}
	for j := range x {
		k := normalDensity(x[j]) * w[j]
		b.Interval += k * sol.At(j, 0)
		b.Inflation += k * sol.At(j, 1)
	}
	b.Inflation /= b.Interval
	return b, nil
}

// BoundedForIncrease returns the design whose standard deviation exceeds that of adjusting every time
// by the fraction given, for a drift of this λ: the widest limit at that price. Where even a limit of
// 40 λσ costs less, it is that one. λ must be above 0 and at most 1, the fraction above 0 and at most 1.
func BoundedForIncrease(lambda, increase float64) (BoundedDesign, error) {
	if !(lambda > 0 && lambda <= 1) || !(increase > 0 && increase <= 1) {
		return BoundedDesign{}, fmt.Errorf("bounded adjustment: lambda %v and increase %v: want both above 0 and at most 1", lambda, increase)
	}
	over := func(ratio float64) float64 {
		b, err := DesignBounded(ratio)
		if err != nil {
			return math.NaN()
		}
		return b.SDIncrease(lambda) - increase
	}
	const least, most = 1e-3, 40
	if over(most) <= 0 {
		return DesignBounded(most)
	}
	if over(least) >= 0 {
		return DesignBounded(least)
	}
	return DesignBounded(rootBetween(over, least, most))
}

// A Drift is an integrated moving average fitted to a series that nobody adjusted.
type Drift struct {
	Lambda float64 // share of each shock that stays; near 0 the process doesn't drift, and feedback only adds noise
	Sigma  float64 // standard deviation of the shocks: of one-step forecast errors
}

// FitDrift estimates λ by the least sum of squared one-step forecast errors of the exponentially
// weighted mean, which is the likelihood's maximum; the first forecast is fitted too. It needs
// eight values that vary, all finite.
func FitDrift(x []float64) (Drift, error) {
	if err := needFinite("drift", x, 8); err != nil {
		return Drift{}, err
	}
	mean, sd := stat.MeanStdDev(x, nil)
	if !(sd > 0) {
		return Drift{}, fmt.Errorf("drift: all %d values equal %v", len(x), mean)
	}
	// With first forecast c, the error at time t is what it is from the mean on, less (1−λ)ᵗ(c−mean):
	// the best c takes the projection on (1−λ)ᵗ out.
	errorsOf := func(lambda float64) float64 {
		f, w := mean, 1.0
		var ee, ew, ww float64
		for _, v := range x {
			e := v - f
			ee, ew, ww = ee+e*e, ew+e*w, ww+w*w
			f += lambda * e
			w *= 1 - lambda
		}
		return ee - ew*ew/ww
	}
	// The sum may have more than one minimum: look along a grid, then around the best.
	const steps = 50
	best := 0
	for i := range steps + 1 {
		if errorsOf(float64(i)/steps) < errorsOf(float64(best)/steps) {
			best = i
		}
	}
	lambda := minimumBetween(errorsOf, math.Max(0, float64(best-1)/steps), math.Min(1, float64(best+1)/steps))
	if errorsOf(0) <= errorsOf(lambda) {
		lambda = 0
	}
	return Drift{lambda, math.Sqrt(errorsOf(lambda) / float64(len(x)-2))}, nil
}
