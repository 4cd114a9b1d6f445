package spc

import (
	"fmt"
	"math"
)

// Limits are the lines of a chart at one point.
type Limits struct {
	Center   float64
	LCL, UCL float64 // a point exactly on a limit is not outside it
	// Sigma is the standard deviation of the plotted statistic, the width of a zone. It is zero
	// on charts whose statistic has no zones (CUSUM, T², MEWMA).
	Sigma float64
}

// A Point is one value of the plotted statistic with the limits that hold there.
type Point struct {
	Value float64
	Limits
	Index int // subgroup (or single value) that it stands for, in the order given, from zero
	Size  int // values behind it
}

// A Chart is one statistic plotted in order.
type Chart struct {
	Statistic string // what is plotted, as the trade writes it: "x", "MR", "x̄", "R", "s", "EWMA", "T²"
	Points    []Point
	Phases    []PhaseLimits // in order; they cover Points without a gap
	Rules     []Rule        // applied to the points
	Hits      []Hit         // in order of the point that completed the pattern
	// Warnings say what makes the limits doubtful, in plain words: autocorrelation, a short baseline.
	Warnings []string

	meaning string // of a point beyond the limits, where it isn't that of an ordinary chart
}

// PhaseLimits says where the limits of one phase came from.
type PhaseLimits struct {
	Name     string
	From, To int // its points in [Chart.Points], half-open
	// Center and Sigma describe the process: the level and the standard deviation of a single
	// value. On charts of spread Center is the level of the statistic for the first point's size.
	Center, Sigma float64
	Between       float64 // standard deviation between subgroups, on three-way charts; 0 elsewhere
	Baseline      int     // subgroups or values behind the limits; 0 when both were stated
	Source        string  // how Center and Sigma were found, in words
	Lag1, Lag1P   float64 // lag-1 autocorrelation of the baseline and its two-sided p value; 0, 1 where not looked at
}

// Options refine a chart. The zero value works: one phase that is its own baseline, limits at three
// sigma, points beyond the limits marked.
type Options struct {
	Phases []Phase // in order of Start; none means one phase with everything
	// Robust takes medians instead of means for centre and spread, so that up to nearly half of
	// the baseline may be bad without widening the limits; good baselines give somewhat less certain
	// limits than with means.
	Robust bool
	// Rules of the chart of level; nil means points beyond the limits only ([Nelson1]), an empty
	// slice none.
	Rules []Rule
	// SpreadRules are those of the chart of spread under it (MR, R, s), as Rules.
	SpreadRules []Rule
	Width       float64 // limits at ± Width standard deviations; 0 means 3
}

func (o Options) width() float64 {
	if o.Width == 0 {
		return 3
	}
	return o.Width
}

// rulesOr gives the rules chosen, points beyond the limits where none were.
func rulesOr(rules []Rule) []Rule {
	if rules == nil {
		return []Rule{Nelson1}
	}
	return rules
}

// symmetric gives limits at center ± width·sigma.
func symmetric(center, sigma, width float64) Limits {
	return Limits{Center: center, LCL: center - width*sigma, UCL: center + width*sigma, Sigma: sigma}
}

// nonNegative gives the same for a statistic that can't be negative.
func nonNegative(center, sigma, width float64) Limits {
	l := symmetric(center, sigma, width)
	l.LCL = math.Max(0, l.LCL)
	return l
}

// Outside reports whether the point lies beyond a limit, and on which side: +1 above, −1 below.
func (p Point) Outside() (side int) {
	switch {
	case p.Value > p.UCL:
		return 1
	case p.Value < p.LCL:
		return -1
	}
	return 0
}

func (c *Chart) warn(format string, args ...any) {
	c.Warnings = append(c.Warnings, fmt.Sprintf(format, args...))
}

// A baseline shorter than fewSubgroups gives limits that are themselves uncertain (common practice
// asks for 20 to 25, no source); autocorrelation is said when chance would show as much less often
// than once in a hundred baselines.
const (
	fewSubgroups   = 20
	lagSignificant = 0.01
)

// doubt warns of what makes the limits of a phase doubtful.
func (c *Chart) doubt(ph PhaseLimits, name string) {
	if ph.Baseline > 0 && ph.Baseline < fewSubgroups {
		c.warn("phase %s: limits rest on %d points only; they are preliminary until there are %d or more", name, ph.Baseline, fewSubgroups)
	}
	if ph.Lag1P < lagSignificant {
		effect := "limits from the spread of neighbours are too narrow and false alarms many; find what the points share, or chart with wider limits"
		if ph.Lag1 < 0 {
			effect = "the points take turns, and limits from the spread of neighbours are too wide; look for two sources, or for correction after every point"
		}
		c.warn("phase %s: neighbouring points are not independent (lag-1 autocorrelation %.2f, p = %.2g): %s", name, ph.Lag1, ph.Lag1P, effect)
	}
}
