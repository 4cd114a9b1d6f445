package fit

import "math"

// A chain holds what the segments along a side say, each by itself, of the k parameters that are
// common to the side, their own parameters being eliminated. The first common parameter is the
// side's place.
type chain struct {
	k      int
	info   []float64 // reduced information of each segment, k × k
	score  []float64 // k of each
	weight []float64
	slope  []float64 // by how much a segment's weighted place grows with its place
	place  []float64 // one step of each segment's own place from the common line, µm
	sd     []float64 // its standard deviation from noise, µm
	rough  float64   // variance of the places beyond noise, µm²
	damped bool      // rough follows the places by half
}

const (
	placeTukey  = 4.5 // bound of places that contradict their neighbours', standard deviations
	minSegments = 8
)

func newChain(segments, k int) chain {
	return chain{
		k: k, info: make([]float64, segments*k*k), score: make([]float64, segments*k),
		weight: make([]float64, segments), slope: make([]float64, segments), place: make([]float64, segments), sd: make([]float64, segments),
	}
}

func (c *chain) infoOf(i int) []float64  { return c.info[i*c.k*c.k:][:c.k*c.k] }
func (c *chain) scoreOf(i int) []float64 { return c.score[i*c.k:][:c.k] }

// knows is what segment i says of the side's place, 1/µm².
func (c *chain) knows(i int) float64 { return c.info[i*c.k*c.k] }

// blank is for a segment that says nothing.
func (c *chain) blank(i int) {
	clear(c.infoOf(i))
	clear(c.scoreOf(i))
}

// set keeps a segment's information and score: the upper triangle of h and g, n parameters of which
// the common ones are the last.
func (c *chain) set(i int, h, g []float64, n int) {
	own := n - c.k
	info := c.infoOf(i)
	copy(c.scoreOf(i), g[own:n])
	for p := range c.k {
		for q := p; q < c.k; q++ {
			v := h[(own+p)*n+own+q]
			info[p*c.k+q], info[q*c.k+p] = v, v
		}
	}
}

// eliminate takes the first own of n parameters out of the upper triangle of h and out of g
// (Schur's complement). The rows of h that belong to them keep what back-substitution needs.
func eliminate(h, g []float64, own, n int) {
	for p := range own {
		row := h[p*n : p*n+n]
		per := 1 / row[p]
		for q := p + 1; q < n; q++ {
			f := row[q] * per
			if f == 0 {
				continue
			}
			g[q] -= f * g[p]
			to := h[q*n : q*n+n]
			for r := q; r < n; r++ {
				to[r] -= f * row[r]
			}
		}
	}
}

// backSubstitute solves for the parameters eliminated, those of the rest held.
func backSubstitute(h, g []float64, n int, own []float64) {
	for p := len(own) - 1; p >= 0; p-- {
		v := g[p]
		for q := p + 1; q < len(own); q++ {
			v -= h[p*n+q] * own[q]
		}
		own[p] = v / h[p*n+p]
	}
}

// weigh gives each segment its weight: less where the edge itself is rough, none where its place
// contradicts its neighbours' (chips, glints, dust).
func (c *chain) weigh() {
	n := len(c.place)
	all := make([]float64, 2*n)
	abs, vars := all[:0:n], all[n:n]
	for i := range c.place {
		s := c.knows(i)
		if s <= 0 {
			c.place[i], c.sd[i] = 0, math.Inf(1)
			continue
		}
		c.place[i], c.sd[i] = c.score[i*c.k]/s, 1/math.Sqrt(s)
		abs, vars = append(abs, math.Abs(c.place[i])), append(vars, 1/s)
	}
	if len(abs) < minSegments {
		return
	}
	scatter := 1.4826 * median(abs)
	rough := max(0, scatter*scatter-median(vars))
	// Half of what it was before keeps weights and places from driving each other to and fro.
	if c.damped && c.rough > 0 {
		rough = (rough + c.rough) / 2
	}
	c.rough = rough
	for i := range c.place {
		v := c.sd[i]*c.sd[i] + c.rough
		if math.IsInf(v, 1) {
			c.weight[i], c.slope[i] = 0, 0
			continue
		}
		root, slope := rootWeight(math.Abs(c.place[i])/(placeTukey*math.Sqrt(v)), true)
		calm := 1 / (1 + c.rough*c.knows(i))
		c.weight[i], c.slope[i] = root*root*calm, slope*calm
	}
}

