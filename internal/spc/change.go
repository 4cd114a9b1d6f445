package spc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// BreakOptions refines [FindBreak]. The zero value works.
type BreakOptions struct {
	Confidence   float64 // of the interval; 0 means 0.95
	Trim         float64 // fraction at each end where SupF looks for no break; 0 means 0.15
	Permutations int     // behind P; 0 means 999
}

// A Break is where the mean of a series changed, once, by least squares.
type Break struct {
	N     int
	After int // values before the break: it lies between indices After−1 and After
	// Low and High bound After with the confidence asked for, from 1 to N−1: by the limit law of
	// Bai (1997), Rev. Econ. Statist. 79, 551–563, which allows each side its own variance.
	Low, High             int
	MeanBefore, MeanAfter float64
	SDBefore, SDAfter     float64 // with divisor n−1; 0 for a side of one value
	RSSNone, RSSBreak     float64 // sums of squares without and with the break
	F                     float64 // (RSSNone−RSSBreak)/(RSSBreak/(N−2)) at the break
	SupF                  float64 // largest F of breaks not in the trimmed ends
	SupFAfter             int     // where
	// P is the probability of a SupF as large if the series had no order: by permutation, so no
	// law is assumed, but values must not depend on their neighbours.
	P float64
}

// FindBreak estimates when a series changed its level. It always finds a break: P says whether one
// is there. It needs four values or more that vary, all finite; rng drives the permutations.
func FindBreak(x []float64, opt BreakOptions, rng *rand.Rand) (Break, error) {
	conf, err := confidenceOr95("break", opt.Confidence)
	if err != nil {
		return Break{}, err
	}
	if err := needFinite("break", x, 4); err != nil {
		return Break{}, err
	}
	if slices.Min(x) == slices.Max(x) {
		return Break{}, fmt.Errorf("break: all %d values equal %v", len(x), x[0])
	}
	if opt.Trim == 0 {
		opt.Trim = 0.15
	}
	if !(opt.Trim > 0 && opt.Trim < 0.5) {
		return Break{}, fmt.Errorf("break: trim %v: want above 0 and below 0.5", opt.Trim)
	}
	if opt.Permutations == 0 {
		opt.Permutations = 999
	}
	n := len(x)
	mean := stat.Mean(x, nil)
	d := make([]float64, n)
	for i, v := range x {
		d[i] = v - mean
	}
	b := Break{N: n, RSSNone: meanSquare(d) * float64(n)}
	first := max(1, int(math.Floor(opt.Trim*float64(n))))
	var gain, supGain float64
	b.After, gain = largestGain(d, 1, n-1)
	b.SupFAfter, supGain = largestGain(d, first, n-first)
	before, after := x[:b.After], x[b.After:]
	b.MeanBefore, b.MeanAfter = stat.Mean(before, nil), stat.Mean(after, nil)
	b.RSSBreak = sumOfSquares(before, b.MeanBefore) + sumOfSquares(after, b.MeanAfter)
	if len(before) > 1 {
		b.SDBefore = stat.StdDev(before, nil)
	}
	if len(after) > 1 {
		b.SDAfter = stat.StdDev(after, nil)
	}
	f := func(gain float64) float64 { return gain / ((b.RSSNone - gain) / float64(n-2)) }
	b.F = (b.RSSNone - b.RSSBreak) / (b.RSSBreak / float64(n-2))
	b.SupF = f(supGain)
	b.Low, b.High = b.interval(conf)
	worse := 0
	for range opt.Permutations {
		rng.Shuffle(n, func(i, j int) { d[i], d[j] = d[j], d[i] })
		// F rises with the gain; rounding must not turn the order given into a lesser one.
		if _, g := largestGain(d, first, n-first); g >= supGain*(1-1e-12) {
			worse++
		}
	}
	b.P = float64(worse+1) / float64(opt.Permutations+1)
	if math.IsNaN(gain) {
		return Break{}, fmt.Errorf("break: values are too large to square")
	}
	return b, nil
}

// largestGain returns the break, after from to to values, that takes most from the sum of squares
// of deviations d from their mean: with S the sum of the first k, S²(1/k + 1/(n−k)).
func largestGain(d []float64, from, to int) (after int, gain float64) {
	n := len(d)
	var s float64
	gain = -1
	for k := 1; k <= to; k++ {
		s += d[k-1]
		if g := s * s * float64(n) / (float64(k) * float64(n-k)); k >= from && g > gain {
			after, gain = k, g
		}
	}
	return after, gain
}

func sumOfSquares(x []float64, mean float64) float64 {
	var s float64
	for _, v := range x {
		s += (v - mean) * (v - mean)
	}
	return s
}

