package reading

import (
	"fmt"
	"math"
	"strconv"
)

// PlusMinus writes a value with its uncertainty, both to the digits that the uncertainty leaves
// meaning: "12.34 ± 0.31". An uncertainty that isn't above zero is left out.
//
// Digits follow the rule of the Particle Data Group (Review of Particle Physics, introduction,
// section 5.3 "Rounding"): with the uncertainty's three leading digits between 100 and 354 two
// are kept, between 355 and 949 one, and from 950 it becomes 1000 and two are kept.
func PlusMinus(value, uncertainty float64) string {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return "–"
	}
	if !(uncertainty > 0) || math.IsInf(uncertainty, 0) {
		return signed(value, -1)
	}
	d, uncertainty := decimals(uncertainty)
	if d < 0 {
		unit := math.Pow10(-d)
		return fmt.Sprintf("%s ± %.0f", signed(math.Round(value/unit)*unit, 0), math.Round(uncertainty/unit)*unit)
	}
	return fmt.Sprintf("%s ± %.*f", signed(value, d), d, uncertainty)
}

// decimals returns how many digits after the point the rule keeps, below zero before it, and the
// uncertainty as the rule takes it.
func decimals(u float64) (int, float64) {
	exponent := int(math.Floor(math.Log10(u)))
	lead := math.Round(u / math.Pow10(exponent-2)) // 100 to 1000
	switch {
	case lead >= 950:
		return -exponent, math.Pow10(exponent + 1)
	case lead >= 355:
		return -exponent, u
	}
	return 1 - exponent, u
}

// signed writes a number with a true minus sign and never as minus zero.
func signed(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if v >= 0 {
		return s
	}
	for _, c := range s {
		if c >= '1' && c <= '9' {
			return "−" + s[1:]
		}
	}
	return s[1:]
}