// used counts the segments that have a weight.
func (c *chain) used() (n int) {
	for _, w := range c.weight {
		if w > 0 {
			n++
		}
	}
	return n
}

// total adds information and score of all segments, by their weights, to h and g.
func (c *chain) total(h, g []float64) {
	for i, w := range c.weight {
		if w == 0 {
			continue
		}
		for p, v := range c.scoreOf(i) {
			g[p] += w * v
		}
		for p, v := range c.infoOf(i) {
			h[p] += w * v
		}
	}
}

// meat returns the covariance of the summed score. Roughness and texture run on from one segment to
// the next, so it is that of Newey & West (Econometrica 55 (1987) 703) with Bartlett weights over the
// lags; around says that the last segment is the first one's neighbour.
func (c *chain) meat(lags int, around bool) []float64 {
	k := c.k
	out := make([]float64, k*k)
	before := make([]float64, k) // what runs on into segment i, from those before it
	for i, w := range c.weight {
		if w == 0 {
			continue
		}
		clear(before)
		for lag := 1; lag <= lags; lag++ {
			j := i - lag
			if j < 0 && around {
				j += len(c.weight)
			}
			if j < 0 {
				break
			}
			bartlett := 1 - float64(lag)/float64(lags+1)
			for p, v := range c.scoreOf(j) {
				before[p] += bartlett * c.weight[j] * v
			}
		}
		s := c.scoreOf(i)
		for p := range k {
			for q := range k {
				out[p*k+q] += w * (w*s[p]*s[q] + s[p]*before[q] + before[p]*s[q])
			}
		}
	}
	return out
}

const (
	// lagsPerRoot times the cube root of the segments' number is over how many of them what runs on is
	// followed: Andrews, Econometrica 59 (1991) 817, equations 6.2 and 6.4, for a correlation of 0.6
	// from one to the next.
	lagsPerRoot = 1.5
	// leastScatter is the least share that scatter leaves of a variance.
	leastScatter = 0.05
)

// scatter returns the covariance of the common parameters as the scatter along the side shows it. inv is the
// inverse information, known what is known of them beforehand.
func (c *chain) scatter(inv, known []float64) []float64 {
	n := float64(c.used())
	lags := int(math.Ceil(lagsPerRoot * math.Cbrt(n)))
	meat := c.meat(lags, false)
	for p, v := range known {
		meat[p*c.k+p] += v
	}
	// Weights fall as a place departs from the others, so that the information that counts is less.
	var sum, slope float64
	for i, w := range c.weight {
		if w > 0 {
			sum += w * c.knows(i)
			slope += c.slope[i] * c.knows(i)
		}
	}
	// Place and turn take from the scores what runs on over the whole side: with Bartlett weights over
	// the share b of it, about b of the variance each.
	b := float64(lags+1) / n
	by := sum / slope / max(1-b, 0.5)
	// Few segments tell their scatter poorly, and 1.96 standard uncertainties are to hold 95 %: Student's
	// t over the normal quantile, Abramowitz & Stegun 26.7.5, with 3/2b degrees of freedom for each of
	// place and turn (Priestley, Spectral Analysis and Time Series, 1981, table 6.1).
	by *= 1 + (1.96*1.96+1)/4/max(3/b-2, 1)
	full := sandwich(inv, meat, c.k)
	for i := range full {
		full[i] *= by * by
	}
	return full
}

// errs returns the covariance of place and turn, the parameter that is given, that belongs to what scatter
// returned: in the shape of the inverse information, as large as both on the mean show.
func errs(inv, full []float64, k, turn int) [2][2]float64 {
	at := turn*k + turn
	by := max((full[0]/inv[0]+full[at]/inv[at])/2, leastScatter)
	return [2][2]float64{{by * inv[0], by * inv[turn]}, {by * inv[turn], by * inv[at]}}
}
