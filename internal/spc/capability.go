package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A WithinSigma says how the spread within subgroups is estimated.
type WithinSigma int

const (
	// WithinDefault is [WithinPooled] where subgroups hold two or more values and
	// [WithinMovingRange] where each holds one.
	WithinDefault WithinSigma = iota
	// WithinPooled is the root of the pooled variance, √(Σ(nᵢ−1)sᵢ²/Σ(nᵢ−1)), without c4.
	WithinPooled
	// WithinRange is the mean of Rᵢ/d2(nᵢ), weighted as on the [XbarR] chart: R̄/d2 for subgroups of
	// one size.
	WithinRange
	// WithinSD is the mean of sᵢ/c4(nᵢ), weighted as on the [XbarS] chart: s̄/c4 for subgroups of one
	// size.
	WithinSD
	// WithinMovingRange is MR̄/d2(2) of the single values in the order given.
	WithinMovingRange
)

// String names the estimator as the trade writes it.
func (w WithinSigma) String() string {
	switch w {
	case WithinPooled:
		return "pooled s"
	case WithinRange:
		return "R̄/d2"
	case WithinSD:
		return "s̄/c4"
	case WithinMovingRange:
		return "MR̄/d2"
	}
	return "default"
}

// CapabilityOptions refines [AssessCapability]. The zero value works.
type CapabilityOptions struct {
	Within     WithinSigma // estimator of the spread within subgroups
	Target     *float64    // where Cpm wants the mean; nil: the middle of a two-sided tolerance
	Confidence float64     // of intervals and bounds; 0 means 0.95
	Required   float64     // index asked for, such as 1.33; 0 judges none
}

// An IndexEstimate is a capability index and what its sample supports.
type IndexEstimate struct {
	Value     float64
	Low, High float64 // two-sided confidence interval
	AtLeast   float64 // one-sided lower confidence bound, at the same confidence
}

// Indices holds the capability indices that one estimate of spread gives. Names are those of the
// overall spread in ISO 22514-2 with P for C: P is Pp, Cp where the spread is that within
// subgroups. A nil index needs a limit (or a target) that the tolerance doesn't have.
type Indices struct {
	Sigma float64 // estimate of the standard deviation, in the values' unit
	// DF are the degrees of freedom behind Sigma: exact for the overall and the pooled one, for
	// the others those of a chi-square law with the same coefficient of variation.
	DF float64

	P *IndexEstimate // (U−L)/6σ; interval by the chi-square law
	// K is Ppk or Cpk: min(Upper, Lower). Interval after Bissell (1990), Appl. Statist. 39,
	// 331–340; where only one limit exists, exact by the noncentral t law.
	K     IndexEstimate
	Upper *IndexEstimate // (U−x̄)/3σ; exact by the noncentral t law
	Lower *IndexEstimate // (x̄−L)/3σ; exact by the noncentral t law
	// M is Cpm, (U−L)/(6√(σ²+(x̄−T)²)); overall spread only. Interval after Boyles (1991),
	// J. Qual. Technol. 23, 17–26.
	M *IndexEstimate

	// FractionBelow and FractionAbove are the parts of a normal law of this mean and spread
	// that lie outside the limits.
	FractionBelow, FractionAbove float64
}

// A Capability says how a process sits in its tolerance.
type Capability struct {
	N, Subgroups int
	Mean         float64
	Tolerance    Tolerance
	Confidence   float64
	OffCentre    float64     // |x̄ − middle|/half the tolerance; 0 for one-sided tolerances
	Overall      Indices     // Pp, Ppk, Cpm: all values as one set, s with divisor n−1
	Within       Indices     // Cp, Cpk: spread within subgroups, mean of all values
	Method       WithinSigma // the estimator behind Within

	Required float64 // as asked; 0 if none
	// NeededN is how many values would prove Required with Ppk as observed; 0 when none was
	// asked for or the observed Ppk doesn't exceed it, so that no number would.
	NeededN int
}

