package spc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Bend is where a level that stood still began to drift: y = Level + Slope·max(0, x−At), by least
// squares (Hudson 1966, J. Am. Statist. Assoc. 61, 1097–1129; Hinkley 1971, ibid. 66, 736–743). At the
// first x it is a plain line.
type Bend struct {
	N            int
	Level, Slope float64
	At           float64 // where it begins, in the unit of x
	// Low and High bound At: what the F test at N−3 degrees of freedom can't exclude. They may reach
	// the first x, and the last one that leaves three points beyond.
	Low, High float64
	// SESlope is from the curvature at the estimate (that of the line where At is the first x); SlopeCI
	// is a little short: simulated with 60 values and a clear bend it holds the slope 92 times in 100.
	SESlope    float64
	SlopeCI    Interval
	End, SEEnd float64  // fitted level at the last x, and its standard uncertainty
	EndCI      Interval // of that level
	S          float64  // residual standard deviation, N−3 degrees of freedom; N−2 for a plain line
	RSSNone    float64  // sums of squares about the mean,
	RSSBend    float64  // and about the bend
	Confidence float64
	// P is the probability of a bend that explains as much if the series had no order: by
	// permutation, so values must not depend on their neighbours.
	P float64
}

// leastBeyond is how many points a slope takes to be seen.
const leastBeyond = 3

// FindBend estimates when a drift began, from values y at x in ascending order. It always finds a
// bend: P says whether one is there. It needs six values or more that vary, all finite, at five
// different x or more. BreakOptions.Trim isn't used; rng drives the permutations.
func FindBend(x, y []float64, opt BreakOptions, rng *rand.Rand) (Bend, error) {
	conf, err := confidenceOr95("bend", opt.Confidence)
	if err != nil {
		return Bend{}, err
	}
	if err := needPairs("bend", x, y, 6); err != nil {
		return Bend{}, err
	}
	if !slices.IsSorted(x) {
		return Bend{}, fmt.Errorf("bend: x must be in ascending order")
	}
	if slices.Min(y) == slices.Max(y) {
		return Bend{}, fmt.Errorf("bend: all %d values equal %v", len(y), y[0])
	}
	s := newBendSums(x)
	if len(s.starts) < 2 {
		return Bend{}, fmt.Errorf("bend: %d values at too few different x, want 5 different ones or more", len(x))
	}
	if opt.Permutations == 0 {
		opt.Permutations = 999
	}
	b := Bend{N: len(x), Confidence: conf}
	mean := carefulMean(y)
	d := make([]float64, len(y))
	for i, v := range y {
		d[i] = v - mean
		b.RSSNone += d[i] * d[i]
	}
	s.take(d)
	at, gain := s.best()
	b.At = at + s.origin
	b.RSSBend = math.Max(0, b.RSSNone-gain)
	b.Low, b.High = s.interval(at, b.RSSNone, conf)
	b.describe(x, d, mean, conf)
	seen := s.largest()
	worse := 0
	for range opt.Permutations {
		rng.Shuffle(len(d), func(i, j int) { d[i], d[j] = d[j], d[i] })
		s.take(d)
		if s.largest() >= seen*(1-1e-12) {
			worse++
		}
	}
	b.P = float64(worse+1) / float64(opt.Permutations+1)
	return b, nil
}

// bendSums are running sums from the end of a series, from which the best line that bends at any
// place follows at once. x counts from its middle, so that squares keep their digits.
type bendSums struct {
	x, d           []float64
	origin         float64
	starts         []int     // first index of each x at which a bend may lie
	n, sx, sxx     []float64 // of the values from an index to the end; one more than there are values
	sd, sxd        []float64
	lastBend, span float64
}

func newBendSums(x []float64) *bendSums {
	n := len(x)
	s := &bendSums{origin: x[0] + (x[n-1]-x[0])/2}
	s.n, s.sx, s.sxx = make([]float64, n+1), make([]float64, n+1), make([]float64, n+1)
	s.sd, s.sxd = make([]float64, n+1), make([]float64, n+1)
	for _, v := range x {
		s.x = append(s.x, v-s.origin)
	}
	s.span = s.x[n-1] - s.x[0]
	different := 0
	for i := n - 1; i >= 0; i-- {
		v := s.x[i]
		s.n[i], s.sx[i], s.sxx[i] = s.n[i+1]+1, s.sx[i+1]+v, s.sxx[i+1]+v*v
		if i > 0 && s.x[i-1] == v {
			continue
		}
		if different >= leastBeyond && n-i > leastBeyond {
			s.starts = append(s.starts, i)
		}
		different++
	}
	slices.Reverse(s.starts)
	if len(s.starts) > 0 {
		s.lastBend = s.x[s.starts[len(s.starts)-1]]
	}
	return s
}

// take sums up deviations from the mean in the order of x.
func (s *bendSums) take(d []float64) {
	s.d = d
	for i := len(d) - 1; i >= 0; i-- {
		s.sd[i], s.sxd[i] = s.sd[i+1]+d[i], s.sxd[i+1]+s.x[i]*d[i]
	}
}

