package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// GChart returns the chart of the counts of good units between one bad unit and the next (0 for
// two in a row), for events too rare for p and u charts. Centre is the mean ḡ, limits
// ḡ ± 3√(ḡ(ḡ+1)) cut at 0 (Kaminsky, Benneyan, Davis & Burke 1992, J. Qual. Technol. 24, 63–69).
// A long run without events lies high, and is good. The law is so skewed that the lower limit is
// nearly always 0 and zones mislead: [GeometricLimits] has limits of a chosen probability.
//
// A phase may state its centre; a stated sigma is refused. It returns an error for fewer than two
// counts, or one that is negative or not whole.
func GChart(between []float64, opt Options) (Chart, error) {
	fail := func(err error) (Chart, error) { return Chart{}, fmt.Errorf("g chart: %w", err) }
	if err := checkBetween(between); err != nil {
		return fail(err)
	}
	c := Chart{Statistic: "g", Rules: rulesOr(opt.Rules), Points: make([]Point, len(between))}
	if err := knownRules(c.Rules); err != nil {
		return fail(err)
	}
	width := opt.width()
	if !(width > 0) || math.IsInf(width, 0) {
		return fail(fmt.Errorf("limits at ± %v sigma: want a number above zero", width))
	}
	if opt.Robust {
		return fail(fmt.Errorf("no robust baseline: long gaps are part of the law, exclude what is known to be wrong"))
	}
	ss, err := stretches(len(between), opt.Phases)
	if err != nil {
		return fail(err)
	}
	for i, s := range ss {
		ph, err := meanGap(s, between)
		if err != nil {
			return fail(fmt.Errorf("phase %s: %w", phaseName(s.Phase, i), err))
		}
		l := nonNegative(ph.Center, ph.Sigma, width)
		for j := s.Start; j < s.end; j++ {
			c.Points[j] = Point{Value: between[j], Limits: l, Index: j, Size: 1}
		}
		c.Phases = append(c.Phases, ph)
	}
	c.findHits()
	return c, nil
}

// meanGap learns centre and standard deviation of a geometric law from the baseline.
func meanGap(s stretch, between []float64) (PhaseLimits, error) {
	ph := PhaseLimits{Name: s.Name, From: s.Start, To: s.end, Source: "centre stated", Lag1P: 1}
	if s.Sigma != nil {
		return ph, fmt.Errorf("states a sigma, but the geometric law gives it: state the centre only")
	}
	if s.Center != nil {
		if ph.Center = *s.Center; ph.Center <= 0 {
			return ph, fmt.Errorf("states the centre %v: want a mean count above 0", ph.Center)
		}
	} else {
		for i := s.Baseline.From; i < s.Baseline.To; i++ {
			if s.used(i) {
				ph.Center += between[i]
				ph.Baseline++
			}
		}
		if ph.Baseline == 0 {
			return ph, fmt.Errorf("the baseline is empty: every count is excluded")
		}
		ph.Center /= float64(ph.Baseline)
		ph.Source = fmt.Sprintf("centre: mean of %d counts", ph.Baseline)
		if ph.Center == 0 {
			return ph, fmt.Errorf("every count of the baseline is 0: events aren't rare, use a p or u chart")
		}
	}
	ph.Sigma = math.Sqrt(ph.Center * (ph.Center + 1))
	return ph, nil
}

func checkBetween(between []float64) error {
	if err := needFinite("counts between events", between, 2); err != nil {
		return err
	}
	for i, v := range between {
		if v < 0 || v != math.Trunc(v) {
			return fmt.Errorf("count %d is %v, want a whole number of at least 0", i+1, v)
		}
	}
	return nil
}

