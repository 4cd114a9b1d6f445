package column

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
)

// An outline is the substrate's rectangle fitted to raw pixels.
type outline struct {
	pose geom.Pose
	// cov is the covariance of (origin x µm, origin y µm, turn rad, scale), in that order.
	cov   [4][4]float64
	sides [4]side
	fits  [4]sideFit

	sigmaPx float64 // point spread, the pixel's square included
	gx, gy  float64 // slope of the light over the substrate, 1/px along the image axes

	// shaded reports that the substrate's level changes toward its edges more than the light does.
	shaded bool
}

// shadePx is how far shading beside an edge may draw it outward or inward, on all sides alike, px:
// seen on ray-traced pictures of known truth (0.04 to 0.15 px).
const shadePx = 0.1

// A sideFit is how well one side went.
type sideFit struct {
	used  float64 // share of its profiles that entered
	rmsUm float64
	uUm   float64
}

// A profile is one row or column of pixels across a side.
type profile struct {
	side   int
	e, v   float64 // displacement of the edge outward from the present line, µm, and its variance
	j      [4]float64
	inside float64 // level of the substrate beside it
	x, y   float64 // image place
	dSigma float64 // step of sigma (µm) that the profile alone asks for, with variance vSigma
	vSigma float64
	weight float64
	block  int
}

const (
	blockProfiles = 48  // roughness and shading are correlated over less than this
	cornerFree    = 6.0 // px kept away from the corners, beyond the reach of the blur
	outlierSigma  = 4.0
)

// outlineSteps holds of how many profiles one is used in each step: the first steps only bring the
// lines near.
var outlineSteps = [...]int{8, 4, 1}

// blurMost is the sigma of the point spread, px, beyond which a picture is out of focus: good ones
// stay below 2.5 (common practice, no source), and the steps of the fit reach 4.9 at most.
const blurMost = 4.0

// fitOutline refines the pose by maximum likelihood: every pixel row and column across a side
// tells the displacement of the edge from the present line, linearised (the score of a blurred
// step over its information); all together, robustly weighted, move the rectangle.
//
// Each profile takes its levels from its neighbours along the side, so that shading doesn't
// matter. levelsPx says how many pixels beyond the blur are free for that inside.
func fitOutline(pic *shot, start geom.Pose, ss [4]side, levelsPx int) (*outline, error) {
	o := &outline{pose: start, sides: ss, sigmaPx: 1.2}
	um := pic.base.UmPerPx()
	reach := 3.0 // px that the start may be wrong
	var ps []profile
	var raw []strip
	var hidden [4][]span
	var smear float64
	for k := range ss {
		hidden[k] = pic.hidden(o.pose, ss[k], float64(levelsPx)+4*o.sigmaPx+reach)
	}
	for _, every := range outlineSteps {
		raw = raw[:0]
		half, levels := pic.stripPx(o.sigmaPx, reach, levelsPx)
		raw = slices.Grow(raw, 2*(pic.g.W+pic.g.H)/every)
		for k := range ss {
			if ss[k].found {
				raw = append(raw, pic.strips(o.pose, ss[k], k, half, levels, every, hidden[k])...)
			}
		}
		raw = withoutShade(raw, int(1000*pic.part.Array.PitchMm/um)/every)
		o.gx, o.gy = lightSlope(raw, pic.g.W, pic.g.H)
		o.shaded = smoothLevels(raw, o.gx, o.gy)
		ps = ps[:0]
		for i := range raw {
			if p, ok := pic.displacement(&raw[i], o.sigmaPx*um); ok {
				p.j = jacobian(o.pose, ss[raw[i].side], raw[i])
				ps = append(ps, p)
			}
		}
		weigh(ps)
		for k := range ss {
			if ss[k].found && usedShare(ps, k) < 0.2 {
				ss[k].found = false
			}
		}
		if !o.solve(ps) {
			return nil, &reading.Refusal{Gate: "outline-out", Instruction: "the substrate's edges can't be fitted; clean the edges, see that all of them are in the picture and take it again"}
		}
		smear = smearOf(ps, o.sigmaPx, um)
		o.sigmaPx = nextSigma(ps, o.sigmaPx, um)
		reach = 1
	}
	if smear > smearMost {
		return nil, &reading.Refusal{Gate: "motion-blur", Got: smear, Limit: smearMost, Unit: "px",
			Instruction: fmt.Sprintf("the picture is smeared over about %.0f px, as the substrate's edges show: let the table come to rest and touch nothing while the picture is taken, or shorten the exposure", smear)}
	}
	if o.sigmaPx > blurMost {
		return nil, &reading.Refusal{Gate: "defocus", Got: o.sigmaPx, Limit: blurMost, Unit: "px of blur at the substrate's edges",
			Instruction: "the picture is out of focus; focus on the substrate's top surface and take it again"}
	}
	o.sides = ss
	if o.shaded {
		u := shadePx * um / min(ss[0].halfUm, ss[1].halfUm)
		o.cov[3][3] += u * u
	}
	o.describe(ps)
	return o, nil
}

