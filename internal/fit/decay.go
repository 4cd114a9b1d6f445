package fit

// A decay is a function of the distance outward, blurred, with its derivatives; reach's is by
// its logarithm.
type decay struct{ v, dx, dsigma, dreach float64 }

// exponential is exp(-x/ℓ) for x > 0, blurred: the exponentially modified Gaussian.
func exponential(x, t, pdf, sigma, reach float64) decay {
	q := sigma / reach
	a, _ := normal(t - q)
	if a == 0 {
		return decay{}
	}
	e := exp(q*q/2-x/reach) * a
	dx := pdf/sigma - e/reach
	return decay{e, dx, -q*dx - pdf*t/sigma, e*(x/reach-q*q) + pdf*q}
}

// triangle is 1 - x/ℓ for 0 < x < ℓ, blurred. rise is the blurred ramp max(x, 0).
func triangle(x, t, cdf, pdf, rise, sigma, reach float64) decay {
	far, farPdf := normal(t - reach/sigma)
	ramp := (rise - (x-reach)*far - sigma*farPdf) / reach
	return decay{cdf - ramp, pdf/sigma - (cdf-far)/reach, -pdf*t/sigma - (pdf-farPdf)/reach, ramp - far}
}
