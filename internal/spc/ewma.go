package spc

import (
	"fmt"
	"math"
)

// An EWMA is a chart of the exponentially weighted moving average zᵢ = λxᵢ + (1−λ)zᵢ₋₁, z₀ = centre
// (Roberts 1959, Technometrics 1, 239–250). It sees small lasting moves of the level sooner than
// single points do.
type EWMA struct {
	Lambda float64 // weight of the newest value, above 0 up to 1; 0 means 0.2
	Width  float64 // L: limits at ± L standard deviations of z; 0 means 3
	// Steady keeps the limits at their final width L·σ√(λ/(2−λ)) from the first point on. Otherwise
	// they open with the variance of zᵢ, σ²λ/(2−λ)·(1−(1−λ)²ⁱ), which sees an early move sooner.
	Steady bool
}

func (e EWMA) filled() (EWMA, error) {
	if e.Lambda == 0 {
		e.Lambda = 0.2
	}
	if e.Width == 0 {
		e.Width = 3
	}
	if !(e.Lambda > 0 && e.Lambda <= 1) {
		return e, fmt.Errorf("EWMA: lambda %v: want a number above 0, up to 1", e.Lambda)
	}
	if !(e.Width > 0) || math.IsInf(e.Width, 0) {
		return e, fmt.Errorf("EWMA: limits at ± %v sigma: want a number above zero", e.Width)
	}
	return e, nil
}

// sigmaAfter gives the standard deviation of z in units of σ, i points after the start.
func (e EWMA) sigmaAfter(i int) float64 {
	v := e.Lambda / (2 - e.Lambda)
	if !e.Steady {
		v *= -math.Expm1(2 * float64(i) * math.Log1p(-e.Lambda))
	}
	return math.Sqrt(v)
}

// Chart plots z for values in time order; it starts anew from the centre with every phase. Centre
// and σ come from the values as in [Individuals]; for subgroups give their means (with σ/√n stated
// if it is known better from within). Options.Width must be left zero, rules other than points
// beyond the limits are refused, because neighbouring z share most of their values.
func (e EWMA) Chart(x []float64, opt Options) (Chart, error) {
	e, err := e.filled()
	if err != nil {
		return Chart{}, err
	}
	c := Chart{Statistic: "EWMA", meaning: "the level has moved and stayed there; the average shows about where it is now"}
	err = c.cumulate(x, opt, func(ph PhaseLimits) func(float64) (float64, Limits) {
		z, i := ph.Center, 0
		return func(v float64) (float64, Limits) {
			i++
			z += e.Lambda * (v - z)
			return z, symmetric(ph.Center, ph.Sigma*e.sigmaAfter(i), e.Width)
		}
	})
	if err != nil {
		return Chart{}, fmt.Errorf("EWMA chart: %w", err)
	}
	return c, nil
}

// cumulate charts a statistic that carries memory from value to value and is started anew, by
// start, at each phase. Rules are limited to points beyond the limits.
func (c *Chart) cumulate(x []float64, opt Options, start func(PhaseLimits) func(float64) (float64, Limits)) error {
	if opt.Width != 0 {
		return fmt.Errorf("the width of the limits is the scheme's: leave Options.Width zero")
	}
	c.Rules = rulesOr(opt.Rules)
	if err := onlyLimits(c.Statistic, c.Rules); err != nil {
		return err
	}
	opt.Rules, opt.SpreadRules = []Rule{}, []Rule{}
	level, err := Individuals(x, opt)
	if err != nil {
		return err
	}
	c.Phases, c.Warnings, c.Points = level[0].Phases, level[0].Warnings, level[0].Points
	for _, ph := range c.Phases {
		next := start(ph)
		for i := ph.From; i < ph.To; i++ {
			p := &c.Points[i]
			p.Value, p.Limits = next(p.Value)
		}
	}
	c.findHits()
	return nil
}
