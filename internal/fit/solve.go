package fit

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
)

// A model writes the grey levels expected at places (x, y) µm, at most gramRows of them, for
// parameters p into z and their partial derivatives into the columns d.
type model func(p, x, y, z []float64, d *[gramColumns][gramRows]float64)

// A solution is the outcome of a fit.
type solution struct {
	p   []float64
	cov []float64 // of p, row-major

	// beyond holds the variances of the first two of p as the scatter from block to block shows them,
	// over those that noise gives; dof is by how many degrees of freedom each is known.
	beyond, dof [2]float64

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
	noiseMisfit = 1.08 // below it noise explains the residuals and Cov is what that gives

	// weighed is what the variance is, where noise is all there is, over the inverse of the weighted
	// information: E[w]·E[w²r²]/E[(wr)']² of a normal residual r with Tukey's weight w. The last two are
	// the asymptotic variance of an M-estimate (Huber & Ronchetti, section 3.2).
	weighed = 0.965

	// Weights follow the residuals only after a step, which so falls short: by a factor that is the
	// mean weight over the mean slope of the weighted residual, 1.13 for noise.
	mostStretch = 1.3

	// A step no longer matters that moves no combination of the parameters by more than this share of
	// its standard deviation. Of a stretched step hardly anything is left where noise is all there is,
	// and what isn't fitted from near is but the start of another fit.
	fitStill, noiseStill, startStill = 0.1, 0.3, 0.4

	enough = 2000 // residuals to tell their scale by
)

// A start is where a fit begins.
type start struct {
	p     []float64
	prior []float64 // 1/variance of a Gaussian prior about 0 for each parameter, 0 for none; nil for none at all
	scale float64   // of the residuals at p, when p is so good that only noise is left; 0 when it isn't
}

// solve fits m to px by iteratively reweighted Gauss–Newton steps with Levenberg damping.
func solve(px *Pixels, m model, from start) (*solution, error) {
	if px.Len() < 3*len(from.p) {
		return nil, errTooFew
	}
	w := newWorkspace(px, m, from)
	p, err := w.descend()
	if err != nil {
		return nil, err
	}
	return w.finish(p)
}

// A workspace holds a fit at work.
type workspace struct {
	px   *Pixels
	m    model
	from start
	root []float64 // of the pixels' weights
	r    []float64 // residuals over their noise, at the last pass
	abs  []float64
	sums gram // of the last pass

	scale, bound float64
	tukey        bool

	sumW, sumSlope, chi2 float64      // of the last pass: weights, slopes of the weighted residual, weighted squares
	scores               []float64    // of each block
	tells                [][2]float64 // of each block: what it tells of the first two parameters, each by itself
}

func newWorkspace(px *Pixels, m model, from start) *workspace {
	n := px.Len()
	all := make([]float64, 3*n)
	w := &workspace{px: px, m: m, from: from, root: all[:n], r: all[n : 2*n], abs: all[2*n:]}
	blocks := int(slices.Max(px.Block)) + 1
	w.scores, w.tells = make([]float64, blocks*len(from.p)), make([][2]float64, blocks)
	for i, v := range px.Weight {
		w.root[i] = math.Sqrt(v)
	}
	return w
}

// descend iterates from the start until a step no longer matters and returns where that leads. The
// last pass is the one before it.
func (w *workspace) descend() ([]float64, error) {
	k := len(w.from.p)
	p, next, dp := slices.Clone(w.from.p), make([]float64, k), make([]float64, k)
	h, g := make([]float64, k*k), make([]float64, k)
	huber, still := huberSteps, startStill
	w.scale, w.bound = w.from.scale, tukeyBound
	if w.from.scale > 0 {
		huber, still, w.tukey = 0, fitStill, true
		if w.from.scale < noiseMisfit {
			still = noiseStill
		}
	} else {
		w.scale, w.bound = w.glance(p), huberBound
	}
	w.pass(p)
	damping := 0.0
	for step := range maxSteps {
		w.normalEquations(p, h, g)
		if !w.step(h, g, damping, dp) {
			return nil, errSingular
		}
		// Weights follow the residuals only after a step, which so falls short.
		stretch := 1.0
		if w.tukey && w.sumSlope > 0 {
			stretch = min(w.sumW/w.sumSlope, mostStretch)
		}
		done := step >= huber && floats.Dot(g, dp) <= still*still*w.scale*w.scale
		if !done {
			w.scale = w.robustScale()
			if step+1 >= huber {
				w.bound, w.tukey = tukeyBound, true
			}
		}
		cost := w.cost(p)
		for again := true; again; {
			for i, d := range dp {
				next[i] = p[i] + stretch*d
			}
			if !finite(next) {
				return nil, errDiverged
			}
			if done {
				return next, nil
			}
			w.pass(next)
			if again = w.cost(next) > cost*(1+1e-9) && damping < 1e6; again {
				damping, stretch = max(10*damping, 1e-3), 1
				if !w.step(h, g, damping, dp) {
					return nil, errSingular
				}
			}
		}
		copy(p, next)
		if damping /= 10; damping < 1e-6 {
			damping = 0
		}
	}
	return nil, errDiverged
}

