package spc

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// potentialIndex gives Cp or Pp its interval: ν·(Ĉ/C)⁻² follows the chi-square law.
func potentialIndex(cp, df, conf float64) *IndexEstimate {
	chi := distuv.ChiSquared{K: df}
	at := func(p float64) float64 { return cp * math.Sqrt(chi.Quantile(p)/df) }
	a := 1 - conf
	return &IndexEstimate{Value: cp, Low: at(a / 2), High: at(1 - a/2), AtLeast: at(a)}
}

// bissellIndex gives Cpk or Ppk its approximate interval, Ĉ ± z√(1/9n + Ĉ²/2ν)
// (Bissell 1990, Appl. Statist. 39, 331–340).
func bissellIndex(k float64, n int, df, conf float64) IndexEstimate {
	se := math.Sqrt(1/(9*float64(n)) + k*k/(2*df))
	z2 := distuv.UnitNormal.Quantile(1 - (1-conf)/2)
	return IndexEstimate{Value: k, Low: k - z2*se, High: k + z2*se, AtLeast: k - distuv.UnitNormal.Quantile(conf)*se}
}

// oneSidedIndex gives an index with one limit its exact interval: 3√n·Ĉ follows the noncentral
// t law with ν degrees of freedom and noncentrality 3√n·C.
func oneSidedIndex(c float64, n int, df, conf float64) *IndexEstimate {
	a := 1 - conf
	return &IndexEstimate{
		Value: c, Low: indexBound(c, n, df, 1-a/2), High: indexBound(c, n, df, a/2),
		AtLeast: indexBound(c, n, df, conf),
	}
}

// indexBound returns the index C at which a smaller sample index than c has probability p.
func indexBound(c float64, n int, df, p float64) float64 {
	r := 3 * math.Sqrt(float64(n))
	z := math.Abs(distuv.UnitNormal.Quantile(p)) + 1
	step := z * (math.Sqrt(1/(9*float64(n))+c*c/(2*df)) + 1/r)
	cdf := noncentralT(r*c, df)
	f := func(x float64) float64 { return cdf(r*x) - p }
	lo, hi := c-step, c+step
	for range 60 { // few degrees of freedom: the bound is far from the normal guess
		if f(lo) > 0 {
			break
		}
		lo -= 2 * (c - lo)
	}
	for range 60 {
		if f(hi) < 0 {
			break
		}
		hi += 2 * (hi - c)
	}
	return rootBetween(f, lo, hi)
}

// noncentralT returns P(T ≤ t) for the noncentral t law as a function of its noncentrality δ: the
// mean of Φ(t·s − δ) over s = √(χ²ν/ν), by Gauss–Legendre quadrature in panels. The range is
// √ν·s = √ν ± 9, outside which less than e^−40 of the chi law lies. Series in incomplete beta
// functions lose digits where the noncentrality is large, as it is here.
func noncentralT(t, df float64) func(delta float64) float64 {
	root := math.Sqrt(df)
	lo, hi := math.Max(0, root-9)/root, (root+9)/root
	lg, _ := math.Lgamma(df / 2)
	logNorm := math.Ln2 + df/2*math.Log(df/2) - lg
	// Φ(t·s − δ) rises over a width of about 6/t, the chi density over less than the range.
	s, w := gaussPanels(lo, hi, 12+int(math.Min(2000, math.Abs(t)*(hi-lo)/6)))
	for i, v := range s {
		w[i] *= math.Exp(logNorm+(df-1)*math.Log(v)-df*v*v/2) / 2
	}
	return func(delta float64) float64 {
		var sum float64
		for i, v := range s {
			sum += w[i] * math.Erfc((delta-t*v)/math.Sqrt2)
		}
		return sum
	}
}

// taguchiIndex returns Cpm with its interval: with ξ = (x̄−T)/s, the chi-square law with
// ν = n(1+ξ²)²/(1+2ξ²) (Boyles 1991, J. Qual. Technol. 23, 17–26).
func taguchiIndex(n int, mean, sd, target float64, tol Tolerance, conf float64) *IndexEstimate {
	cpm := (tol.Upper - tol.Lower) / (6 * math.Hypot(sd, mean-target))
	xi2 := (mean - target) / sd * ((mean - target) / sd)
	return potentialIndex(cpm, float64(n)*(1+xi2)*(1+xi2)/(1+2*xi2), conf)
}

// ProvingSize returns how many values prove a required index with the given one-sided confidence
// when the index observed is as given: the smallest n whose lower bound after Bissell reaches
// required. It returns 0 when observed doesn't exceed required, for then no number does.
func ProvingSize(observed, required, confidence float64) int {
	if !(observed > required) || !(confidence > 0 && confidence < 1) || math.IsInf(observed, 0) {
		return 0
	}
	z := distuv.UnitNormal.Quantile(confidence)
	short := func(n float64) bool {
		return observed-z*math.Sqrt(1/(9*n)+observed*observed/(2*(n-1))) < required
	}
	lo, hi := 1.0, 2.0
	for short(hi) {
		if lo, hi = hi, 2*hi; hi > 1<<52 {
			return math.MaxInt
		}
	}
	for hi-lo > 1 {
		if mid := math.Floor((lo + hi) / 2); short(mid) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return int(hi)
}
