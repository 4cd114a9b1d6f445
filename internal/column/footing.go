package column

import "math"

// A footing is what the feet of a picture are worth. A foot is seen at
//
//	seen = own·foot + lean·(tip - foot) + error
//
// own is below 1 where solder keeps the ring near its pad, lean above 0 where the light fades
// gently and the column's shadow takes the ring along.
type footing struct {
	own, lean float64
	uUm       float64 // standard uncertainty of a foot, per axis
	seenUm    float64 // scatter of seen feet, per axis
	agree     float64 // usual share of rays that agree
	gapUm     float64 // from the face's edge to the ring of an upright column
	x, y      float64 // where feet stand on average, µm from their sites: an array may be placed off
	tipsUm    float64 // how far from their sites tips lie on average, µm
}

// Feet scatter about their sites by footScatterUm per axis when healthy (common practice, no
// source); the sharpest ring is seen with footErrorUm.
const (
	footScatterUm = 8.0
	footErrorUm   = 1.5
)

// learnFooting takes own and lean from how feet and tips vary together over the array: with
// var(foot) = S given, L = var(tip) - S the variance of the leans and e² that of the error,
//
//	cov(seen, tip) = own·S + lean·L,  var(seen) = own²·S + lean²·L + e².
func learnFooting(seats []seat, feet []foot, offsets [][2]float64) footing {
	none := footing{uUm: footScatterUm}
	var n, ft, ff, tt float64
	var mean [4]float64
	usable := func(i int) bool {
		return feet[i].found && math.Hypot(feet[i].x, feet[i].y) < 40 && math.Hypot(offsets[i][0]-mean[2], offsets[i][1]-mean[3]) < 60
	}
	var use []int
	for range 2 { // the second time about the common lean
		use = use[:0]
		for i := range seats {
			if usable(i) {
				use = append(use, i)
			}
		}
		n = float64(len(use))
		if n < 20 {
			return none
		}
		mean = [4]float64{}
		for _, i := range use {
			for k, v := range [4]float64{feet[i].x, feet[i].y, offsets[i][0], offsets[i][1]} {
				mean[k] += v / n
			}
		}
	}
	for _, i := range use {
		fx, fy := feet[i].x-mean[0], feet[i].y-mean[1]
		tx, ty := offsets[i][0]-mean[2], offsets[i][1]-mean[3]
		ft += (fx*tx + fy*ty) / (2 * n)
		ff += (fx*fx + fy*fy) / (2 * n)
		tt += (tx*tx + ty*ty) / (2 * n)
	}
	s := min(footScatterUm*footScatterUm, 0.8*tt)
	l := tt - s
	v := ff - footErrorUm*footErrorUm
	a, b, c := l*l/s+l, ft*l/s, ft*ft/s-v
	var agree []float64
	for _, i := range use {
		agree = append(agree, feet[i].agree)
	}
	t := footing{seenUm: math.Sqrt(ff), agree: 0.85 * median(agree), tipsUm: math.Hypot(mean[2], mean[3])}
	if d := b*b - a*c; d > 0 {
		t.lean = max(0, (b-math.Sqrt(d))/a)
	} else {
		t.lean = max(0, b/a)
	}
	t.own = (ft - t.lean*l) / s
	gain := t.own - t.lean
	if gain < 0.1 {
		return none
	}
	t.x, t.y = (mean[0]-t.lean*mean[2])/gain, (mean[1]-t.lean*mean[3])/gain
	e := max(footErrorUm*footErrorUm, ff-t.own*t.own*s-t.lean*t.lean*l) / (gain * gain)
	t.uUm = math.Sqrt(e * s / (e + s))
	return t
}

// commonShare is how well, as a share, the rings' own shift tells that of the whole array: own is
// learned from single feet, and light from one side draws all rings alike (seen on drawn pictures
// of known truth).
const commonShare = 0.4

// pullShare is how well lean is known: with what all tips have in common it moves all feet.
const pullShare = 0.03

// commonUm is the standard uncertainty per axis, µm, of what all feet have in common.
func (t footing) commonUm() float64 {
	return math.Hypot(commonShare*math.Hypot(t.x, t.y), pullShare*t.tipsUm) / math.Sqrt2
}

// stand returns where a column stands, µm from its site, and how well that is known per axis.
// The seen foot, freed of the tip's pull, is weighed against where feet stand on average, about
// which healthy ones scatter; one that stands far off is taken as seen.
func (t footing) stand(f foot, tip [2]float64) (x, y, u float64) {
	if !f.found || t.uUm >= footScatterUm {
		return t.x, t.y, footScatterUm
	}
	// The tip pulls the ring until its light hides that side of it.
	far := math.Hypot(tip[0]-f.x, tip[1]-f.y)
	pull := t.lean * min(1, max(0, 2*(1-far/t.gapUm)))
	gain := t.own - t.lean
	x, y = (f.x-pull*tip[0])/gain, (f.y-pull*tip[1])/gain
	if away := math.Hypot(f.x-gain*t.x, f.y-gain*t.y) / (4 * t.seenUm); away > 1 {
		if f.agree < t.agree && !f.under {
			return t.x, t.y, footScatterUm
		}
		k := min(1, away-1)
		x, y = x+k*(f.x-x), y+k*(f.y-y)
		return x, y, max(t.uUm, 2*footErrorUm)
	}
	w := 1 - t.uUm*t.uUm/(footScatterUm*footScatterUm)
	return t.x + w*(x-t.x), t.y + w*(y-t.y), t.uUm
}
