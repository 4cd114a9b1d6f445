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
//
// Where there are pixels enough, a fourth of them leads near the solution and all of them finish.
func solve(px *Pixels, m model, start, prior, tol []float64) (*solution, error) {
	n, k := px.Len(), len(start)
	if n < 3*k {
		return nil, errTooFew
	}
	w := workspace{m: m, start: start, prior: prior, g: make([]float64, k), h: mat.NewSymDense(k, nil)}
	p, steps := start, huberSteps
	if n > 100*k {
		w.use(px.every(4))
		near, err := w.descend(p, huberSteps, tol)
		if err == nil {
			p, steps = near, 0
		}
	}
	w.use(px)
	p, err := w.descend(p, steps, tol)
	if err != nil {
		return nil, err
	}
	return w.finish(p)
}

// descend iterates from p; the first huber steps use Huber's weights. It leaves residuals and
// derivatives at what it returns.
func (w *workspace) descend(p []float64, huber int, tol []float64) ([]float64, error) {
	p = slices.Clone(p)
	w.eval(p)
	damping := 0.0
	for step := range maxSteps {
		w.bound, w.tukey = tukeyBound, true
		if step < huber {
			w.bound, w.tukey = huberBound, false
		}
		w.scale = w.robustScale()
		cost := w.normalEquations(p)
		dp, err := w.step(damping)
		if err != nil {
			return nil, err
		}
		next := make([]float64, len(p))
		done := step >= huber
		for i := range p {
			next[i] = p[i] + dp.AtVec(i)
			done = done && math.Abs(dp.AtVec(i)) <= tol[i]
		}
		if !finite(next) {
			return nil, errDiverged
		}
		w.eval(next)
		if w.cost(next) > cost*(1+1e-9) && !done && damping < 1e6 {
			damping = max(10*damping, 1e-3)
			w.eval(p)
			continue
		}
		p, damping = next, damping/10
		if damping < 1e-6 {
			damping = 0
		}
		if done {
			return p, nil
		}
	}
	return nil, errDiverged
}

// A workspace holds a fit at work.
type workspace struct {
	px           *Pixels
	m            model
	start, prior []float64
	g            []float64
	h            *mat.SymDense

	r, abs []float64 // residuals over their noise
	d      []float64 // derivatives, one row of len(start) a pixel

	scale, bound float64
	tukey        bool
}

func (w *workspace) use(px *Pixels) {
	n := px.Len()
	w.px = px
	if cap(w.r) < n {
		w.r, w.abs, w.d = make([]float64, n), make([]float64, n), make([]float64, n*len(w.start))
	}
	w.r, w.abs, w.d = w.r[:n], w.abs[:n], w.d[:n*len(w.start)]
}

// eval fills residuals and derivatives at p.
func (w *workspace) eval(p []float64) {
	k := len(p)
	for i := range w.r {
		z := w.m(p, w.px.X[i], w.px.Y[i], w.d[i*k:i*k+k:i*k+k])
		w.r[i] = (w.px.Z[i] - z) * math.Sqrt(w.px.Weight[i])
	}
}

