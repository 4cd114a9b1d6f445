package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// An Interval is a closed range of a quantity that an estimate allows.
type Interval struct{ Low, High float64 }

// BinomialInterval returns the exact two-sided confidence interval of a probability from x events
// in n trials (Clopper & Pearson 1934, Biometrika 26, 404–413), which holds the true one at least
// that often. Confidence 0 means 0.95.
func BinomialInterval(x, n int, confidence float64) (Interval, error) {
	conf, err := checkBinomial(x, n, confidence)
	if err != nil {
		return Interval{}, err
	}
	a := (1 - conf) / 2
	return Interval{binomialLower(x, n, 1-a), binomialUpper(x, n, 1-a)}, nil
}

func checkBinomial(x, n int, confidence float64) (float64, error) {
	if n < 1 || x < 0 || x > n {
		return 0, fmt.Errorf("binomial interval: %d events in %d trials: want at least one trial and 0 to %d events", x, n, max(n, 0))
	}
	return confidenceOr95("binomial interval", confidence)
}

// binomialUpper is the exact one-sided upper bound of a probability.
func binomialUpper(x, n int, conf float64) float64 {
	if x == n {
		return 1
	}
	if x == 0 {
		return -math.Expm1(math.Log1p(-conf) / float64(n))
	}
	return betaQuantile(float64(x+1), float64(n-x), conf)
}

// binomialLower is the exact one-sided lower bound of a probability.
func binomialLower(x, n int, conf float64) float64 {
	if x == 0 {
		return 0
	}
	if x == n {
		return math.Pow(1-conf, 1/float64(n))
	}
	return betaQuantile(float64(x), float64(n-x+1), 1-conf)
}

// betaQuantile inverts the regularised incomplete beta function. The library's inverse leaves
// errors near 1e-8 where the quantile is tiny; a bracketed root in the logarithm doesn't.
func betaQuantile(a, b, p float64) float64 {
	f := func(logX float64) float64 { return mathext.RegIncBeta(a, b, math.Exp(logX)) - p }
	return math.Exp(rootBetween(f, -700, 0))
}

// binomialAtLeast returns P(X ≥ k) for n trials of probability p, with relative accuracy however
// small it is.
func binomialAtLeast(k, n int, p float64) float64 {
	switch {
	case k <= 0 || p >= 1 && k <= n:
		return 1
	case k > n || p <= 0:
		return 0
	}
	return mathext.RegIncBeta(float64(k), float64(n-k+1), p)
}

// binomialAtMost returns P(X ≤ k), with relative accuracy however small it is: by its terms where they
// are few and the first is a number, else by the incomplete beta function; it is small there only
// where p isn't, so that 1−p keeps its digits.
func binomialAtMost(k, n int, p float64) float64 {
	const fewTerms, leastLog = 100, -700
	if none := float64(n) * math.Log1p(-p); k >= 0 && k <= fewTerms && k < n && p < 1 && none > leastLog {
		term := math.Exp(none)
		sum := term
		for i := range k {
			term *= float64(n-i) / float64(i+1) * p / (1 - p)
			sum += term
		}
		return math.Min(1, sum)
	}
	if above := binomialAtLeast(k+1, n, p); above < 0.5 {
		return 1 - above
	}
	return binomialAtLeast(n-k, n, 1-p)
}
