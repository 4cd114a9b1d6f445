package spc

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Line is a straight line fitted to values by least squares.
type Line struct {
	N                    int
	Intercept, Slope     float64
	SEIntercept, SESlope float64 // standard uncertainties
	S                    float64 // residual standard deviation, N−2 degrees of freedom
	R2                   float64 // part of the variance that the line takes
	F                    float64 // of the slope, with 1 and N−2 degrees of freedom
	SlopeP, InterceptP   float64 // two-sided p values of zero, by Student's t
	Confidence           float64
	SlopeCI, InterceptCI Interval
}

// FitLine fits y = Intercept + Slope·x. Confidence 0 means 0.95. It returns an error for fewer than
// three points, slices of different length, a value that isn't finite, or x that doesn't vary.
func FitLine(x, y []float64, confidence float64) (Line, error) {
	conf, err := confidenceOr95("line", confidence)
	if err != nil {
		return Line{}, err
	}
	if err := needPairs("line", x, y, 3); err != nil {
		return Line{}, err
	}
	l := Line{N: len(x), Confidence: conf}
	meanX := carefulMean(x)
	meanY := carefulMean(y)
	var sxx, sxy, syy float64
	for i := range x {
		dx, dy := x[i]-meanX, y[i]-meanY
		sxx += dx * dx
		sxy += dx * dy
		syy += dy * dy
	}
	if !(sxx > 0) {
		return Line{}, fmt.Errorf("line: all %d x equal %v", l.N, x[0])
	}
	l.Slope = sxy / sxx
	l.Intercept = meanY - l.Slope*meanX
	var rss float64
	for i := range x {
		r := y[i] - meanY - l.Slope*(x[i]-meanX)
		rss += r * r
	}
	n := float64(l.N)
	l.S = math.Sqrt(rss / (n - 2))
	l.SESlope = l.S / math.Sqrt(sxx)
	l.SEIntercept = l.S * math.Sqrt(1/n+meanX*meanX/sxx)
	if syy > 0 {
		l.R2 = 1 - rss/syy
	}
	student := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 2}
	t := student.Quantile(1 - (1-conf)/2)
	p := func(value, se float64) float64 {
		if se == 0 {
			if value == 0 {
				return 1
			}
			return 0
		}
		return 2 * student.CDF(-math.Abs(value/se))
	}
	l.SlopeP, l.InterceptP = p(l.Slope, l.SESlope), p(l.Intercept, l.SEIntercept)
	l.F = (l.Slope / l.SESlope) * (l.Slope / l.SESlope)
	l.SlopeCI = Interval{l.Slope - t*l.SESlope, l.Slope + t*l.SESlope}
	l.InterceptCI = Interval{l.Intercept - t*l.SEIntercept, l.Intercept + t*l.SEIntercept}
	return l, nil
}

// carefulMean takes back in a second pass what rounding left of a mean far from zero.
func carefulMean(x []float64) float64 {
	n := float64(len(x))
	var sum, rest float64
	for _, v := range x {
		sum += v
	}
	m := sum / n
	for _, v := range x {
		rest += v - m
	}
	return m + rest/n
}

func needPairs(what string, x, y []float64, least int) error {
	if len(x) != len(y) {
		return fmt.Errorf("%s: %d values of x but %d of y", what, len(x), len(y))
	}
	if err := needFinite(what+": x", x, least); err != nil {
		return err
	}
	return needFinite(what+": y", y, least)
}

// A RankTrend says whether values rise or fall, by ranks: outliers can't sway it.
type RankTrend struct {
	N        int
	S        float64 // pairs that rise less pairs that fall, in the order of x
	Variance float64 // of S without a trend, corrected for ties
	Z        float64 // with continuity correction
	P        float64 // two-sided (Mann 1945, Econometrica 13, 245–259; Kendall)
	// Slope is the median of the slopes of all pairs of different x (Theil 1950; Sen 1968, J. Am.
	// Statist. Assoc. 63, 1379–1389), SlopeCI its interval from S's law.
	Slope      float64
	SlopeCI    Interval
	Confidence float64
}

// FitRankTrend tests for a trend of y with x and estimates its slope. Pairs of equal x say nothing
// and are left out, as ties of y count for neither side. Time and memory grow with the square of
// the number of values: at most 5000 are taken. Confidence 0 means 0.95.
func FitRankTrend(x, y []float64, confidence float64) (RankTrend, error) {
	conf, err := confidenceOr95("trend", confidence)
	if err != nil {
		return RankTrend{}, err
	}
	if err := needPairs("trend", x, y, 3); err != nil {
		return RankTrend{}, err
	}
	const most = 5000
	if len(x) > most {
		return RankTrend{}, fmt.Errorf("trend: %d values: ranks compare all pairs, want at most %d (take means of subgroups)", len(x), most)
	}
	r := RankTrend{N: len(x), Confidence: conf}
	var slopes []float64
	for i := range x {
		for j := i + 1; j < len(x); j++ {
			if x[i] == x[j] {
				continue
			}
			s := (y[j] - y[i]) / (x[j] - x[i])
			slopes = append(slopes, s)
			switch {
			case s > 0:
				r.S++
			case s < 0:
				r.S--
			}
		}
	}
	if len(slopes) == 0 {
		return RankTrend{}, fmt.Errorf("trend: all %d x equal %v", len(x), x[0])
	}
	slices.Sort(slopes)
	r.Variance = kendallVariance(x, y)
	if r.S != 0 && r.Variance > 0 {
		r.Z = (r.S - math.Copysign(1, r.S)) / math.Sqrt(r.Variance)
	}
	r.P = 2 * upperTail(math.Abs(r.Z))
	m := len(slopes)
	r.Slope = (slopes[(m-1)/2] + slopes[m/2]) / 2
	half := normalQuantile(1-(1-conf)/2) * math.Sqrt(r.Variance)
	at := func(rank float64) float64 { // from one, as Sen counts
		return slopes[int(math.Max(0, math.Min(float64(m-1), rank-1)))]
	}
	r.SlopeCI = Interval{at(math.Floor((float64(m) - half) / 2)), at(math.Ceil((float64(m)+half)/2) + 1)}
	return r, nil
}

// kendallVariance is that of S without a trend, for ties in y, in x and in both (Kendall 1970, Rank
// Correlation Methods, 4.5).
func kendallVariance(x, y []float64) float64 {
	n := float64(len(x))
	tx, ty := tieSums(x), tieSums(y)
	v := (n*(n-1)*(2*n+5) - tx[2] - ty[2]) / 18
	v += tx[1] * ty[1] / (9 * n * (n - 1) * (n - 2))
	return v + tx[0]*ty[0]/(2*n*(n-1))
}

// tieSums gives Σt(t−1), Σt(t−1)(t−2) and Σt(t−1)(2t+5) over groups of t equal values.
func tieSums(x []float64) (s [3]float64) {
	sorted := slices.Sorted(slices.Values(x))
	for i := 0; i < len(sorted); {
		j := i
		for j < len(sorted) && sorted[j] == sorted[i] {
			j++
		}
		t := float64(j - i)
		s[0] += t * (t - 1)
		s[1] += t * (t - 1) * (t - 2)
		s[2] += t * (t - 1) * (2*t + 5)
		i = j
	}
	return s
}
