package spc

import (
	"fmt"
	"math"
)

// A Tolerance is what the drawing allows, in the unit of the values it judges. A limit that
// doesn't exist is infinite; [AtMost] and [AtLeast] build such a tolerance.
type Tolerance struct {
	Lower, Upper float64
}

// AtMost returns the tolerance that has an upper limit only.
func AtMost(upper float64) Tolerance { return Tolerance{math.Inf(-1), upper} }

// AtLeast returns the tolerance that has a lower limit only.
func AtLeast(lower float64) Tolerance { return Tolerance{lower, math.Inf(1)} }

func (t Tolerance) hasLower() bool { return !math.IsInf(t.Lower, -1) }
func (t Tolerance) hasUpper() bool { return !math.IsInf(t.Upper, 1) }
func (t Tolerance) twoSided() bool { return t.hasLower() && t.hasUpper() }

// check returns an error for a tolerance nothing can be judged by.
func (t Tolerance) check() error {
	switch {
	case math.IsNaN(t.Lower) || math.IsNaN(t.Upper):
		return fmt.Errorf("tolerance: a limit is not a number: lower %v, upper %v", t.Lower, t.Upper)
	case !t.hasLower() && !t.hasUpper():
		return fmt.Errorf("tolerance: both limits are infinite, want at least one")
	case t.Lower >= t.Upper:
		return fmt.Errorf("tolerance: lower limit %v is not below upper limit %v", t.Lower, t.Upper)
	}
	return nil
}
