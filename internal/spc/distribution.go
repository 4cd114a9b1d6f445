package spc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Family is a kind of distribution that measured values follow.
type Family string

const (
	Normal       Family = "normal"
	Lognormal    Family = "lognormal"     // ln x is normal
	Weibull      Family = "weibull"       // skewed, from 0
	Gamma        Family = "gamma"         // skewed, from 0
	Rayleigh     Family = "rayleigh"      // distance from centre, both coordinates alike and centred
	FoldedNormal Family = "folded normal" // absolute value of a normal variable
	Exponential  Family = "exponential"   // times between events
	PowerNormal  Family = "power normal"  // a power of x, of [FitBoxCox], is normal
)

// Families lists every family, the normal one first.
func Families() []Family {
	return []Family{Normal, Lognormal, Weibull, Gamma, Rayleigh, FoldedNormal, Exponential, PowerNormal}
}

// positive reports whether the family lives above zero, so that a zero can't be fitted either.
func (f Family) positive() bool {
	return f == Lognormal || f == Weibull || f == Gamma || f == PowerNormal
}

// A Distribution is a member of a family.
type Distribution struct {
	Family Family
	// Location is the mean of a normal, of the logarithm of a lognormal, and of the normal behind
	// a folded one; of (x^Shape−1)/Shape for a power normal. Other families have none.
	Location float64
	// Scale is the standard deviation that goes with Location; the scale of a Weibull, gamma,
	// Rayleigh; the mean of an exponential.
	Scale float64
	Shape float64 // of Weibull and gamma; the power of a power normal
}

func (d Distribution) normal() distuv.Normal { return distuv.Normal{Mu: d.Location, Sigma: d.Scale} }
func (d Distribution) gamma() distuv.Gamma   { return distuv.Gamma{Alpha: d.Shape, Beta: 1 / d.Scale} }

// CDF returns the probability of a value of at most x.
func (d Distribution) CDF(x float64) float64 {
	if d.Family == Normal {
		return upperTail((d.Location - x) / d.Scale)
	}
	if x <= 0 {
		return 0
	}
	switch d.Family {
	case Lognormal:
		return upperTail((d.Location - math.Log(x)) / d.Scale)
	case PowerNormal:
		return upperTail((d.Location - BoxCoxOf(x, d.Shape)) / d.Scale)
	case Gamma:
		return mathext.GammaIncReg(d.Shape, x/d.Scale)
	case FoldedNormal:
		a, b := (x-d.Location)/d.Scale, (x+d.Location)/d.Scale
		return (math.Erf(a/math.Sqrt2) + math.Erf(b/math.Sqrt2)) / 2
	}
	return -math.Expm1(d.logSurvival(x))
}

// Survival returns the probability of a value above x, with full relative accuracy in the tail.
func (d Distribution) Survival(x float64) float64 {
	if d.Family == Normal {
		return upperTail((x - d.Location) / d.Scale)
	}
	if x <= 0 {
		return 1
	}
	switch d.Family {
	case Lognormal:
		return upperTail((math.Log(x) - d.Location) / d.Scale)
	case PowerNormal:
		return upperTail((BoxCoxOf(x, d.Shape) - d.Location) / d.Scale)
	case Gamma:
		return mathext.GammaIncRegComp(d.Shape, x/d.Scale)
	case FoldedNormal:
		return upperTail((x-d.Location)/d.Scale) + upperTail((x+d.Location)/d.Scale)
	}
	return math.Exp(d.logSurvival(x))
}

// logSurvival is that of the families with a closed form, for x > 0.
func (d Distribution) logSurvival(x float64) float64 {
	switch v := x / d.Scale; d.Family {
	case Weibull:
		return -math.Pow(v, d.Shape)
	case Rayleigh:
		return -v * v / 2
	case Exponential:
		return -v
	}
	return math.NaN()
}

// Quantile returns the value that is not exceeded with probability p, for 0 < p < 1.
func (d Distribution) Quantile(p float64) float64 {
	if !(p > 0 && p < 1) {
		return math.NaN()
	}
	switch d.Family {
	case Normal:
		return d.normal().Quantile(p)
	case Lognormal:
		return math.Exp(d.normal().Quantile(p))
	case PowerNormal:
		return powerOf(d.normal().Quantile(p), d.Shape)
	case Weibull:
		return d.Scale * math.Pow(-math.Log1p(-p), 1/d.Shape)
	case Rayleigh:
		return d.Scale * math.Sqrt(-2*math.Log1p(-p))
	case Exponential:
		return -d.Scale * math.Log1p(-p)
	case Gamma:
		return d.Scale * mathext.GammaIncRegInv(d.Shape, p)
	case FoldedNormal:
		// The upper tail has at most two tails of the normal behind it.
		top := math.Abs(d.Location) + d.Scale*(distuv.UnitNormal.Quantile(1-(1-p)/2)+1)
		return rootBetween(func(x float64) float64 { return d.CDF(x) - p }, 0, top)
	}
	return math.NaN()
}