// gain is what a bend at c takes from the sum of squares; i is the first value beyond c.
func (s *bendSums) gain(c float64, i int) float64 {
	n := s.n[i]
	sum := s.sx[i] - n*c
	squares := s.sxx[i] - 2*c*s.sx[i] + n*c*c - sum*sum/float64(len(s.x))
	product := s.sxd[i] - c*s.sd[i]
	if !(squares > 1e-12*s.span*s.span) {
		return 0
	}
	return product * product / squares
}

// gainAt is the same for any place.
func (s *bendSums) gainAt(c float64) float64 {
	i, _ := slices.BinarySearch(s.x, c)
	return s.gain(c, i)
}

// largest is the largest gain of bends at the x given.
func (s *bendSums) largest() float64 {
	most := 0.0
	for _, i := range s.starts {
		most = math.Max(most, s.gain(s.x[i], i))
	}
	return most
}

// places returns every x at which a bend may lie, and between neighbours the place where the mean
// before and the line beyond meet, if they do: one of these is the best (Hudson 1966).
func (s *bendSums) places() []float64 {
	var at []float64
	for k, i := range s.starts {
		at = append(at, s.x[i])
		if k+1 == len(s.starts) {
			break
		}
		j := s.starts[k+1] // the values from j on lie on the line
		n := s.n[j]
		sxx := s.sxx[j] - s.sx[j]*s.sx[j]/n
		slope := (s.sxd[j] - s.sx[j]*s.sd[j]/n) / sxx
		before := (s.sd[0] - s.sd[j]) / float64(j)
		c := s.sx[j]/n + (before-s.sd[j]/n)/slope
		if c > s.x[i] && c < s.x[j] {
			at = append(at, c)
		}
	}
	return at
}

// best returns the best of the places, as they are.
func (s *bendSums) best() (at, gain float64) {
	gain = -1
	for _, c := range s.places() {
		if g := s.gainAt(c); g > gain {
			at, gain = c, g
		}
	}
	return at, gain
}

// interval returns the outermost places whose sum of squares the F test doesn't tell from the least.
func (s *bendSums) interval(best, none, conf float64) (low, high float64) {
	df := float64(len(s.x) - 3)
	most := s.gainAt(best)
	least := math.Max(0, none-most)
	enough := math.Min(most, none-least*(1+distuv.F{D1: 1, D2: df}.Quantile(conf)/df))
	inside := func(c float64) float64 { return s.gainAt(c) - enough }
	places := s.places()
	low, high = best, best
	for k, c := range places {
		if c < low && inside(c) >= 0 {
			if low = c; k > 0 {
				low = rootBetween(inside, places[k-1], c)
			}
			break
		}
	}
	for k := len(places) - 1; k >= 0; k-- {
		if c := places[k]; c > high && inside(c) >= 0 {
			if high = c; k+1 < len(places) {
				high = rootBetween(inside, c, places[k+1])
			}
			break
		}
	}
	// Where no other place is inside, the border lies between the best and its neighbours.
	if i, ok := slices.BinarySearch(places, best); ok {
		if low == best && i > 0 {
			low = rootBetween(inside, places[i-1], best)
		}
		if high == best && i+1 < len(places) {
			high = rootBetween(inside, best, places[i+1])
		}
	}
	return low + s.origin, high + s.origin
}

// describe fills in level, slope and end with their intervals, by the linear model whose third column
// is the derivative by the bend's place. d are deviations of the values from mean.
func (b *Bend) describe(x, d []float64, mean, conf float64) {
	n := len(x)
	columns := 3
	if b.At <= x[0] {
		columns = 2
	}
	beyond := func(v float64) float64 { return math.Max(0, v-b.At) }
	var sum, squares, product float64
	for i, v := range x {
		h := beyond(v)
		sum, squares, product = sum+h, squares+h*h, product+h*d[i]
	}
	b.Slope = product / (squares - sum*sum/float64(n))
	b.Level = mean - b.Slope*sum/float64(n)
	span := x[n-1] - x[0]
	row := func(v float64) []float64 { // scaled, so that no unit of x makes it ill-conditioned
		r := []float64{1, beyond(v) / span, 0}
		if v > b.At {
			r[2] = 1
		}
		return r[:columns]
	}
	normal := mat.NewSymDense(columns, nil)
	for _, v := range x {
		normal.SymRankOne(normal, 1, mat.NewVecDense(columns, row(v)))
	}
	b.S = math.Sqrt(b.RSSBend / float64(n-columns))
	b.End = b.Level + b.Slope*beyond(x[n-1])
	var chol mat.Cholesky
	var inverse mat.SymDense
	if !chol.Factorize(normal) || chol.InverseTo(&inverse) != nil {
		b.SESlope, b.SEEnd = math.Inf(1), math.Inf(1)
		b.SlopeCI, b.EndCI = Interval{math.Inf(-1), math.Inf(1)}, Interval{math.Inf(-1), math.Inf(1)}
		return
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - columns)}.Quantile(1 - (1-conf)/2)
	b.SESlope = b.S * math.Sqrt(inverse.At(1, 1)) / span
	b.SlopeCI = Interval{b.Slope - t*b.SESlope, b.Slope + t*b.SESlope}
	end := mat.NewVecDense(columns, row(x[n-1]))
	b.SEEnd = b.S * math.Sqrt(mat.Inner(end, &inverse, end))
	b.EndCI = Interval{b.End - t*b.SEEnd, b.End + t*b.SEEnd}
}