// AssessCapability computes the indices of subgroups, given in time order, against a tolerance.
// Subgroups may differ in size; for single values give subgroups of one (see [Singles]).
// The indices and their fractions assume a normal law: for anything else fit one with
// [FitDistribution] and use [Distribution.Capability].
//
// It returns an error for an unusable tolerance, an empty subgroup, a value that isn't finite,
// fewer than two values, or values that don't vary.
func AssessCapability(subgroups [][]float64, tol Tolerance, opt CapabilityOptions) (Capability, error) {
	fail := func(err error) (Capability, error) { return Capability{}, fmt.Errorf("capability: %w", err) }
	if err := tol.check(); err != nil {
		return fail(err)
	}
	conf, err := confidenceOr95("capability", opt.Confidence)
	if err != nil {
		return Capability{}, err
	}
	if opt.Required < 0 || math.IsNaN(opt.Required) || math.IsInf(opt.Required, 0) {
		return fail(fmt.Errorf("required index: want a positive number or 0, got %v", opt.Required))
	}
	all, err := flatten(subgroups)
	if err != nil {
		return fail(err)
	}
	mean, sd := stat.MeanStdDev(all, nil)
	if !(sd > 0) {
		return fail(fmt.Errorf("all %d values equal %v: without spread there is no index", len(all), mean))
	}
	method, within, df, err := withinSpread(subgroups, all, opt.Within)
	if err != nil {
		return fail(err)
	}
	c := Capability{
		N: len(all), Subgroups: len(subgroups), Mean: mean, Tolerance: tol, Confidence: conf,
		Overall:  indicesOf(mean, sd, float64(len(all)-1), len(all), tol, conf),
		Within:   indicesOf(mean, within, df, len(all), tol, conf),
		Method:   method,
		Required: opt.Required,
	}
	if tol.twoSided() {
		middle := tol.Lower + (tol.Upper-tol.Lower)/2
		c.OffCentre = math.Abs(mean-middle) / ((tol.Upper - tol.Lower) / 2)
		target := middle
		if opt.Target != nil {
			target = *opt.Target
		}
		if err := needFinite("target", []float64{target}, 1); err != nil {
			return fail(err)
		}
		c.Overall.M = taguchiIndex(len(all), mean, sd, target, tol, conf)
	}
	if opt.Required > 0 && c.Overall.K.Value > opt.Required {
		c.NeededN = ProvingSize(c.Overall.K.Value, opt.Required, conf)
	}
	return c, nil
}

// Singles makes a subgroup of each value.
func Singles(x []float64) [][]float64 {
	g := make([][]float64, len(x))
	for i := range x {
		g[i] = x[i : i+1 : i+1]
	}
	return g
}

// Summary says in one sentence what the sample proves: the Ppk, its interval, and, where an index
// was required, whether that is shown and how many values would show it.
func (c Capability) Summary() string {
	k := c.Overall.K
	s := fmt.Sprintf("Ppk %.2f from %d values; with %g %% confidence it lies between %.2f and %.2f",
		k.Value, c.N, 100*c.Confidence, k.Low, k.High)
	switch {
	case c.Required == 0:
		return s
	case k.AtLeast >= c.Required:
		return s + fmt.Sprintf(" and is at least %.2f: %.2f is shown", k.AtLeast, c.Required)
	case k.High < c.Required:
		return s + fmt.Sprintf(": %.2f is not reached", c.Required)
	case c.NeededN > 0:
		return s + fmt.Sprintf(": %.2f is not shown, at this Ppk that would take %d values", c.Required, c.NeededN)
	}
	return s + fmt.Sprintf(": %.2f is not shown, and at this Ppk no number of values would", c.Required)
}

// flatten joins subgroups and checks every value, naming the subgroup and value at fault.
func flatten(subgroups [][]float64) ([]float64, error) {
	var all []float64
	for i, g := range subgroups {
		if len(g) == 0 {
			return nil, fmt.Errorf("subgroup %d of %d is empty", i+1, len(subgroups))
		}
		if err := needFinite(fmt.Sprintf("subgroup %d", i+1), g, 1); err != nil {
			return nil, err
		}
		all = append(all, g...)
	}
	if len(all) < 2 {
		return nil, fmt.Errorf("want at least 2 values, got %d", len(all))
	}
	return all, nil
}

