package spc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// A CountLaw is a law that counts follow.
type CountLaw string

// The laws.
const (
	Binomial  CountLaw = "binomial"  // of N units, each of which counts at most once: p and np charts
	Poisson   CountLaw = "poisson"   // of events in an opportunity: c and u charts
	Geometric CountLaw = "geometric" // of units between one event and the next: g charts
)

// Counts is a chart of counts of one size with known centre, limits at Width standard deviations of the
// law cut at 0 (and at N), and run rules. Whether it plots a count or the count over its size doesn't
// matter to how long it runs.
type Counts struct {
	Law   CountLaw
	Mean  float64 // count in control
	N     int     // units of a binomial count
	Rules []Rule  // nil means counts beyond the limits only
	Width float64 // 0 means 3
}

// limits are those of the chart, in counts.
func (c Counts) limits() Limits {
	switch c.Law {
	case Binomial:
		l := nonNegative(c.Mean, math.Sqrt(c.Mean*(1-c.Mean/float64(c.N))), c.Width)
		l.UCL = math.Min(float64(c.N), l.UCL)
		return l
	case Geometric:
		return nonNegative(c.Mean, math.Sqrt(c.Mean*(c.Mean+1)), c.Width)
	}
	return nonNegative(c.Mean, math.Sqrt(c.Mean), c.Width)
}

// RunLength returns the average run length when the rate of events is factor times that of the centre: of
// events between which counts are geometric, too. At factor 1 it is the average number of points between
// false alarms. Probabilities are sums over the law's counts, and the chain of the rules is that of
// [Shewhart.RunLength]; rules that compare values (Nelson 3 and 4) are simulated as there.
//
// It returns an error for a mean that isn't above 0 (and below N), a rate above 1, or as [Shewhart.RunLength].
func (c Counts) RunLength(factor float64, rng *rand.Rand, runs int) (RunLength, error) {
	s, err := Shewhart{Rules: c.Rules, Width: c.Width}.filled()
	if err != nil {
		return RunLength{}, err
	}
	c.Width = s.Width
	if err := c.check(factor); err != nil {
		return RunLength{}, fmt.Errorf("run length: %w", err)
	}
	p := Point{Limits: c.limits()}
	if c.Law == Geometric {
		logQ := math.Log1p(-factor / (c.Mean + 1))
		if s.comparesValues() {
			return s.simulated(rng, runs, func() Point {
				p.Value = math.Floor(rng.ExpFloat64() / -logQ)
				return p
			})
		}
		return RunLength{Mean: s.exact(geometricZones(p, logQ))}, nil
	}
	first, chances := c.chances(factor)
	if s.comparesValues() {
		sums := make([]float64, len(chances))
		var sum float64
		for i, v := range chances {
			sum += v
			sums[i] = sum
		}
		return s.simulated(rng, runs, func() Point {
			i, _ := slices.BinarySearch(sums, rng.Float64()*sum)
			p.Value = float64(first + i)
			return p
		})
	}
	var zones zones
	for i, v := range chances {
		p.Value = float64(first + i)
		zones.add(p.features(), v)
	}
	return RunLength{Mean: s.exact(zones)}, nil
}

// geometricZones sums the law in closed form between the counts at which features change, with
// P(X ≥ k) = exp(k·logQ).
func geometricZones(p Point, logQ float64) (z zones) {
	starts := []float64{0}
	for _, line := range []float64{p.LCL, p.Center - p.Sigma, p.Center, p.Center + p.Sigma, p.Center + 2*p.Sigma, p.UCL} {
		for _, k := range []float64{math.Floor(line), math.Floor(line) + 1} {
			if k > 0 {
				starts = append(starts, k)
			}
		}
	}
	slices.Sort(starts)
	starts = slices.Compact(starts)
	for i, k := range starts {
		chance := math.Exp(k * logQ)
		if i+1 < len(starts) {
			chance *= -math.Expm1((starts[i+1] - k) * logQ)
		}
		p.Value = k
		z.add(p.features(), chance)
	}
	return z
}

