package spc

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A CovarianceKind says how the spread of single vectors is estimated.
type CovarianceKind int

const (
	// SampleCovariance is the ordinary sample covariance of the baseline.
	SampleCovariance CovarianceKind = iota
	// SuccessiveDifferences is VᵀV/(2(m−1)) of the differences of neighbours (Holmes & Mergen 1993,
	// Quality Engineering 5, 619–625): a move of the level inside the baseline hardly widens it.
	SuccessiveDifferences
	// RobustCovariance is the orthogonalised estimate from medians (Maronna & Zamar 2002,
	// Technometrics 44, 307–317) with one reweighting step: single wild vectors don't widen it.
	RobustCovariance
)

// A vectorFit is mean and covariance of a baseline and what is known of their own scatter.
type vectorFit struct {
	mean       []float64
	covariance *mat.SymDense
	inverse    *mat.SymDense
	// The mean comes from count vectors, the covariance from a Wishart law of df degrees of freedom.
	// Both are infinite when stated.
	count, df  float64
	own        bool // vectors of the baseline have phase I limits
	successive bool // by successive differences
}

// invert checks that the covariance can be inverted, and says which variable spoils it.
func (f *vectorFit) invert(names []string) error {
	p := len(f.mean)
	correlation := mat.NewSymDense(p, nil)
	sd := make([]float64, p)
	for i := range p {
		sd[i] = math.Sqrt(f.covariance.At(i, i))
		if !(sd[i] > 0) {
			return fmt.Errorf("%s doesn't vary", names[i])
		}
	}
	for i := range p {
		for j := i; j < p; j++ {
			correlation.SetSym(i, j, f.covariance.At(i, j)/(sd[i]*sd[j]))
		}
	}
	var chol mat.Cholesky
	// Beyond this condition number the T² would show rounding errors, not the process.
	const worstCondition = 1e12
	if !chol.Factorize(correlation) || chol.Cond() > worstCondition {
		return fmt.Errorf("the variables %v depend on each other (their covariance can't be inverted): leave one out", names)
	}
	f.inverse = mat.NewSymDense(p, nil)
	if err := chol.InverseTo(f.inverse); err != nil {
		return err
	}
	for i := range p {
		for j := i; j < p; j++ {
			f.inverse.SetSym(i, j, f.inverse.At(i, j)/(sd[i]*sd[j]))
		}
	}
	return nil
}

// distance returns dᵀS⁻¹d.
func (f *vectorFit) distance(d []float64) float64 {
	var sum float64
	for i, di := range d {
		for j, dj := range d {
			sum += di * dj * f.inverse.At(i, j)
		}
	}
	return sum
}

// fitVectors estimates mean and covariance of single vectors, in order.
func fitVectors(x [][]float64, kind CovarianceKind, names []string) (*vectorFit, error) {
	m, p := len(x), len(names)
	if m < p+2 {
		return nil, fmt.Errorf("the baseline holds %d vectors of %d variables: want at least %d", m, p, p+2)
	}
	f := &vectorFit{count: float64(m)}
	switch kind {
	case SampleCovariance:
		f.mean, f.covariance = sampleMoments(x)
		f.df, f.own = float64(m-1), true
	case SuccessiveDifferences:
		f.mean, _ = sampleMoments(x)
		f.covariance = successiveCovariance(x)
		// Scholz & Tosch (1994): the Wishart law with the same first two moments.
		f.df = 2 * float64(m-1) * float64(m-1) / float64(3*m-4)
		f.own, f.successive = true, true
	case RobustCovariance:
		kept, err := robustCore(x, names)
		if err != nil {
			return nil, err
		}
		f.mean, f.covariance = sampleMoments(kept)
		f.covariance.ScaleSym(trimConsistency(p, robustShare), f.covariance)
		f.count = float64(len(kept))
		f.df = f.count - 1
	default:
		return nil, fmt.Errorf("no covariance estimate with number %d", int(kind))
	}
	if !(f.df > float64(p)) {
		return nil, fmt.Errorf("the baseline of %d vectors is too short for this covariance estimate of %d variables", m, p)
	}
	return f, f.invert(names)
}

