package spc

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A Position is a bivariate normal law of positions about the true one, in one unit throughout.
type Position struct {
	MeanX, MeanY     float64
	SigmaX, SigmaY   float64
	Correlation      float64
	principal        [2]float64 // standard deviations along the axes of the ellipse, smaller first
	alongLo, alongHi [2]float64 // unit vectors of those axes
}

// NewPosition returns the law with the given parameters. It returns an error when one isn't
// finite, a sigma is negative, both are zero or the correlation lies outside [−1, 1].
func NewPosition(meanX, meanY, sigmaX, sigmaY, correlation float64) (Position, error) {
	if err := needFinite("position", []float64{meanX, meanY, sigmaX, sigmaY, correlation}, 5); err != nil {
		return Position{}, err
	}
	if sigmaX < 0 || sigmaY < 0 || sigmaX+sigmaY == 0 || math.Abs(correlation) > 1 {
		return Position{}, fmt.Errorf("position: sigmas %v and %v with correlation %v describe no spread", sigmaX, sigmaY, correlation)
	}
	p := Position{MeanX: meanX, MeanY: meanY, SigmaX: sigmaX, SigmaY: sigmaY, Correlation: correlation}
	// The larger eigenvalue by its formula, the smaller from the determinant, so that a thin
	// ellipse keeps its digits.
	a, b, c := sigmaX*sigmaX, correlation*sigmaX*sigmaY, sigmaY*sigmaY
	hi := (a+c)/2 + math.Hypot((a-c)/2, b)
	det := a * c * (1 - correlation) * (1 + correlation)
	angle := math.Atan2(2*b, a-c) / 2
	sin, cos := math.Sincos(angle)
	p.principal = [2]float64{math.Sqrt(det / hi), math.Sqrt(hi)}
	p.alongHi, p.alongLo = [2]float64{cos, sin}, [2]float64{-sin, cos}
	return p, nil
}

// Outside returns the probability of a position farther than radius from the true one. It
// integrates what lies outside, so that small probabilities keep their digits: along the longer
// axis of the ellipse by Gauss–Legendre quadrature, across it in closed form. Ellipses of less than
// a three-hundredth of the radius across cost digits.
func (p Position) Outside(radius float64) float64 { return p.outside(radius, p.panels(radius)) }

// panels gives quadrature for ten digits: a panel spans about a standard deviation of the narrower
// feature, which is the law along the longer axis or the circle's edge across it.
func (p Position) panels(radius float64) int {
	return 10 + int(math.Min(300, radius/p.principal[1])) + int(math.Min(300, radius/math.Max(p.principal[0], radius/300)))
}

// coarse gives quadrature for three digits, which a simulation needs.
func (p Position) coarse(radius float64) int { return min(12, 3+p.panels(radius)/6) }

func (p Position) outside(radius float64, panels int) float64 {
	if !(radius > 0) {
		return 1
	}
	s1, s2 := p.principal[0], p.principal[1]
	m1 := p.alongLo[0]*p.MeanX + p.alongLo[1]*p.MeanY
	m2 := p.alongHi[0]*p.MeanX + p.alongHi[1]*p.MeanY
	tails := upperTail((radius+m2)/s2) + upperTail((radius-m2)/s2)
	// x = R sin t takes the square root out of the circle's ends.
	t, w := gaussPanels(-math.Pi/2, math.Pi/2, panels)
	var sum float64
	for i, v := range t {
		sin, cos := math.Sincos(v)
		u := (radius*sin - m2) / s2
		if math.Abs(u) > 40 { // no double of the density is left
			continue
		}
		h := radius * cos
		var across float64
		if s1 > 0 {
			across = upperTail((h+m1)/s1) + upperTail((h-m1)/s1)
		} else if math.Abs(m1) > h {
			across = 1
		}
		sum += w[i] * across * normalDensity(u) * h / s2
	}
	return math.Min(1, tails+sum)
}

// PositionOptions refines [AssessPosition]. The zero value works.
type PositionOptions struct {
	Confidence float64 // 0 means 0.95
	Draws      int     // of the interval's simulation; 0 means 1000
}

// A PositionCapability says how positions sit in a circular tolerance.
type PositionCapability struct {
	N      int
	Law    Position
	Radius float64 // half the diameter of a position tolerance
	// FractionOutside is predicted by the law; FractionLow, FractionHigh its interval.
	FractionOutside, FractionLow, FractionHigh float64
	// Index is −Φ⁻¹(FractionOutside)/3, the one-sided index of a normal law with this fraction
	// outside (the idea of ISO 22514-6); TwoTailed is −Φ⁻¹(FractionOutside/2)/3, that of a centred
	// two-sided one. Which one is reported must be said.
	Index, TwoTailed float64
	IndexAtLeast     float64 // one-sided lower confidence bound of Index
	Confidence       float64

	// CountOutside positions of the sample lie outside; by the count alone, without a law, the
	// fraction is at most CountAtMost at the same confidence (Clopper & Pearson 1934).
	CountOutside int
	CountAtMost  float64
	// CentredFraction is the part of FractionOutside that would remain if the mean were on the true
	// position: what recentring the placer can't mend.
	CentredFraction float64
}

