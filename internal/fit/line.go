package fit

import "math"

// A robustLine is u = a + b·s through places of an edge.
type robustLine struct {
	a, b float64       // µm, 1
	cov  [2][2]float64 // of (a, b)
	w    []float64     // robust weights
	used int
	rms  float64
}

const (
	lineTukey = 4.0
	lineSteps = 30
)

// fitLine fits a line to pts by iteratively reweighted least squares with Tukey's biweight. Places
// scatter by noise and by what the edge itself does (saw roughness, texture beside it), whose
// spread is estimated. Since roughness runs on from one place to the next, the covariance is the
// one of Newey & West (Econometrica 55 (1987) 703) with Bartlett weights over lag places, which
// is robust to that.
func fitLine(pts []place, um float64) (*robustLine, error) {
	n := len(pts)
	l := &robustLine{w: make([]float64, n)}
	l.a, l.b = start(pts)
	r, abs := make([]float64, n), make([]float64, n)
	var h [2][2]float64
	extra := 0.0
	for step := range lineSteps {
		for i, p := range pts {
			r[i] = p.d - l.a - l.b*p.s
			abs[i] = math.Abs(r[i])
		}
		scatter := 1.4826 * median(abs)
		for i, p := range pts {
			abs[i] = p.varD
		}
		extra = max(0, scatter*scatter-median(abs))
		var g [2]float64
		h = [2][2]float64{}
		for i, p := range pts {
			v := p.varD + extra
			l.w[i] = robustWeight(r[i]/math.Sqrt(v), lineTukey, true)
			w := l.w[i] / v
			g[0] += w * r[i]
			g[1] += w * r[i] * p.s
			h[0][0] += w
			h[0][1] += w * p.s
			h[1][1] += w * p.s * p.s
		}
		h[1][0] = h[0][1]
		det := h[0][0]*h[1][1] - h[0][1]*h[0][1]
		if !(det > 0) {
			return nil, ErrNoEdge
		}
		da, db := (h[1][1]*g[0]-h[0][1]*g[1])/det, (h[0][0]*g[1]-h[0][1]*g[0])/det
		l.a, l.b = l.a+da, l.b+db
		if step > 3 && math.Abs(da) < 1e-6*um {
			break
		}
	}
	var sum, weight float64
	for i := range pts {
		if l.w[i] > 0 {
			l.used++
		}
		sum += l.w[i] * r[i] * r[i]
		weight += l.w[i]
	}
	if l.used < minUsedPoints {
		return nil, ErrNoEdge
	}
	l.rms = math.Sqrt(sum / weight)
	l.cov = neweyWest(pts, l.w, r, extra, h)
	return l, nil
}

// start returns a line that few outliers can't move: the median of slopes between points half
// the edge apart, and the median offset.
func start(pts []place) (a, b float64) {
	half := len(pts) / 2
	slopes := make([]float64, 0, half)
	for i := range half {
		p, q := pts[i], pts[i+half]
		if q.s != p.s {
			slopes = append(slopes, (q.d-p.d)/(q.s-p.s))
		}
	}
	b = median(slopes)
	offsets := make([]float64, len(pts))
	for i, p := range pts {
		offsets[i] = p.d - b*p.s
	}
	return median(offsets), b
}

func neweyWest(pts []place, w, r []float64, extra float64, h [2][2]float64) [2][2]float64 {
	n := len(pts)
	score := make([][2]float64, n)
	for i, p := range pts {
		k := w[i] / (p.varD + extra) * r[i]
		score[i] = [2]float64{k, k * p.s}
	}
	lags := int(math.Ceil(1.3 * math.Cbrt(float64(n))))
	var meat [2][2]float64
	for lag := 0; lag <= lags; lag++ {
		bartlett := 1 - float64(lag)/float64(lags+1)
		for i := lag; i < n; i++ {
			for a := range 2 {
				for b := range 2 {
					x := score[i][a] * score[i-lag][b]
					if lag > 0 {
						x += score[i-lag][a] * score[i][b]
					}
					meat[a][b] += bartlett * x
				}
			}
		}
	}
	det := h[0][0]*h[1][1] - h[0][1]*h[1][0]
	inv := [2][2]float64{{h[1][1] / det, -h[0][1] / det}, {-h[1][0] / det, h[0][0] / det}}
	small := float64(n) / float64(n-2)
	cov := mul(mul(inv, meat), inv)
	for a := range 2 {
		for b := range 2 {
			cov[a][b] *= small
		}
		cov[a][a] = max(cov[a][a], inv[a][a]) // never better than without correlation
	}
	return cov
}

func mul(a, b [2][2]float64) (c [2][2]float64) {
	for i := range 2 {
		for j := range 2 {
			c[i][j] = a[i][0]*b[0][j] + a[i][1]*b[1][j]
		}
	}
	return c
}
