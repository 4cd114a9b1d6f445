package spc

import "gonum.org/v1/gonum/floats"

// absorptionTimes returns the mean number of steps from each state until a Markov chain is left.
// p[i][j] is the chance of going from i to j, leaving[i] that of leaving from i; together they make
// 1, so the diagonal is not looked at. Both are overwritten.
//
// Elimination after Grassmann, Taksar & Heyman (1985, Operations Research 33, 1107–1116): diagonals
// are sums of what leads out, so nothing is subtracted and every digit stays even where a signal
// comes once in 10²⁰ points. On the nodes of an integral equation this also takes back what the
// quadrature would lose or gain of the probability.
func absorptionTimes(p [][]float64, leaving []float64) []float64 {
	n := len(p)
	time, out := make([]float64, n), make([]float64, n)
	for i := range time {
		time[i] = 1
	}
	for k := n - 1; k >= 0; k-- {
		row := p[k][:k]
		out[k] = leaving[k] + floats.Sum(row)
		for i := range k {
			if p[i][k] == 0 {
				continue
			}
			share := p[i][k] / out[k]
			floats.AddScaled(p[i][:k], share, row)
			leaving[i] += share * leaving[k]
			time[i] += share * time[k]
		}
	}
	for k := range n {
		time[k] = (time[k] + floats.Dot(p[k][:k], time[:k])) / out[k]
	}
	return time
}
