package spc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// QuantileIndices are capability indices of a distribution that need not be normal, by its 0.135,
// 50 and 99.865 % points, which a normal law has at ±3σ (ISO 22514-2). A nil index needs a limit
// that the tolerance doesn't have.
type QuantileIndices struct {
	Low, Median, High            float64  // the three percentage points
	P                            *float64 // (U−L)/(High−Low)
	Upper                        *float64 // (U−Median)/(High−Median)
	Lower                        *float64 // (Median−L)/(Median−Low)
	K                            float64  // the smaller of Upper and Lower
	FractionBelow, FractionAbove float64  // parts of the distribution outside the limits
	// Equivalent is −Φ⁻¹(FractionBelow+FractionAbove)/3: the one-sided index that a normal law with
	// this fraction outside would have. It can differ much from K: say which one is reported.
	Equivalent float64
}

// Capability computes the quantile-based indices of the distribution against a tolerance.
func (d Distribution) Capability(tol Tolerance) (QuantileIndices, error) {
	if err := tol.check(); err != nil {
		return QuantileIndices{}, fmt.Errorf("capability: %w", err)
	}
	q := QuantileIndices{Low: d.Quantile(0.00135), Median: d.Quantile(0.5), High: d.Quantile(0.99865), K: math.Inf(1)}
	if !(q.Low < q.Median && q.Median < q.High) || math.IsInf(q.High, 0) {
		return q, fmt.Errorf("capability: the %s distribution has no spread (scale %v, shape %v)", d.Family, d.Scale, d.Shape)
	}
	if tol.hasUpper() {
		u := (tol.Upper - q.Median) / (q.High - q.Median)
		q.Upper, q.K, q.FractionAbove = &u, u, d.Survival(tol.Upper)
	}
	if tol.hasLower() {
		l := (q.Median - tol.Lower) / (q.Median - q.Low)
		q.Lower, q.K, q.FractionBelow = &l, math.Min(q.K, l), d.CDF(tol.Lower)
	}
	if tol.twoSided() {
		p := (tol.Upper - tol.Lower) / (q.High - q.Low)
		q.P = &p
	}
	q.Equivalent = -normalQuantile(q.FractionBelow+q.FractionAbove) / 3
	return q, nil
}

// NonnormalOptions refines [AssessNonnormal]. The zero value works.
type NonnormalOptions struct {
	Confidence float64 // of the interval; 0 means 0.95
	// Replicates of the parametric bootstrap; 0 means 999, fewer (at least 199) above 1000 values.
	Replicates int
}

// A Nonnormal is the capability of values that follow a fitted distribution.
type Nonnormal struct {
	Fit     Fit
	Indices QuantileIndices
	// FitP is the probability of a larger Anderson–Darling statistic if the values did follow the
	// family: small values say that they don't. Its resolution is 1/(Replicates+1). Values rounded
	// to few distinct ones look worse than they are.
	FitP       float64
	Confidence float64
	KLow       float64 // two-sided interval of Indices.K by the parametric bootstrap
	KHigh      float64
	KAtLeast   float64 // one-sided lower bound
	Replicates int
}

// AssessNonnormal fits a family to values, tests the fit and computes quantile-based indices with
// an interval. Test and interval come from one parametric bootstrap (Efron & Tibshirani 1993, An
// Introduction to the Bootstrap, chapters 13 and 16): samples of the fitted distribution, fitted
// again, show how far A² and the index stray by chance. The same rng state gives the same result.
func AssessNonnormal(x []float64, f Family, tol Tolerance, opt NonnormalOptions, rng *rand.Rand) (Nonnormal, error) {
	fail := func(err error) (Nonnormal, error) { return Nonnormal{}, fmt.Errorf("nonnormal capability: %w", err) }
	conf, err := confidenceOr95("nonnormal capability", opt.Confidence)
	if err != nil {
		return Nonnormal{}, err
	}
	fit, err := FitDistribution(x, f)
	if err != nil {
		return fail(err)
	}
	q, err := fit.Capability(tol)
	if err != nil {
		return fail(err)
	}
	b := opt.Replicates
	if b == 0 {
		b = min(999, max(199, 999*1000/len(x)))
	}
	if b < 99 {
		return fail(fmt.Errorf("%d replicates: want at least 99", b))
	}
	r := Nonnormal{Fit: fit, Indices: q, Confidence: conf, Replicates: b}
	sample := make([]float64, len(x))
	var ks []float64
	worse := 0
	for range b {
		fit.draw(sample, rng)
		again := fitted(sample, f)
		k, err := again.Capability(tol)
		if err != nil {
			continue // a replicate of a few alike values
		}
		if andersonDarling(sample, again) >= fit.AD {
			worse++
		}
		ks = append(ks, k.K)
	}
	if len(ks) < b*9/10 {
		return fail(fmt.Errorf("%d values are too few to tell how well they are fitted", len(x)))
	}
	slices.Sort(ks)
	r.FitP = float64(worse+1) / float64(len(ks)+1)
	at := func(p float64) float64 { return stat.Quantile(p, stat.LinInterp, ks, nil) }
	r.KLow, r.KHigh, r.KAtLeast = at((1-conf)/2), at(1-(1-conf)/2), at(1-conf)
	return r, nil
}

