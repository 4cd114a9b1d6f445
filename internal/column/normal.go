package column

import "math"

// The normal integral and density, tabulated: the disc fit wants them some hundred thousand
// times a picture. Linear interpolation between knots 1/256 apart errs by less than 1e-6 (of 1).
const (
	normalReach = 5.0
	normalSteps = 256
)

var normalTable = func() (t [2*normalReach*normalSteps + 2]struct{ cdf, pdf float64 }) {
	for i := range t {
		x := float64(i)/normalSteps - normalReach
		t[i].cdf = 0.5 * math.Erfc(-x/math.Sqrt2)
		t[i].pdf = math.Exp(-x*x/2) / math.Sqrt(2*math.Pi)
	}
	return t
}()

// normal returns the standard normal integral and density at x.
func normal(x float64) (cdf, pdf float64) {
	u := (x + normalReach) * normalSteps
	switch {
	case u <= 0:
		return 0, 0
	case u >= 2*normalReach*normalSteps:
		return 1, 0
	}
	i := int(u)
	f := u - float64(i)
	a, b := &normalTable[i], &normalTable[i+1]
	return a.cdf + f*(b.cdf-a.cdf), a.pdf + f*(b.pdf-a.pdf)
}
