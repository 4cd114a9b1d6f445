package spc

import (
	"fmt"
	"math"
	"math/rand/v2"
)

// A RunLength is the average number of points until a chart first signals.
type RunLength struct {
	Mean float64
	SE   float64 // standard error where it was simulated; 0 where it was computed
}

// String says it with its error where there is one.
func (r RunLength) String() string {
	if r.SE == 0 {
		return fmt.Sprintf("%.4g points", r.Mean)
	}
	return fmt.Sprintf("%.4g ± %.2g points (simulated, one standard error)", r.Mean, r.SE)
}

// A Shewhart is a chart of single points with run rules: individuals, x̄, or any other statistic
// that is normal and independent from point to point, with known centre and standard deviation.
type Shewhart struct {
	Rules []Rule  // nil means points beyond the limits only
	Width float64 // limits at ± Width standard deviations; 0 means 3
}

func (s Shewhart) filled() (Shewhart, error) {
	s.Width = Options{Width: s.Width}.width()
	if !(s.Width > 0) || math.IsInf(s.Width, 0) {
		return s, fmt.Errorf("run length: limits at ± %v sigma: want a number above zero", s.Width)
	}
	s.Rules = rulesOr(s.Rules)
	if len(s.Rules) == 0 {
		return s, fmt.Errorf("run length: no rules, so the chart never signals")
	}
	return s, knownRules(s.Rules)
}

// RunLength returns the average run length when the level has moved by shift, in standard deviations
// of the plotted statistic (for means of n: the shift of the process times √n). At shift 0 it is
// the average number of points between false alarms.
//
// It is exact, by a Markov chain whose states are what the rules remember (Champ & Woodall 1987,
// Technometrics 29, 393–399), unless the rules hold Nelson 3 or 4: those compare values, so they are
// simulated, runs times (0 means 100 000) with rng. Without them rng may be nil.
//
// As in the published tables, the run length is counted from a fresh start; rules that look back
// need points first.
func (s Shewhart) RunLength(shift float64, rng *rand.Rand, runs int) (RunLength, error) {
	s, err := s.filled()
	if err != nil {
		return RunLength{}, err
	}
	if math.IsNaN(shift) || math.IsInf(shift, 0) {
		return RunLength{}, fmt.Errorf("run length: shift %v: want a finite number", shift)
	}
	if s.comparesValues() {
		p := Point{Limits: symmetric(0, 1, s.Width)}
		return s.simulated(rng, runs, func() Point {
			p.Value = shift + rng.NormFloat64()
			return p
		})
	}
	return RunLength{Mean: s.exact(zonesOf(s.Width, func(a, b float64) float64 { return normalBetween(a-shift, b-shift) }))}, nil
}

// Miss returns the chance that one point stays inside the limits although the level has moved by
// shift, as in [Shewhart.RunLength]: over shift, the operating characteristic of the chart. Run
// rules don't enter.
func (s Shewhart) Miss(shift float64) float64 {
	w := Options{Width: s.Width}.width()
	return normalBetween(-w-shift, w-shift)
}

func (s Shewhart) comparesValues() bool {
	for _, r := range s.Rules {
		if r == Nelson3 || r == Nelson4 {
			return true
		}
	}
	return false
}

// longestRun ends a simulated run: it stands for rules that practically never fire.
const longestRun = 10_000_000

// simulated runs the rules over points that draw gives, runs times.
func (s Shewhart) simulated(rng *rand.Rand, runs int, draw func() Point) (RunLength, error) {
	if rng == nil {
		return RunLength{}, fmt.Errorf("run length: Nelson 3 and 4 have to be simulated: want a source of random numbers")
	}
	if runs == 0 {
		runs = 100_000
	}
	if runs < 2 {
		return RunLength{}, fmt.Errorf("run length: %d runs: want at least 2", runs)
	}
	d := newDetector(s.Rules)
	var sum, square float64
	for range runs {
		d.reset()
		length := 0
		for fired := uint32(0); fired == 0; length++ {
			if length == longestRun {
				return RunLength{}, fmt.Errorf("run length: no signal within %d points: too long to simulate", longestRun)
			}
			p := draw()
			fired = d.step(&p)
		}
		sum += float64(length)
		square += float64(length) * float64(length)
	}
	n := float64(runs)
	mean := sum / n
	return RunLength{Mean: mean, SE: math.Sqrt((square/n - mean*mean) / (n - 1))}, nil
}

// normalBetween returns P(a < Z < b), keeping digits in either tail.
func normalBetween(a, b float64) float64 {
	if a > 0 {
		return upperTail(a) - upperTail(b)
	}
	return upperTail(-b) - upperTail(-a)
}
