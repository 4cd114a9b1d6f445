package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// PoissonInterval returns the exact two-sided confidence interval of a mean count when x events were
// counted (Garwood 1936, Biometrika 28, 437–442): half the chi-square points of 2x and 2x+2 degrees of
// freedom. Over the opportunities it is that of a rate. Confidence 0 means 0.95.
func PoissonInterval(x int, confidence float64) (Interval, error) {
	if x < 0 {
		return Interval{}, fmt.Errorf("poisson interval: %d events: want 0 or more", x)
	}
	conf, err := confidenceOr95("poisson interval", confidence)
	if err != nil {
		return Interval{}, err
	}
	a := (1 - conf) / 2
	// Bracketed roots in the logarithm, for the digits that the library's inverse doesn't have.
	point := func(shape, p float64) float64 {
		return math.Exp(rootBetween(func(logM float64) float64 { return mathext.GammaIncReg(shape, math.Exp(logM)) - p }, -700, math.Log(shape+100*math.Sqrt(shape)+1000)))
	}
	iv := Interval{High: point(float64(x+1), 1-a)}
	if x > 0 {
		iv.Low = point(float64(x), a)
	}
	return iv, nil
}
