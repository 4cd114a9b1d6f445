package main

import (
	"math"
	"strconv"
)

// A number is a number in JSON, which has none that isn't finite: those are null.
type number float64

func (n number) MarshalJSON() ([]byte, error) {
	v := float64(n)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	format := byte('f')
	if a := math.Abs(v); a != 0 && (a < 1e-6 || a >= 1e21) {
		format = 'e'
	}
	return strconv.AppendFloat(nil, v, format, -1, 64), nil
}
