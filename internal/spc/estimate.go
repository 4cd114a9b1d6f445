package spc

import (
	"fmt"
	"math"
	"slices"
)

// A spreadKind is a statistic of spread within a subgroup of n normal values: its mean, standard
// deviation and median in units of σ.
type spreadKind struct {
	symbol           string
	mean, sd, median func(n int) float64
}

var (
	rangeSpread = spreadKind{"R", D2, D3, medianRange}
	sdSpread    = spreadKind{"s", C4, func(n int) float64 { return sdOfSD(C4(n)) }, medianSD}
)

// factors of one kind by subgroup size. A chart has few sizes and many subgroups.
type factors struct {
	spreadKind
	bySize map[int]*spreadFactor
	last   *spreadFactor
}

type spreadFactor struct {
	size     int
	mean, sd float64
}

func (k spreadKind) factors() *factors {
	return &factors{spreadKind: k, bySize: map[int]*spreadFactor{}}
}

func (f *factors) at(n int) *spreadFactor {
	if f.last != nil && f.last.size == n {
		return f.last
	}
	v, known := f.bySize[n]
	if !known {
		v = &spreadFactor{n, f.mean(n), f.sd(n)}
		f.bySize[n] = v
	}
	f.last = v
	return v
}

// estimate gives centre and standard deviation of a single value from the baseline of the stretch,
// how many subgroups stand behind them, and how in words.
//
// Means: the centre is that of all single values; σ is the weighted mean of the unbiased estimates
// yᵢ/E(y|nᵢ) with weights E²/Var, the linear unbiased estimate of least variance (Burr 1969,
// Journal of Quality Technology 1, 163–167), which is ȳ/d2 or ȳ/c4 for subgroups of one size.
// Robust: the median of the means, and the median of yᵢ over the median factor of its size.
func (s stretch) estimate(level, spread []Point, f *factors, robust bool) (PhaseLimits, error) {
	out := PhaseLimits{Name: s.Name, Lag1P: 1}
	ys := s.baselineSpread(level, spread)
	xs := s.baselineLevel(level)
	if !s.stated() {
		out.Baseline = len(xs)
	}
	if len(xs) >= leastForLag {
		out.Lag1, out.Lag1P = lagOne(xs)
	}
	var how []string
	if s.Center != nil {
		out.Center, how = *s.Center, append(how, "centre stated")
	} else if len(xs) == 0 {
		return out, fmt.Errorf("the baseline is empty: every subgroup is excluded")
	} else if robust {
		out.Center = medianOf(xs, func(p *Point) float64 { return p.Value })
		how = append(how, "centre: median")
	} else {
		out.Center = weightedMean(xs)
		how = append(how, "centre: mean")
	}
	if s.Sigma != nil {
		out.Sigma, how = *s.Sigma, append(how, "sigma stated")
	} else {
		var err error
		if out.Sigma, err = spreadSigma(ys, f, robust); err != nil {
			return out, err
		}
		average := "mean"
		if robust {
			average = "median"
		}
		how = append(how, fmt.Sprintf("sigma: %s of %d %s", average, len(ys), f.symbol))
	}
	out.Source = how[0] + ", " + how[1]
	return out, nil
}

// baselineLevel gives the points of level that the limits are learnt from.
func (s stretch) baselineLevel(level []Point) []*Point {
	var out []*Point
	for i := s.Baseline.From; i < s.Baseline.To; i++ {
		if s.used(i) {
			out = append(out, &level[i])
		}
	}
	return out
}

// baselineSpread gives those of spread. A moving range (on single values) needs its value and the
// one before.
func (s stretch) baselineSpread(level, spread []Point) []*Point {
	from, _ := slices.BinarySearchFunc(spread, s.Baseline.From, func(p Point, i int) int { return p.Index - i })
	var out []*Point
	for k := from; k < len(spread) && spread[k].Index < s.Baseline.To; k++ {
		i := spread[k].Index
		moving := i > 0 && len(level) != len(spread)
		if s.used(i) && (!moving || s.used(i-1)) {
			out = append(out, &spread[k])
		}
	}
	return out
}