// stripPx returns how far to both sides of an edge its own light reaches, and over how many pixels
// beyond that its levels are taken: of as many as there are before the outermost pads begin, in
// their blur, for what is beside those is no even substrate.
func (pic *shot) stripPx(sigmaPx, reach float64, levelsPx int) (half, levels int) {
	const least = 4 // pixels for a level
	half = int(math.Ceil(4*sigmaPx + reach))
	free := int(pic.marginPx() - 1.5*sigmaPx)
	if half+levelsPx <= free {
		return half, levelsPx
	}
	levels = min(max(free-half, least), levelsPx)
	return max(min(half, free-levels), int(math.Ceil(3*sigmaPx+reach))), levels
}

// jacobian returns the derivative of a profile's outward distance from the line by the pose.
func jacobian(pose geom.Pose, s side, st strip) [4]float64 {
	sin, cos := math.Sincos(pose.Turn.Rad())
	nx, ny := cos*s.nx-sin*s.ny, sin*s.nx+cos*s.ny
	return [4]float64{-nx, -ny, st.tangentUm, -s.halfUm}
}

// weigh sets the weights: 1/(noise + roughness), cut off beyond outlierSigma.
func weigh(ps []profile) {
	for k := range 4 {
		e := make([]float64, 0, len(ps))
		for i := range ps {
			if ps[i].side == k {
				e = append(e, ps[i].e)
			}
		}
		if len(e) == 0 {
			continue
		}
		// The line may still be off by an offset and a slope, so take scatter about the median
		// of the neighbourhood's thirds rather than about the line.
		m := fit.Nth(e, len(e)/2)
		a := e[:0]
		for i := range ps {
			if ps[i].side == k {
				a = append(a, math.Abs(ps[i].e-m))
			}
		}
		scale := 1.4826 * fit.Nth(a, len(a)/2)
		for i := range ps {
			if ps[i].side != k {
				continue
			}
			rough := max(0, scale*scale-ps[i].v)
			t := (ps[i].e - m) / (outlierSigma * 1.5 * max(scale, math.Sqrt(ps[i].v)))
			if t*t >= 1 {
				ps[i].weight = 0
				continue
			}
			q := 1 - t*t
			ps[i].weight = q * q / (ps[i].v + rough)
		}
	}
}

func usedShare(ps []profile, k int) float64 {
	n, used := 0, 0
	for i := range ps {
		if ps[i].side == k {
			n++
			if ps[i].weight > 0 {
				used++
			}
		}
	}
	if n < 20 {
		return 0
	}
	return float64(used) / float64(n)
}

// shrinkPrior is the spread of ceramic's firing shrink about the drawing (common practice, no
// source). It matters only when no pair of opposite sides is seen.
const shrinkPrior = 0.003