// interval bounds the break. The estimate's error is the place of the maximum of a two-sided random
// walk that falls by δ² a step and wobbles by 2δσ, σ being that of its side.
func (b Break) interval(conf float64) (low, high int) {
	shift2 := (b.MeanAfter - b.MeanBefore) * (b.MeanAfter - b.MeanBefore)
	v1 := (b.SDBefore * b.SDBefore) * float64(b.After-1) / float64(b.After)
	v2 := (b.SDAfter * b.SDAfter) * float64(b.N-b.After-1) / float64(b.N-b.After)
	// A side without spread (or with one value) lends the other's.
	pooled := b.RSSBreak / float64(b.N)
	if v1 == 0 {
		v1 = pooled
	}
	if v2 == 0 {
		v2 = pooled
	}
	if pooled == 0 { // both sides constant: the break is certain
		return b.After, b.After
	}
	tail := (1 - conf) / 2
	// The estimate lies late by what side two allows, so the break may lie that much earlier.
	late := argmaxQuantile(tail, v2/v1) * v2 / shift2
	early := argmaxQuantile(tail, v1/v2) * v1 / shift2
	clamp := func(v float64) int { return int(math.Max(1, math.Min(float64(b.N-1), v))) }
	return clamp(float64(b.After) - math.Ceil(late)), clamp(float64(b.After) + math.Ceil(early))
}

// argmaxTail returns P(L > x, M > M′): the maximum M of W(l) − l/2 over l ≥ 0 is reached beyond x
// and exceeds that of the other side, M′, which is exponential with mean 1/ratio; ratio is the
// variance of this side over the other's. M and its place l have the joint density
// m/√(2πl³)·exp(−(m+l/2)²/2l), whose integral over m, with e^−ratio·m or without, is closed; the rest
// is an integral over v = √l.
func argmaxTail(x, ratio float64) float64 {
	v, w := gaussPanels(math.Sqrt(x), math.Sqrt(x)+18, 18) // e^−s²/8 is gone there
	// z times Mills' ratio is 1 − 1/z² + …; g is what is missing to 1.
	g := func(z float64) float64 { return 1 - z*millsRatio(z) }
	var sum float64
	for i, s := range v {
		sum += w[i] * math.Exp(-s*s/8) * (g(s/2) - g((0.5+ratio)*s))
	}
	return sum * math.Sqrt(2/math.Pi)
}

// argmaxQuantile returns the x that [argmaxTail] exceeds with the given probability; 0 if even 0
// does not.
func argmaxQuantile(tail, ratio float64) float64 {
	f := func(x float64) float64 { return argmaxTail(x, ratio) - tail }
	if f(0) <= 0 {
		return 0
	}
	hi := 1.0
	for f(hi) > 0 {
		hi *= 2
	}
	return rootBetween(f, 0, hi)
}

// millsRatio returns the normal upper tail over its density, (1−Φ(z))/φ(z), for z ≥ 0.
func millsRatio(z float64) float64 {
	if z < 6 {
		return upperTail(z) / normalDensity(z)
	}
	// Laplace's continued fraction, z + 1/(z + 2/(z + 3/(z + …))), from its tail.
	t := z
	for k := 40; k >= 1; k-- {
		t = z + float64(k)/t
	}
	return 1 / t
}

// A Pettitt is the outcome of Pettitt's rank test for one change of level.
type Pettitt struct {
	K     float64 // largest |U|, where U counts, over pairs astride a break, earlier values above later ones and the reverse
	After int     // values before the change
	P     float64 // 2·exp(−6K²/(n³+n²)), at most 1: approximate, good for small P
}

// PettittTest looks for a change by ranks, which outliers can't sway (Pettitt 1979, Appl. Statist.
// 28, 126–135). It needs three values, all finite.
func PettittTest(x []float64) (Pettitt, error) {
	if err := needFinite("Pettitt test", x, 3); err != nil {
		return Pettitt{}, err
	}
	n := float64(len(x))
	rank := midRanks(x)
	var p Pettitt
	var u float64
	for k := 1; k < len(x); k++ {
		u += 2*rank[k-1] - (n + 1)
		if a := math.Abs(u); a > p.K {
			p.K, p.After = a, k
		}
	}
	p.P = math.Min(1, 2*math.Exp(-6*p.K*p.K/(n*n*n+n*n)))
	return p, nil
}

// midRanks gives ranks from one, ties the mean of theirs.
func midRanks(x []float64) []float64 {
	order := make([]int, len(x))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		switch {
		case x[a] < x[b]:
			return -1
		case x[a] > x[b]:
			return 1
		}
		return a - b
	})
	r := make([]float64, len(x))
	for i := 0; i < len(order); {
		j := i
		for j < len(order) && x[order[j]] == x[order[i]] {
			j++
		}
		for k := i; k < j; k++ {
			r[order[k]] = float64(i+1+j) / 2
		}
		i = j
	}
	return r
}