// glance returns the scale of the residuals at p by some of the pixels.
func (w *workspace) glance(p []float64) float64 {
	const together, oneOf = 32, 4
	var z [together]float64
	abs := w.abs[:0]
	for lo := 0; lo < w.px.Len(); lo += together * oneOf {
		hi := min(lo+together, w.px.Len())
		w.m(p, w.px.X[lo:hi], w.px.Y[lo:hi], z[:hi-lo], &w.sums.col)
		for i := range hi - lo {
			abs = append(abs, math.Abs(w.px.Z[lo+i]-z[i])*w.root[lo+i])
		}
	}
	return max(1, 1.4826*median(abs))
}

// pass evaluates residuals and normal equations at p with the weights that belong to the scale, and
// the scores of blocks where the fit may end there.
func (w *workspace) pass(p []float64) {
	k, px, sums := len(p), w.px, &w.sums
	sums.reset(k)
	w.sumW, w.sumSlope, w.chi2 = 0, 0, 0
	clear(w.scores)
	clear(w.tells)
	var z, root [gramRows]float64
	inv := 1 / (w.scale * w.bound)
	for lo := 0; lo < len(w.r); lo += gramRows {
		hi := min(lo+gramRows, len(w.r))
		n := hi - lo
		w.m(p, px.X[lo:hi], px.Y[lo:hi], z[:n], &sums.col)
		for i := range n {
			f := w.root[lo+i]
			r := (px.Z[lo+i] - z[i]) * f
			w.r[lo+i] = r
			s, slope := rootWeight(math.Abs(r*inv), w.tukey)
			sums.rest[i], root[i] = s*r, s*f
			w.sumW += s * s
			w.sumSlope += slope
			w.chi2 += s * s * r * r
		}
		for c := range k {
			d := sums.col[c][:n]
			for i, f := range root[:n] {
				d[i] *= f
			}
		}
		if w.tukey {
			for i, b := range px.Block[lo:hi] {
				s := w.scores[int(b)*k:][:k]
				for c := range s {
					s[c] += sums.col[c][i] * sums.rest[i]
				}
				dx, dy := sums.col[0][i], sums.col[1][i]
				w.tells[b][0] += dx * dx
				w.tells[b][1] += dy * dy
			}
		}
		sums.n = n
		sums.flush()
	}
}

// rootWeight returns the root of the robust weight of a residual of size a times the bound, and by
// how much the weighted residual grows with the residual.
func rootWeight(a float64, tukey bool) (s, slope float64) {
	switch {
	case tukey && a >= 1:
		return 0, 0
	case tukey:
		s = 1 - a*a
		return s, s * (1 - 5*a*a)
	case a > 1:
		return math.Sqrt(1 / a), 0
	}
	return 1, 1
}

// robustScale is 1.4826 times the median size of the residuals, not below 1: noise is noise. Some
// thousand of them tell it.
func (w *workspace) robustScale() float64 {
	abs := w.abs[:0]
	for i := 0; i < len(w.r); i += 1 + len(w.r)/enough {
		abs = append(abs, math.Abs(w.r[i]))
	}
	return max(1, 1.4826*median(abs))
}