// AssessPosition computes the capability of positions, offsets from the true one in x and y, in a
// circle of the given radius. Intervals come from the fiducial law of mean and covariance (an
// inverse Wishart, its mean normal about the sample's), which rng simulates: short samples say how
// little they prove.
//
// It returns an error for fewer than four positions, a value that isn't finite, coordinates that
// don't vary, or a radius that isn't above zero.
func AssessPosition(x, y []float64, radius float64, opt PositionOptions, rng *rand.Rand) (PositionCapability, error) {
	fail := func(err error) (PositionCapability, error) {
		return PositionCapability{}, fmt.Errorf("position capability: %w", err)
	}
	conf, err := confidenceOr95("position capability", opt.Confidence)
	if err != nil {
		return PositionCapability{}, err
	}
	if len(x) != len(y) {
		return fail(fmt.Errorf("%d values in x but %d in y", len(x), len(y)))
	}
	if err := needFinite("x", x, 4); err != nil {
		return fail(err)
	}
	if err := needFinite("y", y, 4); err != nil {
		return fail(err)
	}
	if !(radius > 0) || math.IsInf(radius, 0) {
		return fail(fmt.Errorf("radius is %v, want it above 0", radius))
	}
	draws := opt.Draws
	if draws == 0 {
		draws = 1000
	}
	if draws < 100 {
		return fail(fmt.Errorf("%d draws: want at least 100", draws))
	}
	mx, sx := stat.MeanStdDev(x, nil)
	my, sy := stat.MeanStdDev(y, nil)
	if !(sx > 0 && sy > 0) {
		return fail(fmt.Errorf("positions don't vary in x or in y (standard deviations %v and %v)", sx, sy))
	}
	// Correlation may stray beyond ±1 by rounding.
	rho := math.Max(-1, math.Min(1, stat.Correlation(x, y, nil)))
	law, err := NewPosition(mx, my, sx, sy, rho)
	if err != nil {
		return fail(err)
	}
	r := PositionCapability{N: len(x), Law: law, Radius: radius, Confidence: conf, FractionOutside: law.Outside(radius)}
	r.Index, r.TwoTailed = -normalQuantile(r.FractionOutside)/3, -normalQuantile(r.FractionOutside/2)/3
	centred := law
	centred.MeanX, centred.MeanY = 0, 0
	r.CentredFraction = centred.Outside(radius)
	for i := range x {
		if math.Hypot(x[i], y[i]) > radius {
			r.CountOutside++
		}
	}
	r.CountAtMost = binomialUpper(r.CountOutside, len(x), conf)
	fractions := make([]float64, draws)
	for i := range fractions {
		draw := law.fiducial(len(x), rng)
		fractions[i] = draw.outside(radius, draw.coarse(radius))
	}
	slices.Sort(fractions)
	at := func(p float64) float64 { return stat.Quantile(p, stat.LinInterp, fractions, nil) }
	r.FractionLow, r.FractionHigh = at((1-conf)/2), at(1-(1-conf)/2)
	r.IndexAtLeast = -normalQuantile(at(conf)) / 3
	return r, nil
}

// fiducial draws a law that a sample of n with this mean and covariance may have come from: by
// Bartlett's decomposition, Σ* = L·(T·Tᵀ)⁻¹·Lᵀ·(n−1) with T lower triangular, T₁₁² and T₂₂²
// chi-square with n−1 and n−2 degrees of freedom and T₂₁ normal; the mean is then normal.
func (p Position) fiducial(n int, rng *rand.Rand) Position {
	nu := float64(n - 1)
	t11 := math.Sqrt(distuv.ChiSquared{K: nu, Src: rng}.Rand())
	t22 := math.Sqrt(distuv.ChiSquared{K: nu - 1, Src: rng}.Rand())
	t21 := rng.NormFloat64()
	// L, the Cholesky factor of the covariance, times U = (Tᵀ)⁻¹: a square root of Σ*.
	l11, l21 := p.SigmaX, p.Correlation*p.SigmaY
	l22 := p.SigmaY * math.Sqrt((1-p.Correlation)*(1+p.Correlation))
	u11, u12, u22 := 1/t11, -t21/(t11*t22), 1/t22
	root := math.Sqrt(nu)
	a11, a12 := root*l11*u11, root*l11*u12
	a21, a22 := root*l21*u11, root*(l21*u12+l22*u22)
	z1, z2 := rng.NormFloat64()/math.Sqrt(float64(n)), rng.NormFloat64()/math.Sqrt(float64(n))
	sx, sy := math.Hypot(a11, a12), math.Hypot(a21, a22)
	rho := math.Max(-1, math.Min(1, (a11*a21+a12*a22)/(sx*sy)))
	q, err := NewPosition(p.MeanX+a11*z1+a12*z2, p.MeanY+a21*z1+a22*z2, sx, sy, rho)
	if err != nil {
		panic(err) // a draw from a law that was checked
	}
	return q
}
