package fit

import "math"

// The normal integral and density are wanted ten million times a picture. Between knots 1/64
// apart, cubic Hermite interpolation with exact slopes errs by less than 2e-10.
const (
	normalReach = 7.0
	normalSteps = 64
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
	if x <= -normalReach {
		return 0, 0
	}
	if x >= normalReach {
		return 1, 0
	}
	const h = 1.0 / normalSteps
	u := (x + normalReach) * normalSteps
	i := int(u)
	a, b := &normalTable[i], &normalTable[i+1]
	t := u - float64(i)
	x0 := float64(i)*h - normalReach
	s := t * t * (3 - 2*t)
	p := t * (1 - t) * (1 - t) * h
	q := -t * t * (1 - t) * h
	cdf = a.cdf + s*(b.cdf-a.cdf) + p*a.pdf + q*b.pdf
	pdf = a.pdf + s*(b.pdf-a.pdf) - p*x0*a.pdf - q*(x0+h)*b.pdf
	return cdf, pdf
}

const expSteps = 64

var expTable = func() (t [expSteps]float64) {
	for i := range t {
		t[i] = math.Exp2(float64(i) / expSteps)
	}
	return t
}()

// exp returns e to the power of x, |x| below 700, to a relative 4e-11: the nearest 64th power of two
// times the series of what is left.
func exp(x float64) float64 {
	n := int(math.Floor(x*(expSteps*math.Log2E) + 0.5))
	r := x - float64(n)*(math.Ln2/expSteps)
	p := 1 + r*(1+r*(1./2+r*(1./6)))
	return p * expTable[n&(expSteps-1)] * math.Float64frombits(uint64(n>>6+1023)<<52)
}
