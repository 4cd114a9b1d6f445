package offset

import (
	"fmt"
	"math"
	"math/cmplx"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
)

// A top is what lies above the marks and is seen shifted: a die, a cap, the array.
type top struct {
	xUm, yUm, thetaDeg, uTheta float64
	cov                        [3][3]float64
}

// topOf returns where a reading has one, and whether it has one.
func topOf(r *reading.Reading) (top, bool) {
	if o := r.Offset; o != nil {
		return top{o.XUm, o.YUm, o.ThetaDeg, o.UTheta, o.Cov}, true
	}
	if a := r.Array; a != nil {
		return top{a.XUm, a.YUm, a.ThetaDeg, a.UTheta,
			[3][3]float64{{a.UXUm * a.UXUm}, {1: a.UYUm * a.UYUm}, {2: a.UTheta * a.UTheta}}}, true
	}
	return top{}, false
}

// A Reversal is what two shots of one sample, turned in between, tell apart: what belongs to the
// sample and what to the scope.
type Reversal struct {
	// BiasXUm and BiasYUm are the scope's own shift of the plate against the marks, in the scope
	// frame: positive where the plate is shown too far right, or too far up. Their covariance is in µm².
	BiasXUm, BiasYUm float64
	BiasCov          [2][2]float64

	// The plate's offset freed of that shift, drawing frame, with its covariance in
	// (X µm, Y µm, theta degrees).
	XUm, YUm, ThetaDeg float64
	Cov                [3][3]float64
}

const (
	// leastTurn is the least turn between two shots that tells scope and sample apart well.
	leastTurn = 60 * geom.Degree
	// A die turns with its substrate, so θ must come out the same; more than sameSigmas standard
	// uncertainties and sameTheta apart it is another sample.
	sameSigmas = 5.0
	sameTheta  = 0.01 * geom.Degree
)

// Reverse separates the sample's offset o from the scope's bias b by two shots of one sample, of
// which readings a and b came with the scope's bias still in them. In the drawing frame, with φ
// the turn of the sample under the scope,
//
//	z_k = o + R(−φ_k) b,
//
// two vector equations for two vectors. For φ = 0° and 180° b is half the difference and o the
// mean: reversal, as in Evans, Hocken and Estler, "Self-calibration: reversal, redundancy, error
// separation, and 'absolute testing'", CIRP Annals 45 (1996) 617 (from memory).
//
// What turns with the sample stays in o: its own wedge, a die that lies tilted on its bumps, columns
// that all lean. Of an array the offset is that of its tips, or of its balls' equators.
//
// Covariances after JCGM 100:2008, 5.2. Errors that belong to the sample (rough edges, worn marks)
// are the same in both shots: they cancel in b and don't average out in o. How large that part is
// isn't known, so b takes the two shots as independent and o takes them as fully correlated,
// each of which gives the larger uncertainty.
//
// It returns an error when the shots lie too nearly the same way round, or differ in θ.
func Reverse(a, b *reading.Reading) (*Reversal, error) {
	p, seenA := topOf(a)
	q, seenB := topOf(b)
	if !seenA || !seenB || a.Substrate == nil || b.Substrate == nil {
		return nil, fmt.Errorf("a reversal needs two pictures that could be measured")
	}
	turn := [2]geom.Angle{geom.Angle(a.Substrate.TurnDeg) * geom.Degree, geom.Angle(b.Substrate.TurnDeg) * geom.Degree}
	between := geom.Angle(math.Abs(geom.Wrap(turn[1] - turn[0]).Rad()))
	if between < leastTurn {
		return nil, fmt.Errorf("the sample lies turned by only %.1f° between the two pictures: turn it by 180° for the second, and say so in a column turn_deg of the traveler", between.Deg())
	}
	apart := math.Abs(geom.Wrap(geom.Angle(p.thetaDeg-q.thetaDeg) * geom.Degree).Deg())
	if limit := sameSigmas*math.Hypot(p.uTheta, q.uTheta) + sameTheta.Deg(); apart > limit {
		return nil, fmt.Errorf("the turn of die or array differs by %.3f° between the two pictures, more than %.3f°: they don't show the same sample", apart, limit)
	}
	e0, e1 := cmplx.Exp(complex(0, -turn[0].Rad())), cmplx.Exp(complex(0, -turn[1].Rad()))
	z0, z1 := complex(p.xUm, p.yUm), complex(q.xUm, q.yUm)
	toBias := 1 / (e0 - e1)
	bias := (z0 - z1) * toBias
	w0, w1 := 1-e0*toBias, e0*toBias // o = w0 z0 + w1 z1
	o := w0*z0 + w1*z1

	r := &Reversal{
		BiasXUm: real(bias), BiasYUm: imag(bias),
		XUm: real(o), YUm: imag(o), ThetaDeg: (p.thetaDeg + q.thetaDeg) / 2,
	}
	c0, c1 := spread(toBias, p.cov), spread(toBias, q.cov)
	o0, o1 := spread(w0, p.cov), spread(w1, q.cov)
	a0, a1 := cmplx.Abs(w0), cmplx.Abs(w1)
	for i := range 2 {
		for k := range 2 {
			r.BiasCov[i][k] = c0[i][k] + c1[i][k]
			r.Cov[i][k] = (a0 + a1) * (o0[i][k]/a0 + o1[i][k]/a1)
		}
		r.Cov[i][2] = (p.cov[i][2] + q.cov[i][2]) / 2
		r.Cov[2][i] = r.Cov[i][2]
	}
	r.Cov[2][2] = (p.cov[2][2] + q.cov[2][2]) / 2
	return r, nil
}

// spread returns the covariance of (X, Y) times a complex number.
func spread(w complex128, cov [3][3]float64) [3][3]float64 {
	j := [3][]float64{{real(w), -imag(w)}, {imag(w), real(w)}, {}}
	return propagate(j, func(i, k int) float64 { return cov[i][k] })
}

// MeanBias returns the bias of several reversals with its standard uncertainties, µm: the mean
// weighted by 1/u². Where the reversals scatter more than their uncertainties say (samples that
// don't sit alike), these grow by Birge's ratio (Physical Review 40 (1932) 207).
func MeanBias(rs []*Reversal) (xUm, yUm, uxUm, uyUm float64) {
	mean := func(of func(*Reversal) (v, variance float64)) (float64, float64) {
		var sw, swv, chi2 float64
		for _, r := range rs {
			v, variance := of(r)
			sw += 1 / variance
			swv += v / variance
		}
		m := swv / sw
		for _, r := range rs {
			v, variance := of(r)
			chi2 += (v - m) * (v - m) / variance
		}
		birge := 1.0
		if len(rs) > 1 {
			birge = max(1, math.Sqrt(chi2/float64(len(rs)-1)))
		}
		return m, birge / math.Sqrt(sw)
	}
	xUm, uxUm = mean(func(r *Reversal) (float64, float64) { return r.BiasXUm, r.BiasCov[0][0] })
	yUm, uyUm = mean(func(r *Reversal) (float64, float64) { return r.BiasYUm, r.BiasCov[1][1] })
	return xUm, yUm, uxUm, uyUm
}
