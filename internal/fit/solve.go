package fit

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// A model returns the grey level expected at (x, y) µm for parameters p and writes its partial
// derivatives into d (same length as p).
type model func(p []float64, x, y float64, d []float64) float64

// A solution is the outcome of a fit.
type solution struct {
	p   []float64
	cov *mat.SymDense // of p

	misfit float64 // root of the reduced chi-square of what the weights left in; 1 when noise explains all
	used   float64 // mean weight: 1 when nothing was set aside
}

var (
	errTooFew   = errors.New("too few pixels")
	errSingular = errors.New("the pixels don't determine the model")
	errDiverged = errors.New("the fit did not converge")
)

// Weights are Huber's in the first steps, when the start is still off, then Tukey's biweight,
// whose bound lies so far out that it keeps 98 % efficiency on pure noise and bites on real
// outliers only (Huber & Ronchetti, Robust Statistics, 2009, chapter 4).
const (
	huberBound  = 2.0
	tukeyBound  = 6.0
	huberSteps  = 3
	maxSteps    = 30
	noiseMisfit = 1.08 // below it noise explains the residuals and Cov is the inverse information
)

// solve fits m to px from the start p by iteratively reweighted Gauss–Newton steps with
// Levenberg damping. prior holds 1/variance of a Gaussian prior about the start for each
// parameter (0 for none); nil for none at all. tol holds for each parameter the step that no
// longer matters.
func solve(px *Pixels, m model, start, prior, tol []float64) (*solution, error) {
	n, k := px.Len(), len(start)
	if n < 3*k {
		return nil, errTooFew
	}
	w := workspace{
		px: px, m: m, start: start, prior: prior,
		d: make([]float64, k), g: make([]float64, k), h: mat.NewSymDense(k, nil),
		r: make([]float64, n), abs: make([]float64, n),
	}
	p := slices.Clone(start)
	scale := w.residuals(p)
	damping := 0.0
	for step := range maxSteps {
		bound, tukey := tukeyBound, true
		if step < huberSteps {
			bound, tukey = huberBound, false
		}
		cost := w.normalEquations(p, scale, bound, tukey)
		dp, err := w.step(damping)
		if err != nil {
			return nil, err
		}
		next := make([]float64, k)
		for i := range p {
			next[i] = p[i] + dp.AtVec(i)
		}
		if !finite(next) {
			return nil, errDiverged
		}
		nextScale := w.residuals(next)
		if w.cost(scale, bound, tukey) > cost*(1+1e-9) && damping < 1e6 {
			damping = max(10*damping, 1e-3)
			w.residuals(p)
			continue
		}
		p, damping = next, damping/10
		if damping < 1e-6 {
			damping = 0
		}
		scale = nextScale
		done := step >= huberSteps
		for i := range p {
			done = done && math.Abs(dp.AtVec(i)) <= tol[i]
		}
		if done {
			return w.finish(p, scale)
		}
	}
	return nil, errDiverged
}

type workspace struct {
	px           *Pixels
	m            model
	start, prior []float64
	d, g         []float64
	h            *mat.SymDense
	r, abs       []float64 // residuals over their noise
}

// residuals fills w.r for p and returns their robust scale, not below 1: 1.4826 times the
// median absolute value.
func (w *workspace) residuals(p []float64) float64 {
	for i := range w.r {
		z := w.m(p, w.px.X[i], w.px.Y[i], nil)
		w.r[i] = (w.px.Z[i] - z) * math.Sqrt(w.px.Weight[i])
		w.abs[i] = math.Abs(w.r[i])
	}
	return max(1, 1.4826*median(w.abs))
}

func robustWeight(r, bound float64, tukey bool) float64 {
	a := math.Abs(r) / bound
	switch {
	case tukey && a >= 1:
		return 0
	case tukey:
		return (1 - a*a) * (1 - a*a)
	case a > 1:
		return 1 / a
	}
	return 1
}

// cost is the weighted sum of squares at the residuals in w.r with the loss that belongs to the
// weights.
func (w *workspace) cost(scale, bound float64, tukey bool) float64 {
	sum := 0.0
	for _, r := range w.r {
		a := math.Abs(r/scale) / bound
		switch {
		case tukey && a >= 1:
			sum += bound * bound / 3
		case tukey:
			q := 1 - a*a
			sum += bound * bound / 3 * (1 - q*q*q)
		case a > 1:
			sum += bound * bound * (2*a - 1)
		default:
			sum += a * a * bound * bound
		}
	}
	return sum
}

