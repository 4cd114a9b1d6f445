package series

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"plumbsquare/internal/spc"
)

// A Scheme is the design of the charts that have one of their own. The zero value takes the usual
// ones: EWMA with λ 0.2 and limits at ± 3 standard deviations, CUSUM with k 0.5, h 5 and no head start.
type Scheme struct {
	EWMA  spc.EWMA
	CUSUM spc.CUSUM
}

// runs of a simulated run length: its error is below a hundredth.
const runs = 20_000

// RunLength returns the average run length of the chart of level of a kind, when the level has moved
// by shift, in standard deviations of a single value; at shift 0 it is the average number of points
// between false alarms. Size is the number of values behind a point (1 for single values). On
// three-way charts the shift is in standard deviations of the means, and the size doesn't matter.
//
// It is that of independent normal values with known centre and spread. Known is false for counts and
// what lies between events, of which [Kind.CountRunLength] knows, and where there are no rules.
func (k Kind) RunLength(scheme Scheme, opt spc.Options, size int, shift float64) (r spc.RunLength, known bool, err error) {
	switch {
	case k == EWMA:
		r, err = scheme.EWMA.RunLength(shift)
	case k == CUSUM:
		r, err = scheme.CUSUM.RunLength(shift)
	case k.OfCounts() || k.Rare() || opt.Rules != nil && len(opt.Rules) == 0:
		return r, false, nil
	default:
		if k == XbarR || k == XbarS {
			shift *= math.Sqrt(float64(size))
		}
		r, err = spc.Shewhart{Rules: opt.Rules, Width: opt.Width}.RunLength(shift, rand.New(rand.NewPCG(1, 1)), runs)
	}
	return r, err == nil, err
}

// CountRunLength returns the average run length of a chart of counts, or of what lies between events,
// when the rate of events is factor times that of its centre; at factor 1 it is the average number of
// points between false alarms. It is that of the law which the kind assumes (binomial, Poisson, geometric
// or exponential), of independent counts with a known centre; Laney's charts take the z scores as normal.
// Sizes that differ are taken as the middle one of the last phase.
//
// Known is false for other kinds, where there are no rules, where a rate so high can't be, and where a
// run length that must be simulated would be too long for that.
func (k Kind) CountRunLength(c *spc.Chart, opt spc.Options, factor float64) (r spc.RunLength, known bool, err error) {
	if !k.OfCounts() && !k.Rare() || len(c.Rules) == 0 || len(c.Points) == 0 {
		return r, false, nil
	}
	ph := c.Phases[len(c.Phases)-1]
	points := slices.Clone(c.Points[ph.From:ph.To])
	slices.SortFunc(points, func(a, b spc.Point) int { return cmp.Compare(a.Sigma, b.Sigma) })
	if len(points) == 0 || !(points[len(points)/2].Center > 0) {
		return r, false, nil
	}
	p := points[len(points)/2]
	run, known := k.countRuns(opt, ph.Center, p, factor)
	if !known {
		return r, false, nil
	}
	compares := func(r spc.Rule) bool { return r == spc.Nelson3 || r == spc.Nelson4 }
	n := runs
	if others := slices.DeleteFunc(slices.Clone(c.Rules), compares); len(others) < len(c.Rules) {
		if len(others) == 0 {
			return r, false, nil
		}
		most, err := run(others, 0) // without the rules that must be simulated
		if err != nil || most.Mean > mostSteps/fewestRuns {
			return r, false, err
		}
		n = min(n, int(mostSteps/most.Mean))
	}
	r, err = run(c.Rules, n)
	return r, err == nil, err
}

// A simulation takes so many points at most, and so many runs at least.
const (
	mostSteps  = 20_000_000
	fewestRuns = 400
)

// countRuns returns what computes run lengths for rules, with the given number of runs where they must be
// simulated, of a point of a chart whose rate is the centre of its phase.
func (k Kind) countRuns(opt spc.Options, rate float64, p spc.Point, factor float64) (run func([]spc.Rule, int) (spc.RunLength, error), known bool) {
	rng := rand.New(rand.NewPCG(1, 1))
	counts := spc.Counts{Width: opt.Width}
	// The centre and the standard deviation by the law give the size back.
	switch k {
	case T:
		return func(rules []spc.Rule, n int) (spc.RunLength, error) {
			return spc.TRunLength(rules, opt.Width, factor, rng, n)
		}, true
	case G:
		counts.Law, counts.Mean = spc.Geometric, p.Center
		known = factor < p.Center+1
	case P:
		counts.Law, counts.N = spc.Binomial, int(math.Round(p.Center*(1-p.Center)/(p.Sigma*p.Sigma)))
		counts.Mean = p.Center * float64(counts.N)
		known = factor*p.Center < 1
	case NP:
		counts.Law, counts.N, counts.Mean = spc.Binomial, int(math.Round(p.Center/rate)), p.Center
		known = factor*rate < 1
	case U:
		counts.Law, counts.Mean, known = spc.Poisson, p.Center*p.Center/(p.Sigma*p.Sigma), true
	case C:
		counts.Law, counts.Mean, known = spc.Poisson, p.Center, true
	default:
		return func(rules []spc.Rule, n int) (spc.RunLength, error) {
			return spc.Shewhart{Rules: rules, Width: opt.Width}.RunLength((factor-1)*p.Center/p.Sigma, rng, n)
		}, true
	}
	const mostCounted = 1e7
	known = known && (k == G || factor*counts.Mean < mostCounted)
	return func(rules []spc.Rule, n int) (spc.RunLength, error) {
		counts.Rules = rules
		return counts.RunLength(factor, rng, n)
	}, known
}
