package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"
)

// Individuals returns the charts of single values in time order: x above the moving range of
// neighbours, with σ = MR̄/d2(2) (or the median moving range, see [Options.Robust]). The moving
// range chart has no point for the first value of each phase.
//
// It returns an error that says what and where when fewer than two values are given, when one is
// not finite, when the baseline doesn't vary, or when a phase or rule doesn't fit.
func Individuals(x []float64, opt Options) ([]Chart, error) {
	if err := needFinite("individuals chart", x, 2); err != nil {
		return nil, err
	}
	level := make([]Point, len(x))
	for i, v := range x {
		level[i] = Point{Value: v, Index: i, Size: 1}
	}
	charts, err := levelAndMovingRange(level, "x", opt)
	if err != nil {
		return nil, fmt.Errorf("individuals chart: %w", err)
	}
	return charts, nil
}

// levelAndMovingRange charts points as single values above the moving range of neighbours.
func levelAndMovingRange(level []Point, statistic string, opt Options) ([]Chart, error) {
	if err := onlyLimits("moving range", opt.SpreadRules); err != nil {
		return nil, err
	}
	ss, err := stretches(len(level), opt.Phases)
	if err != nil {
		return nil, err
	}
	spread := make([]Point, 0, len(level))
	for _, s := range ss {
		for i := s.Start + 1; i < s.end; i++ {
			spread = append(spread, Point{Value: math.Abs(level[i].Value - level[i-1].Value), Index: i, Size: 2})
		}
	}
	kind := rangeSpread
	kind.symbol = "MR"
	return levelAndSpread(level, spread, [2]string{statistic, "MR"}, kind, ss, opt)
}

// XbarR returns the charts of subgroups: x̄ above the range R, with σ = R̄/d2. Sizes may differ from
// subgroup to subgroup; limits then differ from point to point.
//
// Errors are as those of [Individuals]; subgroups need two values or more.
func XbarR(subgroups [][]float64, opt Options) ([]Chart, error) {
	return xbar(subgroups, "R", rangeSpread, rangeOf, opt)
}

// XbarS returns the charts of subgroups: x̄ above the standard deviation s, with σ = s̄/c4. Sizes may
// differ from subgroup to subgroup; limits then differ from point to point.
//
// Errors are as those of [Individuals]; subgroups need two values or more.
func XbarS(subgroups [][]float64, opt Options) ([]Chart, error) {
	return xbar(subgroups, "s", sdSpread, func(g []float64) float64 { return stat.StdDev(g, nil) }, opt)
}

// widestRange is the largest subgroup whose range is a good measure of spread: it uses two values
// and wastes the rest (common practice, no source).
const widestRange = 10

func xbar(subgroups [][]float64, symbol string, kind spreadKind, of func([]float64) float64, opt Options) ([]Chart, error) {
	what := "x̄-" + symbol + " chart"
	if err := checkSubgroups(what, subgroups); err != nil {
		return nil, err
	}
	if err := knownRules(opt.SpreadRules); err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	ss, err := stretches(len(subgroups), opt.Phases)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	level := make([]Point, len(subgroups))
	spread := make([]Point, len(subgroups))
	largest := 0
	for i, g := range subgroups {
		level[i] = Point{Value: stat.Mean(g, nil), Index: i, Size: len(g)}
		spread[i] = Point{Value: of(g), Index: i, Size: len(g)}
		largest = max(largest, len(g))
	}
	charts, err := levelAndSpread(level, spread, [2]string{"x̄", symbol}, kind, ss, opt)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what, err)
	}
	if symbol == "R" && largest > widestRange {
		charts[1].warn("subgroups of %d values: the range wastes most of them, use x̄ and s", largest)
	}
	return charts, nil
}

// levelAndSpread fills in the limits of both charts, stretch by stretch, and runs the rules.
func levelAndSpread(level, spread []Point, names [2]string, kind spreadKind, ss []stretch, opt Options) ([]Chart, error) {
	up := Chart{Statistic: names[0], Points: level, Rules: rulesOr(opt.Rules)}
	down := Chart{Statistic: names[1], Points: spread, Rules: rulesOr(opt.SpreadRules)}
	if err := knownRules(up.Rules); err != nil {
		return nil, err
	}
	f, width, k := kind.factors(), opt.width(), 0
	if !(width > 0) || math.IsInf(width, 0) {
		return nil, fmt.Errorf("limits at ± %v sigma: want a number above zero", width)
	}
	for i, s := range ss {
		ph, err := s.estimate(level, spread, f, opt.Robust)
		if err != nil {
			return nil, fmt.Errorf("phase %s: %w", phaseName(s.Phase, i), err)
		}
		for j := s.Start; j < s.end; j++ {
			level[j].Limits = symmetric(ph.Center, ph.Sigma/math.Sqrt(float64(level[j].Size)), width)
		}
		from := k
		for ; k < len(spread) && spread[k].Index < s.end; k++ {
			c := f.at(spread[k].Size)
			spread[k].Limits = nonNegative(c.mean*ph.Sigma, c.sd*ph.Sigma, width)
		}
		ph.From, ph.To = s.Start, s.end
		up.Phases = append(up.Phases, ph)
		up.doubt(ph, phaseName(s.Phase, i))
		ph.From, ph.To = from, k
		if k > from {
			ph.Center = spread[from].Center
		}
		down.Phases = append(down.Phases, ph)
	}
	up.findHits()
	down.findHits()
	return []Chart{up, down}, nil
}

func checkSubgroups(what string, subgroups [][]float64) error {
	if len(subgroups) == 0 {
		return fmt.Errorf("%s: no subgroups", what)
	}
	for i, g := range subgroups {
		where := fmt.Sprintf("%s: subgroup %d of %d", what, i+1, len(subgroups))
		switch len(g) {
		case 0:
			return fmt.Errorf("%s is empty", where)
		case 1:
			return fmt.Errorf("%s holds one value: want two or more; chart single values with an individuals chart", where)
		}
		if err := needFinite(where, g, 2); err != nil {
			return err
		}
	}
	return nil
}

func rangeOf(g []float64) float64 {
	lo, hi := g[0], g[0]
	for _, v := range g[1:] {
		lo, hi = math.Min(lo, v), math.Max(hi, v)
	}
	return hi - lo
}