// normalEquations fills w.h and w.g at p, whose residuals are in w.r, and returns the cost.
func (w *workspace) normalEquations(p []float64, scale, bound float64, tukey bool) float64 {
	k := len(p)
	h := w.h.RawSymmetric().Data
	clear(h)
	clear(w.g)
	for i := range w.r {
		rw := robustWeight(w.r[i]/scale, bound, tukey)
		if rw == 0 {
			continue
		}
		w.m(p, w.px.X[i], w.px.Y[i], w.d)
		wt := rw * w.px.Weight[i]
		wr := rw * w.r[i] * math.Sqrt(w.px.Weight[i])
		for a, da := range w.d {
			w.g[a] += wr * da
			wa := wt * da
			row := h[a*k : a*k+k]
			for b := a; b < k; b++ {
				row[b] += wa * w.d[b]
			}
		}
	}
	for a := range w.prior {
		h[a*k+a] += w.prior[a] * scale * scale
		w.g[a] += w.prior[a] * scale * scale * (w.start[a] - p[a])
	}
	return w.cost(scale, bound, tukey)
}

// step solves (H + damping·diag H) dp = g.
func (w *workspace) step(damping float64) (*mat.VecDense, error) {
	k := len(w.g)
	a := mat.NewSymDense(k, nil)
	a.CopySym(w.h)
	for i := range k {
		a.SetSym(i, i, a.At(i, i)*(1+damping))
	}
	var chol mat.Cholesky
	if !chol.Factorize(a) {
		return nil, errSingular
	}
	dp := mat.NewVecDense(k, nil)
	if err := chol.SolveVecTo(dp, mat.NewVecDense(k, w.g)); err != nil {
		return nil, errSingular
	}
	return dp, nil
}

// finish computes the covariance at the solution.
func (w *workspace) finish(p []float64, scale float64) (*solution, error) {
	k := len(p)
	w.normalEquations(p, scale, tukeyBound, true)
	var chol mat.Cholesky
	if !chol.Factorize(w.h) {
		return nil, errSingular
	}
	inv := mat.NewSymDense(k, nil)
	if err := chol.InverseTo(inv); err != nil {
		return nil, errSingular
	}

	var sumW, chi2 float64
	var last int32
	for i := range w.r {
		rw := robustWeight(w.r[i]/scale, tukeyBound, true)
		sumW += rw
		chi2 += rw * w.r[i] * w.r[i]
		last = max(last, w.px.Block[i])
	}
	s := &solution{p: p, cov: inv, used: sumW / float64(len(w.r))}
	s.misfit = math.Sqrt(chi2 / max(1, sumW-float64(k)))
	if s.misfit < noiseMisfit {
		return s, nil
	}

	// Scores summed over blocks.
	scores := mat.NewDense(int(last)+1, k, nil)
	for i := range w.r {
		rw := robustWeight(w.r[i]/scale, tukeyBound, true)
		if rw == 0 {
			continue
		}
		w.m(p, w.px.X[i], w.px.Y[i], w.d)
		wr := rw * w.r[i] * math.Sqrt(w.px.Weight[i])
		row := scores.RawRowView(int(w.px.Block[i]))
		for a, da := range w.d {
			row[a] += wr * da
		}
	}
	blocks := 0
	for b := range int(last) + 1 {
		if slices.ContainsFunc(scores.RawRowView(b), func(v float64) bool { return v != 0 }) {
			blocks++
		}
	}
	var meat, left, full mat.Dense
	meat.Mul(scores.T(), scores)
	left.Mul(inv, &meat)
	full.Mul(&left, inv)
	small := float64(blocks) / max(1, float64(blocks-k)) // few blocks understate the scatter
	white := s.misfit * s.misfit
	for a := range k {
		for b := a; b < k; b++ {
			v := full.At(a, b) * small
			if a == b {
				v = max(v, inv.At(a, a)*white)
			}
			s.cov.SetSym(a, b, v)
		}
	}
	return s, nil
}

func finite(p []float64) bool {
	for _, v := range p {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// median returns the middle value of v, which it reorders.
func median(v []float64) float64 {
	k := len(v) / 2
	lo, hi := 0, len(v)-1
	for lo < hi {
		pivot := v[(lo+hi)/2]
		i, j := lo, hi
		for i <= j {
			for v[i] < pivot {
				i++
			}
			for v[j] > pivot {
				j--
			}
			if i <= j {
				v[i], v[j] = v[j], v[i]
				i++
				j--
			}
		}
		switch {
		case k <= j:
			hi = j
		case k >= i:
			lo = i
		default:
			return v[k]
		}
	}
	return v[k]
}
