package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// gaussNodes returns n Gauss-Legendre nodes and weights on [a, b].
func gaussNodes(n int, a, b float64) (x, w []float64) {
	x, w = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, a, b)
	return x, w
}

// nodesFor gives how many nodes resolve a normal density over a stretch of the given length in
// units of its standard deviation, to about 1e-11.
func nodesFor(length float64) int { return 30 + int(math.Ceil(3*length)) }

// checkRun refuses shifts that are no numbers, and schemes with so long a memory that their run
// length is longer than any production and would take minutes to compute: length is that of
// [nodesFor].
func checkRun(shift, length float64) error {
	const longest = 300
	if math.IsNaN(shift) || math.IsInf(shift, 0) {
		return fmt.Errorf("run length: shift %v: want a finite number", shift)
	}
	if length > longest {
		return fmt.Errorf("run length: limits this wide (or a lambda this small) are out of reach of the computation: choose narrower ones")
	}
	return nil
}

// runLengths solves A = 1 + K·A, the integral equation of the run length, on n nodes (Nyström):
// kernel(i, j) is the weight times the density of going from node i to node j, leave(i) the chance
// of a signal from node i.
func runLengths(n int, kernel func(i, j int) float64, leave func(i int) float64) []float64 {
	p, leaving := make([][]float64, n), make([]float64, n)
	for i := range p {
		p[i] = make([]float64, n)
		for j := range p[i] {
			p[i][j] = kernel(i, j)
		}
		leaving[i] = leave(i)
	}
	return absorptionTimes(p, leaving)
}

// RunLength returns the average run length of the chart for independent normal values whose level has
// moved by shift, in standard deviations of the charted values, at the start: at shift 0 the average
// between false alarms. It solves the integral equation of Crowder (1987, Technometrics 29,
// 401–407); opening limits are followed until they stand still.
func (e EWMA) RunLength(shift float64) (RunLength, error) {
	e, err := e.filled()
	if err != nil {
		return RunLength{}, err
	}
	if err := checkRun(shift, 2*e.span()); err != nil {
		return RunLength{}, err
	}
	if e.Lambda < slowestEWMA {
		return RunLength{}, fmt.Errorf("run length: lambda %v: want %v or more", e.Lambda, slowestEWMA)
	}
	return RunLength{Mean: e.runLength(shift)}, nil
}

// slowestEWMA is the smallest lambda whose run length is computed: opening limits of a smaller one
// take thousands of points to stand still.
const slowestEWMA = 0.005

// span is how far z gets from the centre without a signal, in units of λσ.
func (e EWMA) span() float64 { return e.Width / math.Sqrt(e.Lambda*(2-e.Lambda)) }

func (e EWMA) runLength(shift float64) float64 {
	h := e.Lambda * e.span()
	n := nodesFor(2 * e.span())
	z, w := gaussNodes(n, -h, h)
	step := func(from, to float64) float64 {
		return normalDensity((to-(1-e.Lambda)*from)/e.Lambda-shift) / e.Lambda
	}
	a := runLengths(n, func(i, j int) float64 { return w[j] * step(z[i], z[j]) }, func(i int) float64 {
		mean := (1-e.Lambda)*z[i]/e.Lambda + shift
		return upperTail(h/e.Lambda-mean) + upperTail(h/e.Lambda+mean)
	})
	if e.Steady {
		mean := 1.
		for j := range z {
			mean += w[j] * step(0, z[j]) * a[j]
		}
		return mean
	}
	return e.opening(h, n, step, z, w, a)
}

// opening adds up the chances that the run is longer than 0, 1, 2, … points while the limits open,
// and closes with the steady run length a on the nodes z of the final limits ± h.
func (e EWMA) opening(h float64, n int, step func(from, to float64) float64, z, w, a []float64) float64 {
	const still = 1e-13
	from, density, weight := []float64{0}, []float64{1}, []float64{1}
	mean := 1. // the first point is always taken
	for i := 1; ; i++ {
		hi := e.Width * e.sigmaAfter(i)
		last := h-hi < still*h
		to, toWeight := z, w
		if !last {
			to, toWeight = gaussNodes(n, -hi, hi)
		}
		next := make([]float64, n)
		for j := range to {
			for k := range from {
				next[j] += weight[k] * density[k] * step(from[k], to[j])
			}
		}
		if last {
			for j := range to {
				mean += toWeight[j] * next[j] * a[j]
			}
			return mean
		}
		alive := 0.
		for j := range to {
			alive += toWeight[j] * next[j]
		}
		mean += alive
		if alive < still {
			return mean
		}
		from, density, weight = to, next, toWeight
	}
}

// RunLength returns the average run length of both sums together, for independent normal values whose
// level has moved by shift, in standard deviations of the charted values, at the start. It solves
// the integral equation of Page (1954) for either side and joins them by Lucas & Crosier (1982).
// Joining is exact for a head start up to h/2, from where one sum can't signal while the other is
// above zero; beyond it is an approximation.
func (s CUSUM) RunLength(shift float64) (RunLength, error) {
	s, err := s.filled()
	if err != nil {
		return RunLength{}, err
	}
	if err := checkRun(shift, s.H); err != nil {
		return RunLength{}, err
	}
	up, upHead := oneSidedCUSUM(s.K, s.H, s.Headstart, shift)
	down, downHead := oneSidedCUSUM(s.K, s.H, s.Headstart, -shift)
	switch { // a side that never signals by any number we have leaves the other alone
	case !(down <= math.MaxFloat64):
		return RunLength{Mean: upHead}, nil
	case !(up <= math.MaxFloat64):
		return RunLength{Mean: downHead}, nil
	}
	// (U·d + u·D − u·d)/(u + d) with capitals for the head start, without cancellation.
	return RunLength{Mean: (upHead + up*(downHead/down-1)) / (1 + up/down)}, nil
}

// oneSidedCUSUM returns the run length of the upper sum from zero and from the head start.
func oneSidedCUSUM(k, h, headstart, shift float64) (fromZero, fromHead float64) {
	n := nodesFor(h)
	x, w := gaussNodes(n, 0, h)
	x, w = append(x, 0), append(w, 0) // the sum sticks at zero with a chance, not a density
	kernel := func(from float64, j int) float64 {
		if j == n {
			return upperTail(from + shift - k)
		}
		return w[j] * normalDensity(x[j]-from-shift+k)
	}
	a := runLengths(n+1, func(i, j int) float64 { return kernel(x[i], j) },
		func(i int) float64 { return upperTail(h - x[i] - shift + k) })
	fromHead = 1
	for j := range a {
		fromHead += kernel(headstart, j) * a[j]
	}
	return a[n], fromHead
}