// cost is the loss of the residuals that belongs to the weights, with the prior's.
func (w *workspace) cost(p []float64) float64 {
	sum, inv := 0.0, 1/(w.scale*w.bound)
	for _, r := range w.r {
		a := math.Abs(r * inv)
		switch {
		case w.tukey && a >= 1:
			sum += 1. / 3
		case w.tukey:
			q := 1 - a*a
			sum += 1. / 3 * (1 - q*q*q)
		case a > 1:
			sum += 2*a - 1
		default:
			sum += a * a
		}
	}
	sum *= w.bound * w.bound
	for i, q := range w.from.prior {
		sum += q * p[i] * p[i]
	}
	return sum
}

// normalEquations returns those of the last pass, at p, with the prior's.
func (w *workspace) normalEquations(p, h, g []float64) {
	k := len(p)
	for a := range k {
		copy(h[a*k:a*k+k], w.sums.h[a][:k])
		g[a] = w.sums.g[a]
	}
	for a, q := range w.from.prior {
		q *= w.scale * w.scale
		h[a*k+a] += q
		g[a] -= q * p[a]
	}
}

// step solves (H + damping·diag H) dp = g. Levels and slopes of the light differ in size by the
// picture's grey levels times its µm, so the matrix is scaled to a unit diagonal.
func (w *workspace) step(h, g []float64, damping float64, dp []float64) bool {
	k := len(g)
	var work [gramColumns * gramColumns]float64
	var scale [gramColumns]float64
	if !scaled(h, k, work[:], scale[:]) {
		return false
	}
	for i := range k {
		work[i*k+i] += damping
		dp[i] = g[i] * scale[i]
	}
	if !cholesky(work[:], k) {
		return false
	}
	choleskySolve(work[:], k, dp)
	for i := range k {
		dp[i] *= scale[i]
	}
	return true
}

// scaled writes h, scaled to a unit diagonal, into out, and what it was scaled by on either side.
func scaled(h []float64, k int, out, scale []float64) bool {
	for i := range k {
		if !(h[i*k+i] > 0) {
			return false
		}
		scale[i] = 1 / math.Sqrt(h[i*k+i])
	}
	for i := range k {
		for j := i; j < k; j++ {
			out[i*k+j] = h[i*k+j] * scale[i] * scale[j]
		}
	}
	return true
}

// finish computes the covariance at p, where the last pass was.
func (w *workspace) finish(p []float64) (*solution, error) {
	k := len(p)
	h, inv, scale := make([]float64, k*k), make([]float64, k*k), make([]float64, k)
	w.normalEquations(p, h, make([]float64, k))
	if !scaled(h, k, h, scale) || !cholesky(h, k) {
		return nil, errSingular
	}
	choleskyInverse(h, k, inv)
	for i := range k {
		for j := range k {
			inv[i*k+j] *= scale[i] * scale[j]
		}
	}
	for i := range inv {
		inv[i] *= weighed
	}
	s := &solution{p: p, cov: inv, used: w.sumW / float64(len(w.r))}
	s.misfit = math.Sqrt(w.chi2 / max(1, w.sumW-float64(k)))

	blocks := 0
	meat := make([]float64, k*k)
	for row := range slices.Chunk(w.scores, k) {
		if slices.ContainsFunc(row, func(v float64) bool { return v != 0 }) {
			blocks++
		}
		for a, va := range row {
			for b, vb := range row {
				meat[a*k+b] += va * vb
			}
		}
	}
	full := sandwich(inv, meat, k)
	// A residual's weight falls as it grows, so that the information that counts is less.
	steep := w.sumW / (w.sumSlope * weighed)
	for i := range full {
		full[i] *= steep * steep
	}
	for a := range s.beyond {
		var sum, squares float64
		for _, v := range w.tells {
			sum += v[a]
			squares += v[a] * v[a]
		}
		n := sum * sum / squares // of blocks alike that would tell as much
		s.beyond[a], s.dof[a] = full[a*k+a]/inv[a*k+a]*n/max(1, n-1), n-1
	}
	if s.misfit < noiseMisfit {
		return s, nil
	}
	small := float64(blocks) / max(1, float64(blocks-k)) // few blocks understate the scatter
	white := s.misfit * s.misfit
	for i := range full {
		full[i] *= small
	}
	for a := range k {
		full[a*k+a] = max(full[a*k+a], inv[a*k+a]*white)
	}
	s.cov = full
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
func median(v []float64) float64 { return Nth(v, len(v)/2) }