// sampleMoments returns mean and sample covariance of vectors.
func sampleMoments(x [][]float64) ([]float64, *mat.SymDense) {
	p := len(x[0])
	mean := make([]float64, p)
	for _, v := range x {
		for j := range p {
			mean[j] += v[j] / float64(len(x))
		}
	}
	s := mat.NewSymDense(p, nil)
	for i := range p {
		for j := i; j < p; j++ {
			var sum float64
			for _, v := range x {
				sum += (v[i] - mean[i]) * (v[j] - mean[j])
			}
			s.SetSym(i, j, sum/float64(len(x)-1))
		}
	}
	return mean, s
}

func successiveCovariance(x [][]float64) *mat.SymDense {
	p := len(x[0])
	s := mat.NewSymDense(p, nil)
	for i := range p {
		for j := i; j < p; j++ {
			var sum float64
			for k := 1; k < len(x); k++ {
				sum += (x[k][i] - x[k-1][i]) * (x[k][j] - x[k-1][j])
			}
			s.SetSym(i, j, sum/float64(2*(len(x)-1)))
		}
	}
	return s
}

// robustShare is the share of clean vectors that the reweighting keeps: vectors whose robust distance
// lies beyond that quantile of their law are left out.
const robustShare = 0.975

// robustCore returns the vectors that lie within the robust ellipsoid of Maronna & Zamar's
// orthogonalised estimate.
func robustCore(x [][]float64, names []string) ([][]float64, error) {
	m, p := len(x), len(names)
	y, scale := mat.NewDense(m, p, nil), make([]float64, p)
	for j := range p {
		col := column(x, j)
		scale[j] = madOf(col)
		if !(scale[j] > 0) {
			return nil, fmt.Errorf("more than half of the values of %s are equal: too coarse for a robust covariance", names[j])
		}
		for i := range m {
			y.Set(i, j, x[i][j]/scale[j])
		}
	}
	// Pairwise robust covariance after Gnanadesikan & Kettenring: (s(a+b)² − s(a−b)²)/4.
	u := mat.NewSymDense(p, nil)
	for j := range p {
		u.SetSym(j, j, 1)
		for k := j + 1; k < p; k++ {
			sum, diff := make([]float64, m), make([]float64, m)
			for i := range m {
				sum[i], diff[i] = y.At(i, j)+y.At(i, k), y.At(i, j)-y.At(i, k)
			}
			a, b := madOf(sum), madOf(diff)
			u.SetSym(j, k, (a*a-b*b)/4)
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(u, true) {
		return nil, fmt.Errorf("robust covariance: the eigenvectors don't converge")
	}
	var axes, z mat.Dense
	eigen.VectorsTo(&axes)
	z.Mul(y, &axes)
	d := make([]float64, m)
	for j := range p {
		col := mat.Col(nil, j, &z)
		center, s := sortedMedian(slices.Clone(col)), madOf(col)
		if !(s > 0) {
			return nil, fmt.Errorf("the variables %v depend on each other for more than half of the vectors", names)
		}
		for i := range m {
			v := (col[i] - center) / s
			d[i] += v * v
		}
	}
	law := distuv.ChiSquared{K: float64(p)}
	limit := law.Quantile(robustShare) * sortedMedian(slices.Clone(d)) / law.Quantile(0.5)
	var kept [][]float64
	for i := range m {
		if d[i] <= limit {
			kept = append(kept, x[i])
		}
	}
	if len(kept) < p+2 {
		return nil, fmt.Errorf("only %d of %d vectors agree with each other: want at least %d", len(kept), m, p+2)
	}
	return kept, nil
}

// trimConsistency is the factor that makes the covariance of normal vectors, cut at the given
// quantile of their distance, right again: q/P(χ²ₚ₊₂ ≤ χ²ₚ(q)) (Croux & Haesbroeck 1999, Journal
// of Multivariate Analysis 71, 161–190).
func trimConsistency(p int, q float64) float64 {
	cut := distuv.ChiSquared{K: float64(p)}.Quantile(q)
	return q / distuv.ChiSquared{K: float64(p + 2)}.CDF(cut)
}

func column(x [][]float64, j int) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = v[j]
	}
	return out
}

// madOf returns the median absolute deviation from the median over Φ⁻¹(3/4), right for normal values.
func madOf(v []float64) float64 {
	d := slices.Clone(v)
	center := sortedMedian(d)
	for i := range d {
		d[i] = math.Abs(d[i] - center)
	}
	return sortedMedian(d) / 0.67448975019608171
}
