package spc

import (
	"fmt"
	"math"
)

// A Plan is single sampling by attributes: of a sample of N, a lot is accepted with at most Accept
// nonconforming units. Build one with [NewPlan] or a function that designs it.
type Plan struct{ N, Accept int }

// NewPlan checks a plan: at least one unit, and an acceptance number from 0 to below N.
func NewPlan(n, accept int) (Plan, error) {
	if n < 1 || accept < 0 || accept >= n {
		return Plan{}, fmt.Errorf("sampling plan: %d units with acceptance number %d: want at least one unit and 0 to %d", n, accept, max(0, n-1))
	}
	return Plan{n, accept}, nil
}

// Pa returns the probability that a process of the given fraction nonconforming has its lot
// accepted: the operating characteristic of type B, by the binomial law. It is NaN outside 0 to 1.
func (p Plan) Pa(fraction float64) float64 {
	if !(fraction >= 0 && fraction <= 1) {
		return math.NaN()
	}
	return binomialAtMost(p.Accept, p.N, fraction)
}

// PaLot returns the probability that a lot of the given size with this many nonconforming units is
// accepted: the operating characteristic of type A, by the hypergeometric law. A plan that takes
// the whole lot or more finds all of them.
func (p Plan) PaLot(lot, nonconforming int) (float64, error) {
	if lot < 1 || nonconforming < 0 || nonconforming > lot {
		return 0, fmt.Errorf("lot of %d with %d nonconforming: want at least one unit and 0 to %d", lot, nonconforming, max(0, lot))
	}
	return hypergeometricAtMost(p.Accept, min(p.N, lot), nonconforming, lot), nil
}

// QualityAt returns the fraction nonconforming that is accepted with probability pa (type B): the
// points of the curve at 0.95, 0.50 and 0.10 are its usual summary. It is NaN unless 0 < pa < 1.
func (p Plan) QualityAt(pa float64) float64 {
	if !(pa > 0 && pa < 1) {
		return math.NaN()
	}
	return binomialUpper(p.Accept, p.N, 1-pa)
}

// AOQ returns the average outgoing fraction nonconforming when rejected lots are sorted and cleared:
// p·Pa·(L−N)/L for lots of L.
func (p Plan) AOQ(fraction float64, lot int) float64 {
	return fraction * p.Pa(fraction) * float64(max(0, lot-p.N)) / float64(lot)
}

// ATI returns the average number of units inspected in a lot when rejected lots are sorted:
// N+(1−Pa)(L−N).
func (p Plan) ATI(fraction float64, lot int) float64 {
	return float64(min(p.N, lot)) + (1-p.Pa(fraction))*float64(max(0, lot-p.N))
}

// AOQL returns the largest [Plan.AOQ], whatever quality comes in, and the fraction it occurs at.
func (p Plan) AOQL(lot int) (fraction, aoql float64) {
	// p·Pa has one maximum, below the fraction at which (Accept+1) units are expected thrice.
	top := math.Min(1, 5*float64(p.Accept+1)/float64(p.N))
	fraction = minimumBetween(func(x float64) float64 { return -x * p.Pa(x) }, 0, top)
	return fraction, p.AOQ(fraction, lot)
}

