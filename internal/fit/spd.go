package fit

import "math"

// Fits of a few parameters solve small symmetric positive definite systems by the ten thousand a
// picture. These work in place on row-major n × n matrices of which the upper triangle counts.

// pivotLeast is the smallest pivot of a matrix that isn't singular, of its diagonal.
const pivotLeast = 1e-15

// cholesky replaces h by its factor U, h = UᵀU, and reports whether h is positive definite.
func cholesky(h []float64, n int) bool {
	for i := range n {
		row := h[i*n : i*n+n]
		diagonal := row[i]
		for k := range i {
			u := h[k*n : k*n+n]
			f := u[i]
			if f == 0 {
				continue
			}
			for j := i; j < n; j++ {
				row[j] -= f * u[j]
			}
		}
		if !(row[i] > pivotLeast*diagonal) { // NaN too
			return false
		}
		pivot := math.Sqrt(row[i])
		inv := 1 / pivot
		row[i] = pivot
		for j := i + 1; j < n; j++ {
			row[j] *= inv
		}
	}
	return true
}

// choleskySolve replaces x by h⁻¹x for the factor u of h.
func choleskySolve(u []float64, n int, x []float64) {
	x = x[:n]
	for i := range x {
		row := u[i*n : i*n+n]
		v := x[i] / row[i]
		x[i] = v
		for j := i + 1; j < n; j++ {
			x[j] -= row[j] * v
		}
	}
	for i := n - 1; i >= 0; i-- {
		row := u[i*n : i*n+n]
		v := x[i]
		for j := i + 1; j < n; j++ {
			v -= row[j] * x[j]
		}
		x[i] = v / row[i]
	}
}

// choleskyInverse writes h⁻¹, all of it, into inv for the factor u of h.
func choleskyInverse(u []float64, n int, inv []float64) {
	for i := range n {
		x := inv[i*n : i*n+n]
		clear(x)
		x[i] = 1
		choleskySolve(u, n, x)
	}
}

// sandwich returns inv·meat·inv for symmetric n × n matrices.
func sandwich(inv, meat []float64, n int) []float64 {
	left, full := make([]float64, n*n), make([]float64, n*n)
	multiply(left, inv, meat, n)
	multiply(full, left, inv, n)
	return full
}

func multiply(out, a, b []float64, n int) {
	for i := range n {
		for k := range n {
			f := a[i*n+k]
			for j := range n {
				out[i*n+j] += f * b[k*n+j]
			}
		}
	}
}