// Density returns the probability density at x: 0 where the family has no values. At 0 that of some
// shapes is infinite.
func (d Distribution) Density(x float64) float64 {
	if x < 0 && d.Family != Normal || x == 0 && (d.Family == Lognormal || d.Family == PowerNormal) {
		return 0
	}
	return math.Exp(d.logDensity(x))
}

// logDensity is the logarithm of the probability density, for x inside the family's range.
func (d Distribution) logDensity(x float64) float64 {
	v := x / d.Scale
	switch d.Family {
	case Normal:
		return d.normal().LogProb(x)
	case Lognormal:
		return d.normal().LogProb(math.Log(x)) - math.Log(x)
	case PowerNormal:
		return d.normal().LogProb(BoxCoxOf(x, d.Shape)) + (d.Shape-1)*math.Log(x)
	case Weibull:
		return math.Log(d.Shape/d.Scale) + (d.Shape-1)*math.Log(v) - math.Pow(v, d.Shape)
	case Gamma:
		return d.gamma().LogProb(x)
	case Rayleigh:
		return math.Log(v/d.Scale) - v*v/2
	case Exponential:
		return -v - math.Log(d.Scale)
	case FoldedNormal:
		return d.normal().LogProb(x) + math.Log1p(math.Exp(-2*x*d.Location/(d.Scale*d.Scale)))
	}
	return math.NaN()
}

// draw fills x with random values.
func (d Distribution) draw(x []float64, rng *rand.Rand) {
	for i := range x {
		switch d.Family {
		case Normal:
			x[i] = d.Location + d.Scale*rng.NormFloat64()
		case Lognormal:
			x[i] = math.Exp(d.Location + d.Scale*rng.NormFloat64())
		case FoldedNormal:
			x[i] = math.Abs(d.Location + d.Scale*rng.NormFloat64())
		case Gamma:
			x[i] = distuv.Gamma{Alpha: d.Shape, Beta: 1 / d.Scale, Src: rng}.Rand()
		default:
			x[i] = d.Quantile(1 - rng.Float64()*(1-0x1p-53))
		}
	}
}

// A Fit is a distribution fitted to values and how well it describes them.
type Fit struct {
	Distribution
	N             int
	LogLikelihood float64
	AIC           float64 // 2·parameters − 2·LogLikelihood; among families fitted to the same values, smaller is better
	// AD is the Anderson–Darling statistic A², large where the tails don't fit. What is large
	// depends on the family: see [Nonnormal.FitP].
	AD float64
}

// FitDistribution fits a family to values by maximum likelihood (the spread of the normal, lognormal and
// power normal with divisor n−1). It returns an error for fewer than three values, for values that
// aren't finite or don't vary, and for negative values (or zeros, where the density has none) in
// families that live above zero.
func FitDistribution(x []float64, f Family) (Fit, error) {
	fail := func(err error) (Fit, error) { return Fit{}, fmt.Errorf("fit %s: %w", f, err) }
	if !slices.Contains(Families(), f) {
		return fail(fmt.Errorf("no such family, want one of %q", Families()))
	}
	if err := needFinite("values", x, 3); err != nil {
		return fail(err)
	}
	if slices.Min(x) == slices.Max(x) {
		return fail(fmt.Errorf("all %d values equal %v", len(x), x[0]))
	}
	for i, v := range x {
		if v < 0 && f != Normal || v == 0 && (f.positive() || f == Rayleigh) {
			return fail(fmt.Errorf("value %d of %d is %v, want it above 0", i+1, len(x), v))
		}
	}
	d := fitted(x, f)
	if !(d.Scale > 0) || math.IsInf(d.Scale, 0) || math.IsNaN(d.Shape) {
		return fail(fmt.Errorf("no member of the family describes the values (scale %v, shape %v)", d.Scale, d.Shape))
	}
	if math.IsInf(d.Quantile(0.99865), 0) {
		return fail(fmt.Errorf("the power %.3g would leave values without an end: too heavy a tail for this family", d.Shape))
	}
	r := Fit{Distribution: d, N: len(x), AD: andersonDarling(x, d)}
	for _, v := range x {
		r.LogLikelihood += d.logDensity(v)
	}
	parameters := 2.0
	switch f {
	case Rayleigh, Exponential:
		parameters = 1
	case PowerNormal:
		parameters = 3
	}
	r.AIC = 2*parameters - 2*r.LogLikelihood
	return r, nil
}

