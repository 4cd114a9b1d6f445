package fit

import "gonum.org/v1/gonum/floats"

const (
	gramColumns = 10  // most columns of a fit
	gramRows    = 128 // rows gathered before they are summed: all columns of them stay in the fastest cache
)

// A gram sums the normal equations of a linear least-squares step, Σ ddᵀ and Σ dr over rows of
// derivatives d and residuals r, each times the root of its weight. Rows are gathered column by
// column, which makes every sum a dot product of two stretches of memory.
type gram struct {
	k    int // columns
	n    int // rows gathered
	col  [gramColumns][gramRows]float64
	rest [gramRows]float64 // residuals
	h    [gramColumns][gramColumns]float64
	g    [gramColumns]float64
}

// reset empties the sums for k columns.
func (m *gram) reset(k int) {
	m.k, m.n = k, 0
	m.h, m.g = [gramColumns][gramColumns]float64{}, [gramColumns]float64{}
}

// flush adds the rows gathered to the upper triangle of h and to g.
func (m *gram) flush() {
	n := m.n
	for p := range m.k {
		a := m.col[p][:n]
		m.g[p] += floats.Dot(a, m.rest[:n])
		for q := p; q < m.k; q++ {
			m.h[p][q] += floats.Dot(a, m.col[q][:n])
		}
	}
	m.n = 0
}

// A column says that a parameter's derivative is a column of the gram times a number.
type column struct {
	of int
	by float64
}

// expand writes the normal equations of parameters, of which several may share a column, into the
// upper triangle of h, n × n, and into g.
func (m *gram) expand(as []column, h, g []float64) {
	n := len(as)
	for p, a := range as {
		g[p] = a.by * m.g[a.of]
		for q := p; q < n; q++ {
			b := as[q]
			h[p*n+q] = a.by * b.by * m.h[min(a.of, b.of)][max(a.of, b.of)]
		}
	}
}
