package spc

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A VectorPhase is a [Phase] of a chart of several variables. Its Center and Sigma are not used.
type VectorPhase struct {
	Phase
	// Mean and Covariance state the level and the covariance of a single vector, instead of
	// estimating them; both or none.
	Mean       []float64
	Covariance [][]float64
}

// VectorOptions refine a chart of several variables. The zero value works.
type VectorOptions struct {
	Names      []string      // of the variables, for texts; none means x1, x2, …
	Phases     []VectorPhase // in order of Start; none means one phase with everything
	Alpha      float64       // chance of a false alarm at each point; 0 means 0.0027
	Covariance CovarianceKind
}

// A VectorChart plots one distance for vectors of several variables.
type VectorChart struct {
	Chart
	Names []string

	vectors [][]float64 // what is plotted, less the mean of its phase
	factor  []float64   // point i plots factor·dᵀS⁻¹d
	fits    []*vectorFit
	alpha   float64
}

// Fit returns mean and covariance behind the limits of phase i.
func (c *VectorChart) Fit(i int) (mean []float64, covariance mat.Symmetric) {
	return c.fits[i].mean, c.fits[i].covariance
}

// T2Individuals returns the chart of T² = (x−x̄)ᵀS⁻¹(x−x̄) of single vectors in time order
// (Hotelling 1947). x[i] is the i-th vector; all have the same length.
//
// Points of the baseline get phase I limits, (m−1)²/m·Beta(p/2, (df−p)/2) with df = m−1 (Tracy,
// Young & Mason 1992, Journal of Quality Technology 24, 88–95); points outside it phase II limits,
// (1+1/m)·df·p/(df−p+1)·F(p, df−p+1). With [SuccessiveDifferences] they are approximations: χ²(p)
// in phase I (Williams, Woodall, Birch & Sullivan 2006, Journal of Quality Technology 38, 217–229;
// simulated with 15 to 120 vectors: 0.0022 to 0.0035 false alarms for 0.0027) and df =
// 2(m−1)²/(3m−4) in phase II. So are those of [RobustCovariance]: phase II limits for all points,
// with m and df of the vectors kept (simulated with 30 vectors of 3: 0.051 false alarms for 0.05 in
// the baseline, 0.081 after it: it is made for cleaning a baseline). Stated mean and covariance give χ²(p).
//
// It returns an error that says what and where when vectors differ in length, hold something not
// finite, are too few (at least p+2), or when a variable doesn't vary or depends on the others.
func T2Individuals(x [][]float64, opt VectorOptions) (*VectorChart, error) {
	c, ss, err := newVectorChart("T²", x, opt)
	if err == nil {
		err = c.fit(x, opt, ss)
	}
	if err != nil {
		return nil, fmt.Errorf("chart of T²: %w", err)
	}
	for k, s := range ss {
		f := c.fits[k]
		inside, ahead := f.limit(c.alpha, len(c.Names), 1, f.own), f.limit(c.alpha, len(c.Names), 1, false)
		for i := s.Start; i < s.end; i++ {
			limit := ahead
			if s.used(i) {
				limit = inside
			}
			c.plot(i, k, x[i], 1, limit)
		}
	}
	c.findHits()
	return c, nil
}