func spreadSigma(ys []*Point, f *factors, robust bool) (float64, error) {
	if len(ys) == 0 {
		return 0, fmt.Errorf("the baseline has no %s: want at least two values in a row (or a stated sigma)", f.symbol)
	}
	var sigma float64
	if robust {
		medians := map[int]float64{}
		sigma = medianOf(ys, func(p *Point) float64 {
			if medians[p.Size] == 0 {
				medians[p.Size] = f.median(p.Size)
			}
			return p.Value / medians[p.Size]
		})
	} else {
		var sum, weights float64
		for _, p := range ys {
			c := f.at(p.Size)
			w := c.mean * c.mean / (c.sd * c.sd)
			sum += w * p.Value / c.mean
			weights += w
		}
		sigma = sum / weights
	}
	if sigma > 0 {
		return sigma, nil
	}
	for _, p := range ys {
		if p.Value > 0 {
			return 0, fmt.Errorf("more than half of the %d %s are zero, so their median is: the values are too coarse for robust limits, use means", len(ys), f.symbol)
		}
	}
	return 0, fmt.Errorf("all %d %s are zero: the values don't vary; is the instrument's resolution too coarse?", len(ys), f.symbol)
}

// weightedMean gives the mean of the single values behind the points.
func weightedMean(ps []*Point) float64 {
	var sum, n float64
	for _, p := range ps {
		sum += p.Value * float64(p.Size)
		n += float64(p.Size)
	}
	mean := sum / n
	// A second pass takes back what rounding left when values lie far from zero.
	var rest float64
	for _, p := range ps {
		rest += (p.Value - mean) * float64(p.Size)
	}
	return mean + rest/n
}

func medianOf(ps []*Point, value func(*Point) float64) float64 {
	v := make([]float64, len(ps))
	for i, p := range ps {
		v[i] = value(p)
	}
	return sortedMedian(v)
}

// sortedMedian sorts v and returns its median.
func sortedMedian(v []float64) float64 {
	slices.Sort(v)
	half := len(v) / 2
	if len(v)%2 == 1 {
		return v[half]
	}
	return v[half-1] + (v[half]-v[half-1])/2
}

// Autocorrelation returns the lag-1 autocorrelation Σ(xₜ−x̄)(xₜ₊₁−x̄)/Σ(xₜ−x̄)² of values in order,
// and its two-sided p value under independence. The statistic then has mean −1/n and variance
// (n−2)²/(n²(n−1)) for normal values (Moran 1948, Biometrika 35, 255–260), and is taken as normal.
//
// It returns an error when fewer than four values are given, when one is not finite, or when they
// don't vary.
func Autocorrelation(x []float64) (r, p float64, err error) {
	if err := needFinite("autocorrelation", x, 4); err != nil {
		return 0, 1, err
	}
	ps := make([]Point, len(x))
	refs := make([]*Point, len(x))
	for i, v := range x {
		ps[i] = Point{Value: v, Index: i, Size: 1}
		refs[i] = &ps[i]
	}
	r, p = lagOne(refs)
	if math.IsNaN(r) {
		return 0, 1, fmt.Errorf("autocorrelation: the %d values don't vary", len(x))
	}
	return r, p, nil
}

// leastForLag is the shortest baseline whose autocorrelation is looked at: the normal
// approximation of its distribution is poor below.
const leastForLag = 10

// lagOne does it for points, over pairs that follow each other directly.
func lagOne(ps []*Point) (r, p float64) {
	n := float64(len(ps))
	mean := 0.
	for _, p := range ps {
		mean += p.Value / n
	}
	var cross, square float64
	for i, p := range ps {
		d := p.Value - mean
		square += d * d
		if i > 0 && ps[i-1].Index == p.Index-1 {
			cross += d * (ps[i-1].Value - mean)
		}
	}
	r = cross / square
	z := (r + 1/n) / ((n - 2) / (n * math.Sqrt(n-1)))
	return r, 2 * upperTail(math.Abs(z))
}