// withinSpread estimates the standard deviation within subgroups and its degrees of freedom.
func withinSpread(subgroups [][]float64, all []float64, w WithinSigma) (WithinSigma, float64, float64, error) {
	largest := 0
	for _, g := range subgroups {
		largest = max(largest, len(g))
	}
	if w == WithinDefault {
		if w = WithinPooled; largest < 2 {
			w = WithinMovingRange
		}
	}
	if largest < 2 && w != WithinMovingRange {
		return w, 0, 0, fmt.Errorf("%v needs subgroups of two or more values, all hold one: use the moving range", w)
	}
	var sigma, df float64
	switch w {
	case WithinMovingRange:
		sigma, df = movingRangeSpread(all)
	case WithinPooled:
		var ss float64
		for _, g := range subgroups {
			if len(g) > 1 {
				ss += stat.Variance(g, nil) * float64(len(g)-1)
				df += float64(len(g) - 1)
			}
		}
		sigma = math.Sqrt(ss / df)
	case WithinRange, WithinSD:
		var err error
		if sigma, df, err = meanSpread(subgroups, w); err != nil {
			return w, 0, 0, err
		}
	default:
		return w, 0, 0, fmt.Errorf("no estimator number %d of the spread within subgroups", int(w))
	}
	if !(sigma > 0) {
		return w, 0, 0, fmt.Errorf("values don't vary within subgroups (%v is zero): is the instrument's resolution too coarse?", w)
	}
	return w, sigma, df, nil
}

// meanSpread averages the unbiased estimates Rᵢ/d2(nᵢ) or sᵢ/c4(nᵢ) over subgroups of two or more,
// each weighted by the inverse of its variance, as the charts do.
func meanSpread(subgroups [][]float64, w WithinSigma) (sigma, df float64, err error) {
	kind, of := rangeSpread, rangeOf
	if w == WithinSD {
		kind, of = sdSpread, func(g []float64) float64 { return stat.StdDev(g, nil) }
	}
	f := kind.factors()
	var sum, weights float64
	for i, g := range subgroups {
		n := len(g)
		if n < 2 {
			continue
		}
		if w == WithinRange && n > maxRangeSubgroup {
			return 0, 0, fmt.Errorf("subgroup %d holds %d values: the range wastes most of them, use the standard deviation", i+1, n)
		}
		c := f.at(n)
		weight := c.mean * c.mean / (c.sd * c.sd) // the inverse square of the coefficient of variation
		sum += weight * of(g) / c.mean
		weights += weight
	}
	return sum / weights, effectiveDF(1 / weights), nil
}

// maxRangeSubgroup is where the range is so much poorer than s (efficiency below 0.7) that it is
// refused rather than used.
const maxRangeSubgroup = 25

// movingRangeSpread returns MR̄/d2(2). Neighbouring moving ranges share a value: their covariance
// (4/π)(√3/2 + π/12) − 4/π, from the mean product of the absolute values of two normal variables
// correlated −1/2, enters the coefficient of variation.
func movingRangeSpread(x []float64) (sigma, df float64) {
	var sum float64
	for i := 1; i < len(x); i++ {
		sum += math.Abs(x[i] - x[i-1])
	}
	m := float64(len(x) - 1)
	const d2squared = 4 / math.Pi
	cov := d2squared*(math.Sqrt(3)/2+math.Pi/12) - d2squared
	cv2 := (m*(2-d2squared) + 2*(m-1)*cov) / (m * m) / d2squared
	return sum / m / math.Sqrt(d2squared), effectiveDF(cv2)
}

// effectiveDF returns the degrees of freedom of the chi law (scaled to be unbiased) whose squared
// coefficient of variation is cv2, by Patnaik (1950), Biometrika 37, 78–87: ν = 1/(2(√(1+2cv²)−1)).
func effectiveDF(cv2 float64) float64 { return 1 / (2 * (math.Sqrt(1+2*cv2) - 1)) }

// indicesOf computes all indices that tol allows, of n values with the given mean.
func indicesOf(mean, sigma, df float64, n int, tol Tolerance, conf float64) Indices {
	r := Indices{Sigma: sigma, DF: df}
	if tol.hasUpper() {
		z := (tol.Upper - mean) / sigma
		r.Upper = oneSidedIndex(z/3, n, df, conf)
		r.FractionAbove = distuv.UnitNormal.CDF(-z)
	}
	if tol.hasLower() {
		z := (mean - tol.Lower) / sigma
		r.Lower = oneSidedIndex(z/3, n, df, conf)
		r.FractionBelow = distuv.UnitNormal.CDF(-z)
	}
	switch {
	case r.Lower == nil:
		r.K = *r.Upper
	case r.Upper == nil:
		r.K = *r.Lower
	default:
		r.P = potentialIndex((tol.Upper-tol.Lower)/(6*sigma), df, conf)
		r.K = bissellIndex(math.Min(r.Lower.Value, r.Upper.Value), n, df, conf)
	}
	return r
}