// mostSummed is the largest mean of a count whose law is summed.
const mostSummed = 1e8

// check refuses counts and rates that there aren't.
func (c Counts) check(factor float64) error {
	switch {
	case !(c.Mean > 0) || math.IsInf(c.Mean, 0) || c.Law == Binomial && !(c.Mean < float64(c.N)):
		return fmt.Errorf("counts of mean %v: want it above 0, and below the number of units", c.Mean)
	case !(factor > 0) || math.IsInf(factor, 0):
		return fmt.Errorf("rate times %v: want a finite number above 0", factor)
	case c.Law == Binomial && factor*c.Mean >= float64(c.N):
		return fmt.Errorf("a fraction of %v times %v: there is none above 1", c.Mean/float64(c.N), factor)
	case c.Law == Geometric && factor >= c.Mean+1:
		return fmt.Errorf("an event in every %v units, times %v: there is none more often than in each", c.Mean+1, factor)
	case c.Law != Geometric && factor*c.Mean > mostSummed:
		return fmt.Errorf("counts of mean %v, times %v: those are too many to sum their law", c.Mean, factor)
	}
	return nil
}

// chances gives the probabilities of counts from first on, to where the rest doesn't matter. Each is
// taken from its neighbour, from the likeliest on to both sides, and their sum is made 1.
func (c Counts) chances(factor float64) (first int, chances []float64) {
	m := factor * c.Mean
	mode, last := int(m), math.MaxInt
	ratio := func(k int) float64 { return m / float64(k+1) } // P(k+1)/P(k)
	if c.Law == Binomial {
		p := m / float64(c.N)
		mode, last = int(float64(c.N+1)*p), c.N
		ratio = func(k int) float64 { return float64(c.N-k) / float64(k+1) * p / (1 - p) }
	}
	const least = 1e-30 // of the likeliest
	var below []float64
	for k, v := mode, 1.0; k > 0 && v > least; k-- {
		v /= ratio(k - 1)
		below = append(below, v)
	}
	slices.Reverse(below)
	chances = append(below, 1)
	for k, v := mode, 1.0; k < last && v > least; k++ {
		v *= ratio(k)
		chances = append(chances, v)
	}
	var sum float64
	for _, v := range chances {
		sum += v
	}
	for i := range chances {
		chances[i] /= sum
	}
	return mode - len(below), chances
}

// TRunLength is the average run length of the chart of [TChart] with known centre and standard deviation
// when the rate of events is factor times what it was: powers of exponential times follow a Weibull law.
// Rules and width are as those of [Shewhart], and so are rng and runs.
func TRunLength(rules []Rule, width, factor float64, rng *rand.Rand, runs int) (RunLength, error) {
	s, err := Shewhart{Rules: rules, Width: width}.filled()
	if err != nil {
		return RunLength{}, err
	}
	if !(factor > 0) || math.IsInf(factor, 0) {
		return RunLength{}, fmt.Errorf("run length: rate times %v: want a finite number above 0", factor)
	}
	// Moments of t^(1/3.6) for exponential t of mean 1: Γ(1+1/3.6) and Γ(1+2/3.6).
	mean := math.Gamma(1 + 1/nelsonPower)
	sd := math.Sqrt(math.Gamma(1+2/nelsonPower) - mean*mean)
	if s.comparesValues() {
		p := Point{Limits: symmetric(mean, sd, s.Width)}
		return s.simulated(rng, runs, func() Point {
			p.Value = math.Pow(rng.ExpFloat64()/factor, 1/nelsonPower)
			return p
		})
	}
	survival := func(z float64) float64 { return math.Exp(-factor * TimeOf(mean+z*sd)) }
	return RunLength{Mean: s.exact(zonesOf(s.Width, func(a, b float64) float64 { return survival(a) - survival(b) }))}, nil
}
