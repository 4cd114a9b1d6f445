package fiducial

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
)

// umeyama is the closed form for equal weights: Umeyama, "Least-squares estimation of
// transformation parameters between two point patterns", IEEE Transactions on Pattern Analysis and
// Machine Intelligence 13 (1991) 376. In the plane the rotation is the angle of the summed cross
// and dot products about the centroids.
func umeyama(obs []observation) geom.Pose {
	n := float64(len(obs))
	var px, py, qx, qy float64
	for _, o := range obs {
		px, py = px+float64(o.drawn.X)/n, py+float64(o.drawn.Y)/n
		qx, qy = qx+float64(o.found.X)/n, qy+float64(o.found.Y)/n
	}
	var dot, cross, sq float64
	for _, o := range obs {
		ax, ay := float64(o.drawn.X)-px, float64(o.drawn.Y)-py
		bx, by := float64(o.found.X)-qx, float64(o.found.Y)-qy
		dot, cross, sq = dot+ax*bx+ay*by, cross+ax*by-ay*bx, sq+ax*ax+ay*ay
	}
	turn, scale := math.Atan2(cross, dot), math.Hypot(dot, cross)/sq
	sin, cos := math.Sincos(turn)
	return geom.Pose{
		Origin: geom.ScopePoint{X: geom.Length(qx - scale*(cos*px-sin*py)), Y: geom.Length(qy - scale*(sin*px+cos*py))},
		Turn:   geom.Angle(turn), Scale: scale,
	}
}

func drawObservations(t *rapid.T, sd float64) []observation {
	obs := make([]observation, rapid.IntRange(2, 6).Draw(t, "marks"))
	for i := range obs {
		at := func(name string, reach float64) geom.Length {
			return geom.Length(rapid.Float64Range(-reach, reach).Draw(t, name))
		}
		obs[i] = observation{
			drawn: geom.DrawingPoint{X: at("x", 7000), Y: at("y", 7000)},
			found: geom.ScopePoint{X: at("found_x", 7000), Y: at("found_y", 7000)},
			cov:   [2][2]float64{{sd * sd, 0}, {0, sd * sd}},
		}
	}
	// Two marks apart, so that there is a lever.
	obs[0].drawn, obs[1].drawn = geom.DrawingPoint{X: -6000, Y: 100}, geom.DrawingPoint{X: 6000, Y: -50}
	obs[0].found, obs[1].found = geom.ScopePoint{X: -5900, Y: 90}, geom.ScopePoint{X: 6010, Y: 40}
	return obs
}

func TestSolvePoseIsTheClosedForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		obs := drawObservations(t, rapid.Float64Range(0.01, 50).Draw(t, "sd_um"))
		want := umeyama(obs)
		if want.Scale < 0.05 {
			return // found points that no turn explains
		}
		got, _, err := solvePose(obs, 0)
		if err != nil {
			t.Fatal(err)
		}
		d := math.Hypot(float64(got.Origin.X-want.Origin.X), float64(got.Origin.Y-want.Origin.Y))
		if d > 1e-6 || math.Abs(geom.Wrap(got.Turn-want.Turn).Rad()) > 1e-9 || math.Abs(got.Scale-want.Scale) > 1e-9 {
			t.Errorf("got %+v want %+v", got, want)
		}
	})
}