// T2Subgroups returns the chart of T² = n(x̄ᵢ−x̿)ᵀS⁻¹(x̄ᵢ−x̿) of subgroups of vectors, S the pooled
// covariance within (Alt 1985). Sizes may differ; groups[i][j] is the j-th vector of subgroup i.
//
// With N vectors in m subgroups of the baseline and df = N−m, limits are
// nᵢ(1/nᵢ ∓ 1/N)·df·p/(df−p+1)·F(p, df−p+1): minus in phase I, plus in phase II.
//
// Errors are as those of [T2Individuals]; subgroups need two vectors or more.
func T2Subgroups(groups [][][]float64, opt VectorOptions) (*VectorChart, error) {
	if opt.Covariance != SampleCovariance {
		return nil, fmt.Errorf("chart of T²: subgroups take the pooled covariance within; other estimates are for single vectors")
	}
	means := make([][]float64, len(groups))
	within := make([]*mat.SymDense, len(groups))
	for i, g := range groups {
		if len(g) < 2 {
			return nil, fmt.Errorf("chart of T²: subgroup %d of %d holds one vector or none: want two or more", i+1, len(groups))
		}
		if _, err := checkVectors(g, opt.Names); err != nil {
			return nil, fmt.Errorf("chart of T²: subgroup %d of %d: %w", i+1, len(groups), err)
		}
		means[i], within[i] = sampleMoments(g)
	}
	c, ss, err := newVectorChart("T²", means, opt)
	if err != nil {
		return nil, fmt.Errorf("chart of T²: %w", err)
	}
	for k, s := range ss {
		f, err := pooledFit(groups, means, within, s, opt.phase(k), c.Names)
		if err != nil {
			return nil, fmt.Errorf("chart of T²: phase %s: %w", phaseName(s.Phase, k), err)
		}
		c.fits = append(c.fits, f)
		for i := s.Start; i < s.end; i++ {
			n := float64(len(groups[i]))
			c.plot(i, k, means[i], n, f.limit(c.alpha, len(c.Names), n, f.own && s.used(i)))
			c.Points[i].Size = len(groups[i])
		}
	}
	c.findHits()
	return c, nil
}

// pooledFit gives the mean of all vectors and their pooled covariance within subgroups.
func pooledFit(groups [][][]float64, means [][]float64, within []*mat.SymDense, s stretch, ph VectorPhase, names []string) (*vectorFit, error) {
	if ph.Mean != nil || ph.Covariance != nil {
		return statedFit(ph, names)
	}
	p := len(names)
	f := &vectorFit{mean: make([]float64, p), covariance: mat.NewSymDense(p, nil), own: true}
	for i := s.Baseline.From; i < s.Baseline.To; i++ {
		if !s.used(i) {
			continue
		}
		n := float64(len(groups[i]))
		f.count += n
		f.df += n - 1
		for j := range p {
			f.mean[j] += n * means[i][j]
			for k := j; k < p; k++ {
				f.covariance.SetSym(j, k, f.covariance.At(j, k)+(n-1)*within[i].At(j, k))
			}
		}
	}
	if f.df < float64(p) {
		return nil, fmt.Errorf("%.0f degrees of freedom within subgroups for %d variables: want at least as many", f.df, p)
	}
	for j := range p {
		f.mean[j] /= f.count
	}
	f.covariance.ScaleSym(1/f.df, f.covariance)
	return f, f.invert(names)
}

// limit gives the upper limit of T² of a vector that is the mean of n, at chance alpha.
func (f *vectorFit) limit(alpha float64, p int, n float64, baseline bool) float64 {
	fp := float64(p)
	if math.IsInf(f.df, 1) || baseline && f.successive {
		return distuv.ChiSquared{K: fp}.Quantile(1 - alpha)
	}
	rest := f.df - fp + 1
	if baseline && n == 1 {
		m := f.count
		return (m - 1) * (m - 1) / m * distuv.Beta{Alpha: fp / 2, Beta: (f.df - fp) / 2}.Quantile(1-alpha)
	}
	scatter := 1 + n/f.count
	if baseline {
		scatter = 1 - n/f.count
	}
	return scatter * f.df * fp / rest * distuv.F{D1: fp, D2: rest}.Quantile(1-alpha)
}

// newVectorChart checks vectors and options and lays out the chart.
func newVectorChart(statistic string, x [][]float64, opt VectorOptions) (*VectorChart, []stretch, error) {
	names, err := checkVectors(x, opt.Names)
	if err != nil {
		return nil, nil, err
	}
	c := &VectorChart{Names: names, alpha: opt.Alpha, vectors: make([][]float64, len(x)), factor: make([]float64, len(x))}
	if c.alpha == 0 {
		c.alpha = 0.0027
	}
	if err := needProbability("alpha", c.alpha); err != nil {
		return nil, nil, err
	}
	c.Statistic, c.Rules = statistic, []Rule{Nelson1}
	c.Points = make([]Point, len(x))
	var phases []Phase
	for _, p := range opt.Phases {
		phases = append(phases, p.Phase)
	}
	ss, err := stretches(len(x), phases)
	for i, s := range ss {
		c.Phases = append(c.Phases, PhaseLimits{Name: s.Name, From: s.Start, To: s.end, Lag1P: 1, Baseline: opt.baseline(i, s)})
	}
	return c, ss, err
}