// A BoxCox is the power that makes positive values most nearly normal.
type BoxCox struct {
	Lambda        float64
	Low, High     float64 // 95 % interval by the likelihood ratio; powers in it do as well
	LogLikelihood float64 // at Lambda: (λ−1)Σln x − (n/2)ln(variance of the transformed values, divisor n)
}

// FitBoxCox finds the power by maximum likelihood over −5 ≤ λ ≤ 5 (Box & Cox 1964, J. R. Statist.
// Soc. B 26, 211–252). Values must be above zero and vary; at least three are needed.
func FitBoxCox(x []float64) (BoxCox, error) {
	if err := needFinite("Box–Cox", x, 3); err != nil {
		return BoxCox{}, err
	}
	logs := make([]float64, len(x))
	var sum float64
	for i, v := range x {
		if v <= 0 {
			return BoxCox{}, fmt.Errorf("Box–Cox: value %d of %d is %v, want it above 0", i+1, len(x), v)
		}
		logs[i] = math.Log(v)
		sum += logs[i]
	}
	if slices.Min(x) == slices.Max(x) {
		return BoxCox{}, fmt.Errorf("Box–Cox: all %d values equal %v", len(x), x[0])
	}
	n := float64(len(x))
	y := make([]float64, len(x))
	// In units of the geometric mean the variance neither overflows nor vanishes; the likelihood
	// changes by n times its logarithm only.
	centre := sum / n
	likelihood := func(lambda float64) float64 {
		for i, l := range logs {
			y[i] = boxCoxOfLog(l-centre, lambda)
		}
		return -n/2*math.Log(stat.Variance(y, nil)*(n-1)/n) - sum
	}
	const reach = 5
	best := minimumBetween(func(l float64) float64 { return -likelihood(l) }, -reach, reach)
	r := BoxCox{Lambda: best, Low: -reach, High: reach, LogLikelihood: likelihood(best)}
	drop := func(l float64) float64 {
		return r.LogLikelihood - likelihood(l) - distuv.ChiSquared{K: 1}.Quantile(0.95)/2
	}
	if drop(-reach) > 0 {
		r.Low = rootBetween(drop, -reach, best)
	}
	if drop(reach) > 0 {
		r.High = rootBetween(drop, best, reach)
	}
	return r, nil
}

// BoxCoxOf transforms a value, or a limit, above zero: (x^λ−1)/λ, and ln x for λ = 0. It keeps the
// order for every λ, so lower limits stay lower limits.
func BoxCoxOf(x, lambda float64) float64 { return boxCoxOfLog(math.Log(x), lambda) }

// powerOf takes [BoxCoxOf] back. What no value is sent to lies beyond the edge of the law: at 0 or infinity.
func powerOf(y, lambda float64) float64 {
	switch inside := 1 + lambda*y; {
	case lambda == 0:
		return math.Exp(y)
	case inside <= 0 && lambda > 0:
		return 0
	case inside <= 0:
		return math.Inf(1)
	}
	return math.Exp(math.Log1p(lambda*y) / lambda)
}

func boxCoxOfLog(logX, lambda float64) float64 {
	if lambda == 0 {
		return logX
	}
	return math.Expm1(lambda*logX) / lambda
}
