package spc

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Contribution says what one variable has to do with a point's T².
type Contribution struct {
	Variable int // index of the variable
	Name     string
	// Deviation is that of the variable from its mean, in standard deviations of a single value.
	Deviation float64
	// Alone is the variable's own T², the square of its standardised deviation; large when the
	// variable is off by itself.
	Alone, AloneLimit float64
	// Given is what T² loses when the variable is left out, its T² given all others; large when the
	// variable doesn't fit what the others say.
	Given, GivenLimit float64
}

// Decompose splits T² of point i by variable (Mason, Tracy & Young 1995, Journal of Quality
// Technology 27, 99–108): Alone is their unconditional term Tⱼ² and Given the conditional term of
// variable j given all others, (S⁻¹d)ⱼ²/(S⁻¹)ⱼⱼ. Limits hold at the chart's alpha for a new vector.
// The largest Given comes first.
func (c *VectorChart) Decompose(i int) []Contribution {
	f, d := c.fits[c.phaseOf(i)], c.vectors[i]
	p := len(d)
	out := make([]Contribution, p)
	for j := range p {
		var row float64
		for k := range p {
			row += f.inverse.At(j, k) * d[k]
		}
		v := f.covariance.At(j, j)
		out[j] = Contribution{
			Variable:   j,
			Name:       c.Names[j],
			Deviation:  d[j] / math.Sqrt(v),
			Alone:      c.factor[i] * d[j] * d[j] / v,
			AloneLimit: c.termLimit(f, i, 0),
			Given:      c.factor[i] * row * row / f.inverse.At(j, j),
			GivenLimit: c.termLimit(f, i, p-1),
		}
	}
	slices.SortStableFunc(out, func(a, b Contribution) int {
		switch {
		case a.Given > b.Given:
			return -1
		case a.Given < b.Given:
			return 1
		}
		return 0
	})
	return out
}

// termLimit gives the limit of a term of one variable given others of them:
// (1+n/N)·df/(df−k)·F(1, df−k).
func (c *VectorChart) termLimit(f *vectorFit, i, others int) float64 {
	if math.IsInf(f.df, 1) {
		return distuv.ChiSquared{K: 1}.Quantile(1 - c.alpha)
	}
	n := float64(c.Points[i].Size)
	rest := f.df - float64(others)
	return (1 + n/f.count) * f.df / rest * distuv.F{D1: 1, D2: rest}.Quantile(1-c.alpha)
}

func (c *VectorChart) phaseOf(i int) int {
	for k, ph := range c.Phases {
		if i < ph.To {
			return k
		}
	}
	return len(c.Phases) - 1
}

// Explain says in plain words which point lies beyond the limit and which variables cause it.
func (c *VectorChart) Explain(h Hit) string {
	p := c.Points[h.At]
	return fmt.Sprintf("%v at point %d: %s %.4g is beyond its limit %.4g; %s", h.Rule, p.Index+1, c.Statistic, p.Value, p.UCL, c.Cause(h.At))
}

// Cause says in words which variables make T² of point i large.
func (c *VectorChart) Cause(i int) string {
	terms := c.Decompose(i)
	var alone, given []string
	for _, t := range terms {
		switch {
		case t.Alone > t.AloneLimit:
			alone = append(alone, fmt.Sprintf("%s is off by itself (%+.1f standard deviations)", t.Name, t.Deviation))
		case t.Given > t.GivenLimit:
			given = append(given, t.Name)
		}
	}
	if len(given) > 0 {
		alone = append(alone, fmt.Sprintf("%s fits badly to what the other variables say, though within its own range", strings.Join(given, ", ")))
	}
	if len(alone) == 0 {
		return fmt.Sprintf("no variable stands out alone; %s contributes most", terms[0].Name)
	}
	return strings.Join(alone, "; ")
}