func (o VectorOptions) phase(i int) VectorPhase {
	if i < len(o.Phases) {
		return o.Phases[i]
	}
	return VectorPhase{}
}

// baseline counts the vectors or subgroups behind the limits of a phase.
func (o VectorOptions) baseline(i int, s stretch) (n int) {
	if o.phase(i).Mean != nil {
		return 0
	}
	for j := s.Baseline.From; j < s.Baseline.To; j++ {
		if s.used(j) {
			n++
		}
	}
	return n
}

// fit estimates every phase from its single vectors.
func (c *VectorChart) fit(x [][]float64, opt VectorOptions, ss []stretch) error {
	for k, s := range ss {
		var f *vectorFit
		var err error
		if ph := opt.phase(k); ph.Mean != nil || ph.Covariance != nil {
			f, err = statedFit(ph, c.Names)
		} else {
			var base [][]float64
			for i := s.Baseline.From; i < s.Baseline.To; i++ {
				if s.used(i) {
					base = append(base, x[i])
				}
			}
			f, err = fitVectors(base, opt.Covariance, c.Names)
		}
		if err != nil {
			return fmt.Errorf("phase %s: %w", phaseName(s.Phase, k), err)
		}
		c.fits = append(c.fits, f)
	}
	return nil
}

func statedFit(ph VectorPhase, names []string) (*vectorFit, error) {
	p := len(names)
	if len(ph.Mean) != p || len(ph.Covariance) != p {
		return nil, fmt.Errorf("stated mean of %d and covariance of %d rows: want both for the %d variables", len(ph.Mean), len(ph.Covariance), p)
	}
	f := &vectorFit{mean: ph.Mean, covariance: mat.NewSymDense(p, nil), count: math.Inf(1), df: math.Inf(1)}
	for i, row := range ph.Covariance {
		if len(row) != p {
			return nil, fmt.Errorf("stated covariance: row %d has %d numbers, want %d", i+1, len(row), p)
		}
		for j, v := range row {
			if v != ph.Covariance[j][i] {
				return nil, fmt.Errorf("stated covariance: row %d, column %d is %v but mirrored %v", i+1, j+1, v, ph.Covariance[j][i])
			}
			f.covariance.SetSym(i, j, v)
		}
	}
	return f, f.invert(names)
}

// plot sets point i of phase k: factor·dᵀS⁻¹d with d = x − mean.
func (c *VectorChart) plot(i, k int, x []float64, factor, limit float64) {
	f := c.fits[k]
	d := make([]float64, len(x))
	for j := range d {
		d[j] = x[j] - f.mean[j]
	}
	c.plotDeviation(i, k, d, factor, limit)
}

func (c *VectorChart) plotDeviation(i, k int, d []float64, factor, limit float64) {
	c.vectors[i], c.factor[i] = d, factor
	c.Points[i] = Point{Value: factor * c.fits[k].distance(d), Limits: Limits{UCL: limit}, Index: i, Size: 1}
}

// checkVectors checks lengths and numbers and gives names to variables without.
func checkVectors(x [][]float64, names []string) ([]string, error) {
	if len(x) == 0 {
		return nil, fmt.Errorf("no vectors")
	}
	p := len(x[0])
	if p == 0 {
		return nil, fmt.Errorf("vector 1 of %d is empty", len(x))
	}
	if names == nil {
		for j := range p {
			names = append(names, fmt.Sprintf("x%d", j+1))
		}
	}
	if len(names) != p {
		return nil, fmt.Errorf("%d names (%s) for vectors of %d variables", len(names), strings.Join(names, ", "), p)
	}
	for i, v := range x {
		if len(v) != p {
			return nil, fmt.Errorf("vector %d of %d has %d variables, the first has %d", i+1, len(x), len(v), p)
		}
		for j, u := range v {
			if math.IsNaN(u) || math.IsInf(u, 0) {
				return nil, fmt.Errorf("vector %d of %d: %s is %v, want a finite number", i+1, len(x), names[j], u)
			}
		}
	}
	return names, nil
}
