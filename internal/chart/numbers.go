package chart

import (
	"math"
	"strconv"
	"strings"
)

// number writes v with a true minus sign and never as minus zero.
func number(v float64, decimals int) string {
	if math.IsNaN(v) {
		return "–"
	}
	if math.IsInf(v, 0) {
		return "∞"
	}
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return strings.Replace(s, "-", "−", 1)
}

// decimalsFor returns how many decimals show two digits of a spread, or a step of a scale.
func decimalsFor(spread float64) int {
	if !(spread > 0) || math.IsInf(spread, 0) {
		return 2
	}
	return min(max(1-int(math.Floor(math.Log10(spread))), 0), 9)
}