// The stated covariance is what found places that err by their covariance give: propagated by
// differences, and by a thousand draws (JCGM 101).
func TestSolvePoseCovariance(t *testing.T) {
	truth := geom.Pose{Origin: geom.ScopePoint{X: 300, Y: -200}, Turn: 3 * geom.Degree, Scale: 0.998}
	covs := [][2][2]float64{{{0.04, 0.01}, {0.01, 0.02}}, {{0.01, 0}, {0, 0.09}}, {{0.03, -0.02}, {-0.02, 0.03}}}
	places := []geom.DrawingPoint{{X: -5600, Y: 5600}, {X: 5600, Y: 5600}, {X: 5600, Y: -5600}}
	obs := make([]observation, len(places))
	for i, p := range places {
		obs[i] = observation{p, truth.ToScope(p), covs[i]}
	}
	pose, cov, err := solvePose(obs, 0)
	if err != nil {
		t.Fatal(err)
	}
	vector := func(p geom.Pose) [4]float64 {
		return [4]float64{float64(p.Origin.X), float64(p.Origin.Y), p.Turn.Rad(), p.Scale}
	}
	base := vector(pose)
	var want [4][4]float64
	for i := range obs {
		const h = 1e-3 // µm; the model is linear but for the turn's arc tangent
		var j [4][2]float64
		for axis := range 2 {
			moved := append([]observation(nil), obs...)
			if axis == 0 {
				moved[i].found.X += h
			} else {
				moved[i].found.Y += h
			}
			p, _, err := solvePose(moved, 0)
			if err != nil {
				t.Fatal(err)
			}
			for k, v := range vector(p) {
				j[k][axis] = (v - base[k]) / h
			}
		}
		for a := range 4 {
			for b := range 4 {
				for r := range 2 {
					for q := range 2 {
						want[a][b] += j[a][r] * obs[i].cov[r][q] * j[b][q]
					}
				}
			}
		}
	}
	for a := range 4 {
		for b := range 4 {
			if d := math.Abs(cov[a][b] - want[a][b]); d > 1e-3*math.Sqrt(want[a][a]*want[b][b]) {
				t.Errorf("cov[%d][%d]: got %g want %g", a, b, cov[a][b], want[a][b])
			}
		}
	}

	rng := rand.New(rand.NewPCG(5, 6))
	const draws = 4000
	var sum [4]float64
	for range draws {
		moved := append([]observation(nil), obs...)
		for i, c := range covs { // by Cholesky's factor of each covariance
			l00 := math.Sqrt(c[0][0])
			l10 := c[1][0] / l00
			a, b := rng.NormFloat64(), rng.NormFloat64()
			moved[i].found.X += geom.Length(l00 * a)
			moved[i].found.Y += geom.Length(l10*a + math.Sqrt(c[1][1]-l10*l10)*b)
		}
		p, _, err := solvePose(moved, 0)
		if err != nil {
			t.Fatal(err)
		}
		for k, v := range vector(p) {
			sum[k] += (v - base[k]) * (v - base[k])
		}
	}
	for k := range sum {
		// The standard deviation of n draws scatters by 1/√(2n) = 1.1 %.
		if ratio := math.Sqrt(sum[k] / draws / cov[k][k]); math.Abs(ratio-1) > 0.05 {
			t.Errorf("parameter %d scatters by %.3f of what is stated", k, ratio)
		}
	}
}

func TestSolvePoseNeedsALever(t *testing.T) {
	here := observation{geom.DrawingPoint{X: 5, Y: 5}, geom.ScopePoint{}, [2][2]float64{{1, 0}, {0, 1}}}
	for name, obs := range map[string][]observation{"none": nil, "one": {here}, "two in one place": {here, here}} {
		if _, _, err := solvePose(obs, 0); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// A scale known to be 1 leaves turn and centroid as they are and moves the rest with the scale; one
// known badly changes nothing.
func TestSolvePoseWithKnownScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		obs := drawObservations(t, 1)
		free := umeyama(obs)
		if free.Scale < 0.05 {
			return // found points that no turn explains
		}
		known, cov, err := solvePose(obs, 1e-6)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(known.Scale-1) > 1e-3 || math.Abs(geom.Wrap(known.Turn-free.Turn).Rad()) > 1e-6 {
			t.Errorf("got turn %g scale %g want turn %g scale 1", known.Turn, known.Scale, free.Turn)
		}
		if u := math.Sqrt(cov[3][3]); math.Abs(u-1e-6) > 1e-8 {
			t.Errorf("u of the scale is %g, stated 1e-6", u)
		}
		loose, _, err := solvePose(obs, 1e3)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(loose.Scale-free.Scale) > 1e-6 {
			t.Errorf("a scale known to 1000 gives %g, free it is %g", loose.Scale, free.Scale)
		}
	})
}

// Means weighed by variances that are themselves estimated err by what Meier's approximation says
// (Biometrics 9 (1953) 59), found here by drawing.
func TestWeightsThatErrMakeAMeanWorse(t *testing.T) {
	const draws, dof = 20_000, 16
	rng := rand.New(rand.NewPCG(7, 8))
	for _, sds := range [][]float64{{1, 1}, {1, 1, 1, 1}, {1, 2, 1, 3}} {
		f := &Found{Marks: make([]Mark, len(sds))}
		used := make([]int, len(sds))
		var stated, blind, erred float64
		for range draws {
			var all, sum float64
			for k, sd := range sds {
				var chi2 float64
				for range dof {
					z := rng.NormFloat64()
					chi2 += z * z
				}
				v := sd * sd * chi2 / dof
				f.Marks[k].Fit = &fit.Mark{Cov: [2][2]float64{{v, 0}, {0, v}}, Dof: dof}
				used[k] = k
				all += 1 / v
				sum += sd * rng.NormFloat64() / v
			}
			blind += 1 / all
			stated += (1 + f.misweighed(used)) / all
			erred += sum / all * sum / all
		}
		if r := erred / stated; r < 0.94 || r > 1.06 {
			t.Errorf("%v: variance is %.3f of what is stated", sds, r)
		}
		if r := erred / blind; r < 1.1 {
			t.Errorf("%v: without the correction it would be %.3f", sds, r)
		}
	}
}
