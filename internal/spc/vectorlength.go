package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// T2RunLength returns the average run length of a T² chart of p variables with known mean and
// covariance and false-alarm chance alpha at each point, when the mean has moved by shift in the
// Mahalanobis sense, √(δᵀΣ⁻¹δ): the reciprocal of the tail of a noncentral χ²(p, shift²).
func T2RunLength(p int, alpha, shift float64) (RunLength, error) {
	if err := checkVectorRun(p, shift); err != nil {
		return RunLength{}, err
	}
	if err := needProbability("T² run length: alpha", alpha); err != nil {
		return RunLength{}, err
	}
	limit := distuv.ChiSquared{K: float64(p)}.Quantile(1 - alpha)
	return RunLength{Mean: 1 / noncentralTail(limit, p, shift)}, nil
}

func checkVectorRun(p int, shift float64) error {
	if p < 1 {
		return fmt.Errorf("run length: %d variables: want at least 1", p)
	}
	if !(shift >= 0) || math.IsInf(shift, 0) {
		return fmt.Errorf("run length: shift %v: want a finite distance, 0 or more", shift)
	}
	return nil
}

// noncentralTail returns P(χ'² > x) with p degrees of freedom and noncentrality shift²: a mixture of
// central laws with Poisson weights.
func noncentralTail(x float64, p int, shift float64) float64 {
	switch {
	case shift == 0:
		return distuv.ChiSquared{K: float64(p)}.Survival(x)
	case shift > math.Sqrt(x)+40: // even along the move alone, Φ(−40) is zero in double precision
		return 1
	}
	mean := shift * shift / 2
	return poissonMixture(mean, func(j int) float64 { return distuv.ChiSquared{K: float64(p + 2*j)}.Survival(x) })
}

// poissonMixture sums weight·f(j) over Poisson weights, from the middle outwards until the weights
// are spent.
func poissonMixture(mean float64, f func(int) float64) float64 {
	const spent = 1e-18
	middle := int(mean)
	lg, _ := math.Lgamma(float64(middle + 1))
	top := math.Exp(float64(middle)*math.Log(mean) - mean - lg)
	var sum float64
	for j, w := middle, top; w > spent; j++ {
		sum += w * f(j)
		w *= mean / float64(j+1)
	}
	for j, w := middle-1, top*float64(middle)/mean; j >= 0 && w > spent; j-- {
		sum += w * f(j)
		w *= float64(j) / mean
	}
	return sum
}

// noncentralChi returns the density at s of the length of a normal vector of p variables with unit
// covariance whose mean has length rho.
func noncentralChi(s, rho float64, p int) float64 {
	if p == 1 {
		return normalDensity(s-rho) + normalDensity(s+rho)
	}
	// Σ tⱼ with tⱼ = e^(−(s²+ρ²)/2)·(ρ²/2)ʲ/j!·s^(p−1+2j)/(2^(p/2+j−1)·Γ(p/2+j)), from its largest term.
	half := float64(p) / 2
	j0 := math.Floor(rho * s / 2)
	a, _ := math.Lgamma(j0 + 1)
	b, _ := math.Lgamma(half + j0)
	log := -(s*s+rho*rho)/2 + float64(p-1)*math.Log(s) - (half-1)*math.Ln2 - a - b
	if j0 > 0 {
		log += 2 * j0 * math.Log(rho*s/2)
	}
	top, q := math.Exp(log), rho*rho*s*s/4
	sum := top
	for j, t := j0, top; t > 1e-17*sum; j++ {
		t *= q / ((j + 1) * (j + half))
		sum += t
	}
	for j, t := j0, top; j > 0 && t > 1e-17*sum; j-- {
		t *= j * (j - 1 + half) / q
		sum += t
	}
	return sum
}

// RunLength returns the average run length of the chart of p variables with known mean and
// covariance and steady limits, when the mean has moved by shift in the Mahalanobis sense at the
// start. In control the length of z is a Markov process (Rigdon 1995, Journal of Statistical
// Computation and Simulation 52, 351–365); after a move its part along the move and the length
// of the rest are (Runger & Prabhu 1996, Journal of the American Statistical Association 91,
// 1701–1706). Both integral equations are solved on Gauss-Legendre nodes.
//
// It returns an error when Steady is false: the opening covariance signals sooner, which has to be
// simulated.
func (e MEWMA) RunLength(p int, shift float64) (RunLength, error) {
	e, err := e.filled()
	if err != nil {
		return RunLength{}, err
	}
	if err := checkVectorRun(p, shift); err != nil {
		return RunLength{}, err
	}
	if err := checkRun(shift, e.reach()); err != nil {
		return RunLength{}, err
	}
	if !e.Steady {
		return RunLength{}, fmt.Errorf("run length: of a MEWMA it is computed for steady limits only: set Steady")
	}
	switch {
	case p == 1:
		return EWMA{Lambda: e.Lambda, Width: math.Sqrt(e.H), Steady: true}.RunLength(shift)
	case shift == 0:
		return RunLength{Mean: e.inControl(p)}, nil
	case e.reach() > widestDisc:
		return RunLength{}, fmt.Errorf("run length: after a move it is computed for lambda of about 0.01 or more, got %v with limit %v", e.Lambda, e.H)
	}
	return RunLength{Mean: e.moved(p, shift)}, nil
}

// widestDisc keeps the computation in two directions under some seconds.
const widestDisc = 25

// reach is the largest length that z has without a signal, in units of λσ.
func (e MEWMA) reach() float64 { return math.Sqrt(e.H*e.Lambda/(2-e.Lambda)) / e.Lambda }

// inControl follows the length of z, in units of λσ.
func (e MEWMA) inControl(p int) float64 {
	h := e.reach()
	n := nodesFor(h)
	r, w := gaussNodes(n, 0, h)
	a := runLengths(n, func(i, j int) float64 { return w[j] * noncentralChi(r[j], (1-e.Lambda)*r[i], p) },
		func(i int) float64 { return noncentralTail(h*h, p, (1-e.Lambda)*r[i]) })
	mean := 1.
	for j := range r {
		mean += w[j] * noncentralChi(r[j], 0, p) * a[j]
	}
	return mean
}

// moved follows the part of z along the move and the length of the rest, in units of λσ, on the half
// disc that they fill: along = h·sin θ, across = h·cos θ·u.
func (e MEWMA) moved(p int, shift float64) float64 {
	h := e.reach()
	// The densities have unit standard deviation over 2h along and h across. With so many nodes
	// doubling them changes 1e-8 of the result up to h = 16 (λ = 0.02).
	na, nu := 22+int(math.Ceil(3.2*h)), 7+int(math.Ceil(h))
	theta, wt := gaussNodes(na, -math.Pi/2, math.Pi/2)
	u, wu := gaussNodes(nu, 0, 1)
	n := na * nu
	along, across, weight := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range na {
		edge := h * math.Cos(theta[i])
		for k := range nu {
			at := i*nu + k
			along[at], across[at] = h*math.Sin(theta[i]), edge*u[k]
			weight[at] = wt[i] * edge * wu[k] * edge
		}
	}
	stay := 1 - e.Lambda
	density := func(a, b float64, j int) float64 {
		return weight[j] * normalDensity(along[j]-stay*a-shift) * noncentralChi(across[j], stay*b, p-1)
	}
	lengths := runLengths(n, func(i, j int) float64 { return density(along[i], across[i], j) },
		func(i int) float64 { return noncentralTail(h*h, p, math.Hypot(stay*along[i]+shift, stay*across[i])) })
	mean := 1.
	for j := range lengths {
		mean += density(0, 0, j) * lengths[j]
	}
	return mean
}