// robustScale is 1.4826 times the median size of the residuals, not below 1: noise is noise.
func (w *workspace) robustScale() float64 {
	for i, r := range w.r {
		w.abs[i] = math.Abs(r)
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

// cost is the loss of the residuals that belongs to the weights, with the prior's.
func (w *workspace) cost(p []float64) float64 {
	sum := 0.0
	for _, r := range w.r {
		a := math.Abs(r/w.scale) / w.bound
		switch {
		case w.tukey && a >= 1:
			sum += w.bound * w.bound / 3
		case w.tukey:
			q := 1 - a*a
			sum += w.bound * w.bound / 3 * (1 - q*q*q)
		case a > 1:
			sum += w.bound * w.bound * (2*a - 1)
		default:
			sum += a * a * w.bound * w.bound
		}
	}
	for i, q := range w.prior {
		sum += q * (p[i] - w.start[i]) * (p[i] - w.start[i])
	}
	return sum
}

// normalEquations fills w.h and w.g at p from the residuals and derivatives there, and returns
// the cost.
func (w *workspace) normalEquations(p []float64) float64 {
	k := len(p)
	h := w.h.RawSymmetric().Data
	clear(h)
	clear(w.g)
	for i, r := range w.r {
		rw := robustWeight(r/w.scale, w.bound, w.tukey)
		if rw == 0 {
			continue
		}
		d := w.d[i*k : i*k+k : i*k+k]
		wt := rw * w.px.Weight[i]
		wr := rw * r * math.Sqrt(w.px.Weight[i])
		for a, da := range d {
			w.g[a] += wr * da
			wa := wt * da
			row := h[a*k : a*k+k : a*k+k]
			for b := a; b < k; b++ {
				row[b] += wa * d[b]
			}
		}
	}
	for a := range w.prior {
		h[a*k+a] += w.prior[a] * w.scale * w.scale
		w.g[a] += w.prior[a] * w.scale * w.scale * (w.start[a] - p[a])
	}
	return w.cost(p)
}

// A scaledCholesky is the factor of a matrix scaled to a unit diagonal. Levels and slopes of the
// light differ in size by the picture's grey levels times its µm: unscaled, the matrix of a 16-bit
// picture looks singular.
type scaledCholesky struct {
	chol  mat.Cholesky
	scale []float64 // roots of the diagonal, inverted
}

func factorize(h *mat.SymDense) (*scaledCholesky, error) {
	k := h.SymmetricDim()
	f := &scaledCholesky{scale: make([]float64, k)}
	a := mat.NewSymDense(k, nil)
	for i := range k {
		if !(h.At(i, i) > 0) {
			return nil, errSingular
		}
		f.scale[i] = 1 / math.Sqrt(h.At(i, i))
		for j := range i + 1 {
			a.SetSym(i, j, h.At(i, j)*f.scale[i]*f.scale[j])
		}
	}
	if !f.chol.Factorize(a) {
		return nil, errSingular
	}
	return f, nil
}

// solve returns H⁻¹ g.
func (f *scaledCholesky) solve(g []float64) (*mat.VecDense, error) {
	x := mat.NewVecDense(len(g), nil)
	for i, v := range g {
		x.SetVec(i, v*f.scale[i])
	}
	if f.chol.SolveVecTo(x, x) != nil {
		return nil, errSingular
	}
	for i := range g {
		x.SetVec(i, x.AtVec(i)*f.scale[i])
	}
	return x, nil
}

// inverse returns H⁻¹.
func (f *scaledCholesky) inverse() (*mat.SymDense, error) {
	inv := mat.NewSymDense(len(f.scale), nil)
	if f.chol.InverseTo(inv) != nil {
		return nil, errSingular
	}
	for i := range f.scale {
		for j := range i + 1 {
			inv.SetSym(i, j, inv.At(i, j)*f.scale[i]*f.scale[j])
		}
	}
	return inv, nil
}

// step solves (H + damping·diag H) dp = g.
func (w *workspace) step(damping float64) (*mat.VecDense, error) {
	k := len(w.g)
	a := mat.NewSymDense(k, nil)
	a.CopySym(w.h)
	for i := range k {
		a.SetSym(i, i, a.At(i, i)*(1+damping))
	}
	f, err := factorize(a)
	if err != nil {
		return nil, err
	}
	return f.solve(w.g)
}

// finish computes the covariance at p, where residuals and derivatives are.
func (w *workspace) finish(p []float64) (*solution, error) {
	k := len(p)
	w.scale, w.bound, w.tukey = w.robustScale(), tukeyBound, true
	w.normalEquations(p)
	f, err := factorize(w.h)
	if err != nil {
		return nil, err
	}
	inv, err := f.inverse()
	if err != nil {
		return nil, err
	}

	var sumW, chi2 float64
	var last int32
	for i := range w.r {
		rw := robustWeight(w.r[i]/w.scale, tukeyBound, true)
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
		rw := robustWeight(w.r[i]/w.scale, tukeyBound, true)
		if rw == 0 {
			continue
		}
		wr := rw * w.r[i] * math.Sqrt(w.px.Weight[i])
		row := scores.RawRowView(int(w.px.Block[i]))
		for a, da := range w.d[i*k : i*k+k] {
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
