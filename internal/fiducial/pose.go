package fiducial

import (
	"fmt"
	"image"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// An observation is a drawing point found at a place, with its covariance in µm².
type observation struct {
	drawn geom.DrawingPoint
	found geom.ScopePoint
	cov   [2][2]float64
}

// solvePose returns the turn, shift and scale that carry the drawn points onto the found ones by
// weighted least squares, which is linear in (origin, scale·cos, scale·sin), and the covariance
// of (origin X µm, origin Y µm, turn rad, scale). With uScale above 0 the scale is known beforehand
// to be 1 to that standard uncertainty.
func solvePose(obs []observation, uScale float64) (geom.Pose, [4][4]float64, error) {
	if uScale <= 0 {
		return poseKnowing(obs, 0, 0)
	}
	free, none, err := poseKnowing(obs, 0, 0)
	if err != nil {
		return free, none, err
	}
	return poseKnowing(obs, free.Turn, uScale)
}

// poseKnowing is solvePose with the scale known along the direction of turn.
func poseKnowing(obs []observation, turn geom.Angle, uScale float64) (geom.Pose, [4][4]float64, error) {
	var none [4][4]float64
	if len(obs) < 2 {
		return geom.Pose{}, none, errLever
	}
	h := mat.NewSymDense(4, nil)
	g := mat.NewVecDense(4, nil)
	for _, o := range obs {
		x, y := float64(o.drawn.X), float64(o.drawn.Y)
		rows := [2][4]float64{{1, 0, x, -y}, {0, 1, y, x}}
		z := [2]float64{float64(o.found.X), float64(o.found.Y)}
		det := o.cov[0][0]*o.cov[1][1] - o.cov[0][1]*o.cov[1][0]
		w := [2][2]float64{{o.cov[1][1] / det, -o.cov[0][1] / det}, {-o.cov[1][0] / det, o.cov[0][0] / det}}
		for i := range 4 {
			for r := range 2 {
				for q := range 2 {
					g.SetVec(i, g.AtVec(i)+rows[r][i]*w[r][q]*z[q])
					for j := i; j < 4; j++ {
						h.SetSym(i, j, h.At(i, j)+rows[r][i]*w[r][q]*rows[q][j])
					}
				}
			}
		}
	}
	if uScale > 0 {
		sin, cos := math.Sincos(turn.Rad())
		row := [4]float64{2: cos, 3: sin}
		for i := 2; i < 4; i++ {
			g.SetVec(i, g.AtVec(i)+row[i]/(uScale*uScale))
			for j := i; j < 4; j++ {
				h.SetSym(i, j, h.At(i, j)+row[i]*row[j]/(uScale*uScale))
			}
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(h) {
		return geom.Pose{}, none, errLever
	}
	p := mat.NewVecDense(4, nil)
	inv := mat.NewSymDense(4, nil)
	if chol.SolveVecTo(p, g) != nil || chol.InverseTo(inv) != nil {
		return geom.Pose{}, none, errLever
	}
	a, b := p.AtVec(2), p.AtVec(3)
	s := math.Hypot(a, b)
	pose := geom.Pose{
		Origin: geom.ScopePoint{X: geom.Length(p.AtVec(0)), Y: geom.Length(p.AtVec(1))},
		Turn:   geom.Angle(math.Atan2(b, a)), Scale: s,
	}
	j := mat.NewDense(4, 4, []float64{
		1, 0, 0, 0,
		0, 1, 0, 0,
		0, 0, -b / (s * s), a / (s * s),
		0, 0, a / s, b / s,
	})
	var left, full mat.Dense
	left.Mul(j, inv)
	full.Mul(&left, j.T())
	var cov [4][4]float64
	for i := range 4 {
		for k := range 4 {
			cov[i][k] = full.At(i, k)
		}
	}
	return pose, cov, nil
}

const (
	// outlier is the probability below which a mark's place contradicts the others.
	outlier = 1e-4
	// clearly is by how much one of three marks must look worse than the next to be the one that errs.
	clearly = 2
	// loneMisfit is from which misfit on, root of the reduced chi-square, a mark isn't believed where
	// only one other is there to check it: something covers part of it.
	loneMisfit = 8
	// shrinkTypical is the standard deviation of substrates' scales, common practice, no source.
	shrinkTypical = 0.003
	// grossPx is the smallest misplacement worth dropping a mark for.
	grossPx = 0.3
)

// solve turns the used marks into the pose, dropping one that contradicts the others when enough
// remain to tell which it is.
func (f *Found) solve(m *part.Marks, um float64) error {
	for {
		used := f.used()
		if len(used) < 2 {
			return hidden(len(used), len(f.Marks))
		}
		if len(used) == 2 && max(f.Marks[used[0]].Fit.Misfit, f.Marks[used[1]].Fit.Misfit) > loneMisfit {
			return contradicting(len(used), len(f.Marks))
		}
		pose, cov, err := solvePose(f.observations(used), f.uScale)
		if err != nil {
			return err
		}
		worse := 1 + f.misweighed(used)
		for i := range cov {
			for k := range cov[i] {
				cov[i][k] *= worse
			}
		}
		chi2 := f.residuals(pose)
		dof := 2*len(used) - 4
		if f.uScale > 0 {
			dof++
		}
		if dof > 0 && chi2 > (distuv.ChiSquared{K: float64(dof)}).Quantile(1-outlier) && f.worst() > grossPx*um {
			if k, ok := f.suspect(used); ok {
				f.Marks[k].Used, f.Marks[k].Note = false, "its place contradicts the other marks"
				continue
			}
			if len(used) == 3 {
				return contradicting(len(used), len(f.Marks))
			}
		}
		if dof > 0 && chi2 > (distuv.ChiSquared{K: float64(dof)}).Quantile(0.99) {
			// Birge's ratio (Physical Review 40 (1932) 207): what the marks' own uncertainties leave
			// unexplained is shared out.
			for i := range cov {
				for k := range cov[i] {
					cov[i][k] *= chi2 / float64(dof)
				}
			}
		}
		f.Pose, f.Cov = pose, cov
		var blur []float64
		for _, k := range used {
			blur = append(blur, f.Marks[k].Fit.Blur.Um())
		}
		f.Blur = geom.Length(middle(blur))
		return nil
	}
}

// misweighed is by how much the variance of a mean of marks is larger than their covariances say, since
// the weights that follow from these err with them: 4 Σ p(1-p)/ν for shares p of the weight, known by ν
// degrees of freedom; Meier, Biometrics 9 (1953) 59.
func (f *Found) misweighed(used []int) float64 {
	weight := func(k int) float64 { return 1 / (f.Marks[k].Fit.Cov[0][0] + f.Marks[k].Fit.Cov[1][1]) }
	all, sum := 0.0, 0.0
	for _, k := range used {
		all += weight(k)
	}
	for _, k := range used {
		p := weight(k) / all
		sum += 4 * p * (1 - p) / max(f.Marks[k].Fit.Dof, 1)
	}
	return sum
}

func contradicting(used, all int) *reading.Refusal {
	return &reading.Refusal{
		Gate: "fiducials-hidden", Got: float64(used), Limit: 3, Unit: "marks",
		Instruction: fmt.Sprintf("%d of %d marks are left to tell where the substrate lies, and they are covered in part or contradict each other: clean flux or dust off the marks and take the picture again", used, all),
	}
}

func (f *Found) used() (k []int) {
	for i, m := range f.Marks {
		if m.Used {
			k = append(k, i)
		}
	}
	return k
}

func (f *Found) observations(used []int) []observation {
	obs := make([]observation, 0, len(used))
	for _, k := range used {
		m := f.Marks[k]
		obs = append(obs, observation{m.Place.Point(), m.Fit.Centre, m.Fit.Cov})
	}
	return obs
}

// residuals fills the marks' residuals at a pose and returns chi-square over the used ones.
func (f *Found) residuals(pose geom.Pose) float64 {
	chi2 := 0.0
	for i := range f.Marks {
		m := &f.Marks[i]
		if m.Fit == nil {
			continue
		}
		at, want := pose.ToDrawing(m.Fit.Centre), pose.Nominal(m.Place.Point())
		m.ResidualX, m.ResidualY = at.X-want.X, at.Y-want.Y
		if m.Used {
			c := m.Fit.Cov
			chi2 += float64(m.ResidualX*m.ResidualX)/c[0][0] + float64(m.ResidualY*m.ResidualY)/c[1][1]
		}
	}
	return chi2
}

// worst returns the largest residual of a used mark, µm.
func (f *Found) worst() float64 {
	w := 0.0
	for _, m := range f.Marks {
		if m.Used {
			w = max(w, math.Hypot(m.ResidualX.Um(), m.ResidualY.Um()))
		}
	}
	return w
}

// suspect returns the mark without which the others agree best. With three marks any two agree,
// so the one is taken that looks least like a mark, unless its absence leaves a scale unlike any
// substrate's.
func (f *Found) suspect(used []int) (int, bool) {
	if len(used) < 3 {
		return 0, false
	}
	best, next, at := math.Inf(1), math.Inf(1), -1
	for _, k := range used {
		f.Marks[k].Used = false
		pose, _, err := solvePose(f.observations(f.used()), f.uScale)
		if err == nil {
			cost := f.residuals(pose)
			if len(used) == 3 {
				cost = math.Hypot(1, (pose.Scale-1)/shrinkTypical) * f.Marks[k].Fit.Used / f.Marks[k].Fit.Misfit
			}
			if cost < best {
				best, next, at = cost, best, k
			} else {
				next = min(next, cost)
			}
		}
		f.Marks[k].Used = true
	}
	// Two agree whatever they are, so the third must be clearly the worst.
	return at, at >= 0 && (len(used) > 3 || next > clearly*best)
}

func middle(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return (v[n/2-1] + v[n/2]) / 2
}

func square(x, y float64, reach int) image.Rectangle {
	cx, cy := int(math.Round(x)), int(math.Round(y))
	return image.Rect(cx-reach, cy-reach, cx+reach+1, cy+reach+1)
}
