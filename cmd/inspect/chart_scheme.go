package main

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// schemeFlags are the designs of charts that have one. Zero takes what is usual.
type schemeFlags struct {
	lambda, width    float64
	allowance, limit float64
	headStart        float64
	every, shift     float64
	spread           string
	between          bool
	given            func(name string) bool
}

func (s *schemeFlags) add(cmd *cobra.Command) {
	f := cmd.Flags()
	f.Float64Var(&s.lambda, "lambda", 0, "weight of the newest value; 0 means 0.2 for ewma, 0.1 for mewma")
	f.Float64Var(&s.width, "width", 0, "limits at ± this many standard deviations (ewma: L); 0 means 3")
	f.Float64Var(&s.allowance, "k", 0, "allowance of cusum in sigma, half the shift that matters; 0 means 0.5")
	f.Float64Var(&s.limit, "h", 0, "decision limit of cusum in sigma; 0 means 5")
	f.Float64Var(&s.headStart, "head-start", 0, "where the sums of cusum start, in sigma; half of h is the fast initial response")
	f.Float64Var(&s.every, "every", 0, "t2 and mewma: limits that give a false alarm every so many points; 0 means 370")
	f.StringVar(&s.spread, "spread", "", "t2: how the covariance is found: sample, successive (differences of neighbours) or robust")
	f.BoolVar(&s.between, "between", false, "kind g: values are counts of events; take the rows from one event to the next")
	f.Float64Var(&s.shift, "shift", 1, "lasting move of the level, in sigma of a value, that the run length is said for")
	s.given = func(name string) bool { return f.Changed(name) }
}

// belongs says which kinds a flag is for.
var belongs = map[string][]string{
	"lambda": {"ewma", "mewma"}, "k": {"cusum"}, "h": {"cusum"}, "head-start": {"cusum"},
	"every": {"t2", "t2-subgroups", "mewma"}, "spread": {"t2", "mewma"}, "between": {"g"},
}

// check refuses a flag that the kind of chart has no use for, and values that no scheme has.
func (s schemeFlags) check(kind string) error {
	for _, name := range []string{"lambda", "k", "h", "head-start", "every", "spread", "between"} {
		if s.given(name) && !slices.Contains(belongs[name], kind) {
			return usagef("--%s is for --kind %s", name, strings.Join(belongs[name], " and "))
		}
	}
	for name, v := range map[string]float64{"lambda": s.lambda, "width": s.width, "k": s.allowance, "h": s.limit, "head-start": s.headStart, "every": s.every, "shift": s.shift} {
		if !(v >= 0) || math.IsInf(v, 0) {
			return usagef("--%s: want a number of at least 0, got %v", name, v)
		}
	}
	if s.every != 0 && s.every <= 2 {
		return usagef("--every: want more than 2 points between false alarms, got %v", s.every)
	}
	_, err := s.covariance(false)
	return err
}

func (s schemeFlags) scheme() series.Scheme {
	return series.Scheme{
		EWMA:  spc.EWMA{Lambda: s.lambda, Width: s.width},
		CUSUM: spc.CUSUM{K: s.allowance, H: s.limit, Headstart: s.headStart},
	}
}

// covariance is the estimator asked for; --robust alone means the robust one.
func (s schemeFlags) covariance(robust bool) (spc.CovarianceKind, error) {
	switch s.spread {
	case "":
		if robust {
			return spc.RobustCovariance, nil
		}
		return spc.SampleCovariance, nil
	case "sample":
		return spc.SampleCovariance, nil
	case "successive":
		return spc.SuccessiveDifferences, nil
	case "robust":
		return spc.RobustCovariance, nil
	}
	return 0, usagef("--spread: want sample, successive or robust, got %q", s.spread)
}

// runLengths are how long a chart runs until it signals.
type runLengths struct {
	shift      float64 // in standard deviations of what shiftOf says
	shiftOf    string
	factor     float64 // of counts: by which the rate of events rises, instead of a shift
	inControl  spc.RunLength
	afterShift spc.RunLength
}

// runsOf returns what is known of the run lengths of a chart, nil when nothing is.
func (p chartPlan) runsOf(kind series.Kind, c *spc.Chart) (*runLengths, error) {
	if kind.OfCounts() || kind.Rare() {
		return p.countRunLengths(kind, c)
	}
	return p.runLengths(kind, usualSize(*c))
}

// runLengths returns what is known of a kind's run lengths, nil when nothing is. Size is the number
// of values behind a point.
func (p chartPlan) runLengths(kind series.Kind, size int) (*runLengths, error) {
	r := &runLengths{shift: p.schemes.shift, shiftOf: "a value"}
	if kind == series.ThreeWay {
		r.shiftOf = "the points"
	}
	var known bool
	var err error
	if r.inControl, known, err = kind.RunLength(p.schemes.scheme(), p.options, size, 0); err != nil || !known {
		return nil, err
	}
	r.afterShift, _, err = kind.RunLength(p.schemes.scheme(), p.options, size, r.shift)
	return r, err
}

// countsRise is the rise of the rate that run lengths of charts of counts are given for.
const countsRise = 2

// countRunLengths does so for a chart of counts, or of what lies between events.
func (p chartPlan) countRunLengths(kind series.Kind, c *spc.Chart) (*runLengths, error) {
	r := &runLengths{factor: countsRise}
	var known, rises bool
	var err error
	if r.inControl, known, err = kind.CountRunLength(c, p.options, 1); err != nil || !known {
		return nil, err
	}
	if r.afterShift, rises, err = kind.CountRunLength(c, p.options, r.factor); !rises {
		r.afterShift.Mean = math.NaN() // there is no such rate
	}
	return r, err
}

// text says it in a sentence.
func (r *runLengths) text() string {
	if r.factor != 0 {
		if math.IsInf(r.inControl.Mean, 0) {
			return "with these rules counts so few can't give an alarm"
		}
		if math.IsNaN(r.afterShift.Mean) {
			return "with these rules one false alarm every " + pointsText(r.inControl)
		}
		return fmt.Sprintf("with these rules one false alarm every %s; a rate twice as high is seen after %s", pointsText(r.inControl), pointsText(r.afterShift))
	}
	return fmt.Sprintf("with these rules one false alarm every %s; a lasting move by %s %s is seen after %s",
		pointsText(r.inControl), shortNumber(r.shift), "sigma of "+r.shiftOf, pointsText(r.afterShift))
}

// pointsText writes an average number of points to the digits that its error leaves.
func pointsText(r spc.RunLength) string {
	decimals := 0
	if r.Mean < 10 {
		decimals = 1
	}
	text := fmt.Sprintf("%.*f points", decimals, r.Mean)
	if r.SE > 0 {
		text += " (simulated)"
	}
	return text
}

// shortNumber writes a number without trailing zeros.
func shortNumber(v float64) string { return strings.Replace(fmt.Sprintf("%.4g", v), "-", "−", 1) }