// GeometricLimits returns limits for counts between events of the given mean such that each side
// is crossed with a probability of at most alpha/2: a count above the upper or below the lower one
// is outside, and a lower limit of 0 means that no count is small enough. Alpha 0 means 0.0027.
func GeometricLimits(mean, alpha float64) (Limits, error) {
	alpha, err := alphaOr3Sigma(alpha)
	if err == nil && !(mean > 0 && !math.IsInf(mean, 0)) {
		err = fmt.Errorf("mean is %v, want a finite number above 0", mean)
	}
	if err != nil {
		return Limits{}, fmt.Errorf("geometric limits: %w", err)
	}
	logQ := -math.Log1p(1 / mean) // ln(1−p) with p = 1/(mean+1)
	// P(X ≥ u) = (1−p)^u ≤ α/2; the tiny term keeps an exact integer from rounding up.
	up := math.Ceil(math.Log(alpha/2)/logQ - 1e-12)
	low := math.Ceil(math.Log1p(-alpha/2)/logQ - 1 + 1e-12) // first count with P(X ≤ c) > α/2
	return Limits{
		Center: math.Log(0.5)/logQ - 1, LCL: math.Max(0, low), UCL: up - 1,
		Sigma: math.Sqrt(mean * (mean + 1)),
	}, nil
}

// alphaOr3Sigma gives the false-alarm probability of three-sigma limits where none is chosen.
func alphaOr3Sigma(alpha float64) (float64, error) {
	if alpha == 0 {
		return 0.0027, nil
	}
	return alpha, needProbability("alpha", alpha)
}

// TChart returns the charts of times between events: y = t^(1/3.6), which makes exponential times
// nearly normal (Nelson 1994, J. Qual. Technol. 26, 239–243), above its moving range. Limits go
// back to times by [TimeOf]; [ExponentialLimits] has exact ones for the times themselves.
//
// Times must be above zero; otherwise as [Individuals], with centre and sigma of phases in y.
func TChart(times []float64, opt Options) ([]Chart, error) {
	if err := checkTimes(times); err != nil {
		return nil, fmt.Errorf("t chart: %w", err)
	}
	y := make([]Point, len(times))
	for i, t := range times {
		y[i] = Point{Value: math.Pow(t, 1/nelsonPower), Index: i, Size: 1}
	}
	charts, err := levelAndMovingRange(y, "t^(1/3.6)", opt)
	if err != nil {
		return nil, fmt.Errorf("t chart: %w", err)
	}
	return charts, nil
}

const nelsonPower = 3.6

// TimeOf turns a value or limit of [TChart] back into a time. A negative limit is no limit: 0.
func TimeOf(y float64) float64 { return math.Pow(math.Max(0, y), nelsonPower) }

// MeanTimeOf returns the mean of exponential times whose power has the given mean, the centre of
// [TChart]: E[t^(1/3.6)] = θ^(1/3.6)·Γ(1+1/3.6).
func MeanTimeOf(centre float64) float64 { return TimeOf(centre / math.Gamma(1+1/nelsonPower)) }

func checkTimes(times []float64) error {
	if err := needFinite("times between events", times, 2); err != nil {
		return err
	}
	for i, t := range times {
		if t <= 0 {
			return fmt.Errorf("time %d is %v, want it above 0", i+1, t)
		}
	}
	return nil
}

// ExponentialLimits returns limits for times between events of the given mean, crossed with
// probability alpha/2 on each side; the centre is the median. Alpha 0 means 0.0027.
func ExponentialLimits(mean, alpha float64) (Limits, error) {
	alpha, err := alphaOr3Sigma(alpha)
	if err == nil && !(mean > 0 && !math.IsInf(mean, 0)) {
		err = fmt.Errorf("mean is %v, want a finite number above 0", mean)
	}
	if err != nil {
		return Limits{}, fmt.Errorf("exponential limits: %w", err)
	}
	return Limits{Center: mean * math.Ln2, LCL: -mean * math.Log1p(-alpha/2), UCL: -mean * math.Log(alpha/2), Sigma: mean}, nil
}

// normalQuantile returns Φ⁻¹(p), with p = 0 and 1 at the infinities.
func normalQuantile(p float64) float64 {
	switch {
	case p <= 0:
		return math.Inf(-1)
	case p >= 1:
		return math.Inf(1)
	}
	return distuv.UnitNormal.Quantile(p)
}