// BestFits fits every family that admits the values, best first by AIC. The order says which fits
// best, not that the best fits: test it with [AssessNonnormal].
func BestFits(x []float64) ([]Fit, error) {
	first, err := FitDistribution(x, Normal) // its errors are those of the values
	if err != nil {
		return nil, err
	}
	fits := []Fit{first}
	for _, f := range Families()[1:] {
		if r, err := FitDistribution(x, f); err == nil {
			fits = append(fits, r)
		}
	}
	slices.SortStableFunc(fits, func(a, b Fit) int {
		switch {
		case a.AIC < b.AIC:
			return -1
		case a.AIC > b.AIC:
			return 1
		}
		return 0
	})
	return fits, nil
}

// fitted solves the likelihood equations. The caller has checked the values.
func fitted(x []float64, f Family) Distribution {
	d := Distribution{Family: f}
	mean := stat.Mean(x, nil)
	switch f {
	case Normal:
		d.Location, d.Scale = stat.MeanStdDev(x, nil)
	case Lognormal:
		logs := make([]float64, len(x))
		for i, v := range x {
			logs[i] = math.Log(v)
		}
		d.Location, d.Scale = stat.MeanStdDev(logs, nil)
	case PowerNormal:
		b, err := FitBoxCox(x)
		if err != nil { // values that a bootstrap has drawn from the edge of the law
			d.Scale = math.NaN()
			break
		}
		y := make([]float64, len(x))
		for i, v := range x {
			y[i] = BoxCoxOf(v, b.Lambda)
		}
		d.Shape = b.Lambda
		d.Location, d.Scale = stat.MeanStdDev(y, nil)
	case Exponential:
		d.Scale = mean
	case Rayleigh:
		d.Scale = math.Sqrt(meanSquare(x) / 2)
	case Gamma:
		// ln k − ψ(k) = ln x̄ − mean ln x; the scale follows from the mean.
		s := math.Log(mean)
		for _, v := range x {
			s -= math.Log(v) / float64(len(x))
		}
		d.Shape = math.Exp(rootBetween(func(logK float64) float64 {
			return logK - mathext.Digamma(math.Exp(logK)) - s
		}, -12, 30))
		d.Scale = mean / d.Shape
	case Weibull:
		d.Shape, d.Scale = fitWeibull(x)
	case FoldedNormal:
		d.Location, d.Scale = fitFolded(x)
	}
	return d
}

func meanSquare(x []float64) float64 {
	var s float64
	for _, v := range x {
		s += v * v
	}
	return s / float64(len(x))
}

// fitWeibull solves Σxᵏ ln x/Σxᵏ − 1/k = mean ln x, whose left side rises with k. Values are taken
// relative to the largest, so that no power overflows.
func fitWeibull(x []float64) (shape, scale float64) {
	top := slices.Max(x)
	logs := make([]float64, len(x))
	var mean float64
	for i, v := range x {
		logs[i] = math.Log(v / top)
		mean += logs[i] / float64(len(x))
	}
	var sum float64
	excess := func(k float64) float64 {
		var weighted float64
		sum = 0
		for _, l := range logs {
			w := math.Exp(k * l)
			sum += w
			weighted += w * l
		}
		return weighted/sum - 1/k - mean
	}
	lo, hi := 1e-3, 1.0
	for excess(hi) < 0 && hi < 1e9 {
		lo, hi = hi, 2*hi
	}
	shape = rootBetween(excess, lo, hi)
	excess(shape)
	return shape, top * math.Pow(sum/float64(len(x)), 1/shape)
}

// fitFolded maximises the likelihood over the location μ ≥ 0, with σ² = mean x² − μ².
func fitFolded(x []float64) (location, scale float64) {
	ms := meanSquare(x)
	cost := func(mu float64) float64 {
		s2 := ms - mu*mu
		v := math.Log(s2) / 2
		for _, t := range x {
			u := t * mu / s2
			v -= (u - (ms+mu*mu)/(2*s2) + math.Log1p(math.Exp(-2*u))) / float64(len(x))
		}
		return v
	}
	top := math.Sqrt(ms) * (1 - 1e-9)
	location = minimumBetween(cost, 0, top)
	if cost(0) <= cost(location) {
		location = 0
	}
	return location, math.Sqrt(ms - location*location)
}

// andersonDarling returns A² = −n − Σ(2i−1)(ln F(xᵢ) + ln S(xₙ₊₁₋ᵢ))/n of the ordered values.
func andersonDarling(x []float64, d Distribution) float64 {
	s := slices.Sorted(slices.Values(x))
	n := len(s)
	var sum float64
	for i, v := range s {
		// A value that the law deems impossible would give minus infinity and drown the rest.
		sum += float64(2*i+1)*math.Log(math.Max(d.CDF(v), 0x1p-1000)) +
			float64(2*(n-i)-1)*math.Log(math.Max(d.Survival(v), 0x1p-1000))
	}
	return -float64(n) - sum/float64(n)
}