// solve moves the pose by weighted least squares and fills the covariance, robust against
// correlation along a side (scores summed over blocks, Liang & Zeger 1986).
func (o *outline) solve(ps []profile) bool {
	h := mat.NewSymDense(4, nil)
	g := mat.NewVecDense(4, nil)
	for i := range ps {
		w := ps[i].weight
		for a := range 4 {
			g.SetVec(a, g.AtVec(a)-w*ps[i].j[a]*ps[i].e)
			for b := a; b < 4; b++ {
				h.SetSym(a, b, h.At(a, b)+w*ps[i].j[a]*ps[i].j[b])
			}
		}
	}
	h.SetSym(3, 3, h.At(3, 3)+1/(shrinkPrior*shrinkPrior))
	g.SetVec(3, g.AtVec(3)+(1-o.pose.Scale)/(shrinkPrior*shrinkPrior))
	var chol mat.Cholesky
	if !chol.Factorize(h) {
		return false
	}
	var dp mat.VecDense
	if chol.SolveVecTo(&dp, g) != nil {
		return false
	}
	inv := mat.NewSymDense(4, nil)
	if chol.InverseTo(inv) != nil {
		return false
	}
	o.pose.Origin.X += geom.Length(dp.AtVec(0))
	o.pose.Origin.Y += geom.Length(dp.AtVec(1))
	o.pose.Turn += geom.Angle(dp.AtVec(2))
	o.pose.Scale += dp.AtVec(3)

	// What is left after the step, summed by blocks.
	meat := mat.NewSymDense(4, nil)
	var score [4]float64
	flush := func() {
		for a := range 4 {
			for b := a; b < 4; b++ {
				meat.SetSym(a, b, meat.At(a, b)+score[a]*score[b])
			}
		}
		score = [4]float64{}
	}
	for i := range ps {
		p := &ps[i]
		if i > 0 && (p.block != ps[i-1].block || p.side != ps[i-1].side) {
			flush()
		}
		left := p.e
		for a := range 4 {
			left += p.j[a] * dp.AtVec(a)
		}
		for a := range 4 {
			score[a] += p.weight * p.j[a] * left
		}
		p.e = left
	}
	flush()
	var half, full mat.Dense
	half.Mul(inv, meat)
	full.Mul(&half, inv)
	// The larger of the two covariances as a whole: the blocks' scatter can come out small by luck.
	grow := 1.0
	for a := range 4 {
		grow = max(grow, full.At(a, a)/inv.At(a, a))
	}
	for a := range 4 {
		for b := range 4 {
			v := full.At(a, b)
			if grow < 1.5 {
				v = inv.At(a, b) * grow
			} else if a == b {
				v = max(v, inv.At(a, a))
			}
			o.cov[a][b] = v
		}
	}
	return true
}

const (
	smearMost  = 6.0 // px that a picture may move while it is taken
	smearRatio = 1.5 // of the blur along the motion over that across it, from which on it is one
)

// smearOf returns over how many pixels the picture moved: a uniform motion by L is a box of L, whose
// width at half height is L. It is told by edges that run across each other; 0 where they don't
// differ. One step from the blur that all have in common shows the half of a large difference.
func smearOf(ps []profile, sigmaPx, um float64) float64 {
	var across [2]float64
	for k := range across {
		var some []profile
		for i := range ps {
			if ps[i].side%2 == k {
				some = append(some, ps[i])
			}
		}
		if len(some) == 0 {
			return 0
		}
		across[k] = nextSigma(some, sigmaPx, um)
	}
	long, short := max(across[0], across[1]), min(across[0], across[1])
	if long < smearRatio*short {
		return 0
	}
	return math.Sqrt(8 * math.Ln2 * (long*long - short*short))
}

// nextSigma takes the step of the point spread that all profiles together ask for.
func nextSigma(ps []profile, sigmaPx, um float64) float64 {
	var sw, swd float64
	for i := range ps {
		if ps[i].weight > 0 {
			w := 1 / ps[i].vSigma
			sw += w
			swd += w * ps[i].dSigma
		}
	}
	if sw == 0 {
		return sigmaPx
	}
	step := swd / sw / um
	return min(max(sigmaPx+max(-0.4*sigmaPx, min(0.6*sigmaPx, step)), 0.35), 6)
}

// describe fills what is reported of each side.
func (o *outline) describe(ps []profile) {
	for k := range o.sides {
		var n, used, w, ee float64
		for i := range ps {
			if ps[i].side != k {
				continue
			}
			n++
			if ps[i].weight > 0 {
				used++
				w += ps[i].weight
				ee += ps[i].weight * ps[i].e * ps[i].e
			}
		}
		if w == 0 {
			continue
		}
		j := [4]float64{-o.sides[k].nx, -o.sides[k].ny, 0, -o.sides[k].halfUm}
		v := 0.0
		for a := range 4 {
			for b := range 4 {
				v += j[a] * o.cov[a][b] * j[b]
			}
		}
		o.fits[k] = sideFit{used: used / n, rmsUm: math.Sqrt(ee / w), uUm: math.Sqrt(max(v, 0))}
	}
}