// DesignPlan returns the smallest plan that accepts quality good with a probability of at least
// 1−alpha and quality bad with at most beta (fractions nonconforming, binomial law).
func DesignPlan(good, alpha, bad, beta float64) (Plan, error) {
	for _, v := range []struct {
		name string
		p    float64
	}{{"good quality", good}, {"producer's risk alpha", alpha}, {"bad quality", bad}, {"consumer's risk beta", beta}} {
		if err := needProbability(v.name, v.p); err != nil {
			return Plan{}, fmt.Errorf("sampling plan: %w", err)
		}
	}
	if good >= bad || 1-alpha <= beta {
		return Plan{}, fmt.Errorf("sampling plan: good quality %v must be below bad %v, and 1−alpha %v above beta %v", good, bad, 1-alpha, beta)
	}
	const largest = 1_000_000
	// smallest gives the plan of acceptance number c that keeps beta with the fewest units, and
	// whether it keeps alpha: the more, the larger c is.
	smallest := func(c int) (Plan, bool) {
		lo, hi := c, c+1
		for binomialAtMost(c, hi, bad) > beta {
			lo, hi = hi, 2*hi
		}
		for hi-lo > 1 {
			if mid := lo + (hi-lo)/2; binomialAtMost(c, mid, bad) > beta {
				lo = mid
			} else {
				hi = mid
			}
		}
		return Plan{hi, c}, binomialAtMost(c, hi, good) >= 1-alpha
	}
	short, c := -1, 0
	p, enough := smallest(c)
	for !enough {
		if p.N > largest {
			return Plan{}, fmt.Errorf("sampling plan: qualities %v and %v are too close to tell apart with %d units", good, bad, largest)
		}
		short, c = c, 2*c+1
		p, enough = smallest(c)
	}
	for c-short > 1 {
		mid := short + (c-short)/2
		if q, ok := smallest(mid); ok {
			c, p = mid, q
		} else {
			short = mid
		}
	}
	return p, nil
}

// ZeroAcceptance returns the plan that accepts with no nonconforming unit and lets a fraction
// nonconforming pass with a probability of at most risk: n = ⌈ln risk/ln(1−fraction)⌉.
func ZeroAcceptance(fraction, risk float64) (Plan, error) {
	if err := needProbability("fraction nonconforming", fraction); err != nil {
		return Plan{}, fmt.Errorf("zero-acceptance plan: %w", err)
	}
	if err := needProbability("risk", risk); err != nil {
		return Plan{}, fmt.Errorf("zero-acceptance plan: %w", err)
	}
	// The tiny term keeps an exact integer from rounding up.
	n := math.Ceil(math.Log(risk)/math.Log1p(-fraction) - 1e-12)
	return Plan{N: int(math.Max(1, n))}, nil
}

// ZeroAcceptanceLot does it for a finite lot that holds this many nonconforming units, by the
// hypergeometric law.
func ZeroAcceptanceLot(lot, nonconforming int, risk float64) (Plan, error) {
	if err := needProbability("risk", risk); err != nil {
		return Plan{}, fmt.Errorf("zero-acceptance plan: %w", err)
	}
	if lot < 1 || nonconforming < 1 || nonconforming > lot {
		return Plan{}, fmt.Errorf("zero-acceptance plan: lot of %d with %d nonconforming: want 1 to %d", lot, nonconforming, max(1, lot))
	}
	lo, hi := 0, lot-nonconforming+1 // a sample that large must hold one
	for hi-lo > 1 {
		// A probability that equals the risk exactly keeps it, up to rounding.
		if mid := lo + (hi-lo)/2; hypergeometricAtMost(0, mid, nonconforming, lot) > risk*(1+1e-12) {
			lo = mid
		} else {
			hi = mid
		}
	}
	return Plan{N: hi}, nil
}

// hypergeometricAtMost returns P(X ≤ c) nonconforming in n of lot units of which bad are.
func hypergeometricAtMost(c, n, bad, lot int) float64 {
	least, most := max(0, n-(lot-bad)), min(n, bad)
	switch {
	case c >= most:
		return 1
	case c < least:
		return 0
	}
	// Terms relative to the largest, both ways from it: their ratios are exact, so nothing is lost
	// to logarithms of large factorials. The sum of all is the norm.
	mode := min(most, max(least, int(float64(n+1)*float64(bad+1)/float64(lot+2))))
	var within, all float64
	add := func(k int, term float64) {
		all += term
		if k <= c {
			within += term
		}
	}
	add(mode, 1)
	for k, term := mode, 1.0; k > least && term > 0; k-- {
		term *= float64(k) * float64(lot-bad-n+k) / (float64(bad-k+1) * float64(n-k+1))
		add(k-1, term)
	}
	for k, term := mode, 1.0; k < most && term > 1e-300; k++ {
		term *= float64(bad-k) * float64(n-k) / (float64(k+1) * float64(lot-bad-n+k+1))
		add(k+1, term)
	}
	return within / all
}
