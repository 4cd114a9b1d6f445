package spc

import (
	"fmt"
	"math"
)

// ThreeWay returns the three charts of subgroups whose values are more alike than subgroups are,
// such as units of one lot or sites of one wafer: x̄ and its moving range, with the limits of
// individuals, and s within subgroups. Limits of x̄ taken from the spread within would be far too
// narrow there.
//
// [PhaseLimits] of the first chart carry the components: the spread within, σw = s̄/c4, and between,
// σb² = max(0, σx̄² − σw²/n) with n the harmonic mean of the sizes and σx̄ = MR̄/d2(2); Sigma is
// √(σb²+σw²), the standard deviation of a single value.
//
// Errors are as those of [XbarS]; a sigma can't be stated, because there are two.
func ThreeWay(subgroups [][]float64, opt Options) ([]Chart, error) {
	for i, p := range opt.Phases {
		if p.Sigma != nil {
			return nil, fmt.Errorf("three-way chart: phase %s states a sigma: this chart has two (between and within) and estimates both", phaseName(p, i))
		}
	}
	within, err := XbarS(subgroups, Options{Phases: opt.Phases, Robust: opt.Robust, SpreadRules: opt.SpreadRules, Width: opt.Width})
	if err != nil {
		return nil, fmt.Errorf("three-way chart: %w", err)
	}
	level := make([]Point, len(subgroups))
	for i, p := range within[0].Points {
		level[i] = Point{Value: p.Value, Index: i, Size: 1} // a mean counts as a single value
	}
	opt.SpreadRules = nil
	charts, err := levelAndMovingRange(level, "x̄", opt)
	if err != nil {
		return nil, fmt.Errorf("three-way chart: %w", err)
	}
	for k := range charts[0].Phases {
		ph := &charts[0].Phases[k]
		sw := within[0].Phases[k].Sigma
		var inverse float64
		for _, p := range within[0].Points[ph.From:ph.To] {
			inverse += 1 / float64(p.Size)
		}
		ofMean := sw * sw * inverse / float64(ph.To-ph.From)
		ph.Between = math.Sqrt(math.Max(0, ph.Sigma*ph.Sigma-ofMean))
		ph.Sigma = math.Hypot(ph.Between, sw)
	}
	for i := range level {
		charts[0].Points[i].Size = len(subgroups[i])
	}
	return append(charts, within[1]), nil
}
