package measure_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

// A cornered is a tern shot at four corners at high magnification: the stage moves the axis over
// the sample, so in the picture the sample moves the other way. off is what the stage shows too much.
type cornered struct {
	sc     *scope.Scope
	shrunk float64
	zero   reading.Stage // where the stage shows the sample's fixture
	off    [4]reading.Stage
	turned float64 // beyond 0.4°
	theta  float64 // of the die beyond 0.11°
	tall   float64 // mm, the die's top over where the drawing has it
	wide   float64 // mm, the die's sides over the drawn ones
}

var cornerAt = [4][2]float64{{5.6, 4.8}, {-5.6, 4.8}, {-5.6, -4.8}, {5.6, -4.8}} // mm

func (c cornered) measure(t *testing.T, which []int, seed uint64) *reading.Reading {
	t.Helper()
	p := tern(t)
	real := *p
	d := *p.Die
	d.TopMm, d.WidthMm, d.HeightMm = d.TopMm+c.tall, d.WidthMm+c.wide, d.HeightMm+c.wide
	real.Die = &d
	var gs []*picture.Gray
	var jobs []measure.Job
	for _, k := range which {
		at := cornerAt[k]
		g, _, err := synth.Draw(&synth.Scene{
			Part: &real, Scope: c.sc, View: reading.DiePlan, WidthPx: 900, HeightPx: 800,
			OffsetXUm: 31, OffsetYUm: -22, ThetaDeg: 0.11 + c.theta, FixtureXUm: -1000 * at[0], FixtureYUm: -1000 * at[1], FixtureDeg: 0.4 + c.turned,
			SubstrateScale: c.shrunk, Optics: synth.Optics{BlurPx: 1.2, ReadNoise: 0.003, ShotNoise: 0.004},
		}, rand.New(rand.NewPCG(seed, uint64(k))))
		if err != nil {
			t.Fatal(err)
		}
		gs = append(gs, g)
		jobs = append(jobs, measure.Job{Picture: string(rune('a' + k)), Part: p, Scope: c.sc, Shot: reading.Shot{
			View: reading.DiePlan, Stage: &reading.Stage{XMm: at[0] + c.zero.XMm + c.off[k].XMm, YMm: at[1] + c.zero.YMm + c.off[k].YMm},
		}})
	}
	r, err := measure.Corners(gs, jobs)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func fine(uStage float64) *scope.Scope {
	return &scope.Scope{Name: "fine", UmPerPxX: 4, UmPerPxY: 4.01, Camera: scope.Telecentric, UStageUm: uStage}
}

// A perfect stage, its zero anywhere: the truth comes back from four corners, and from two that face
// each other.
func TestCornersGiveTheOffset(t *testing.T) {
	c := cornered{sc: fine(0.5), shrunk: 0.998, zero: reading.Stage{XMm: 40, YMm: -15}}
	for _, which := range [][]int{{0, 1, 2, 3}, {0, 2}} {
		r := c.measure(t, which, 3)
		if r.Offset == nil {
			t.Fatalf("%v: %v", which, r.Refusal)
		}
		o := r.Offset
		t.Logf("%v: X %.3f ± %.3f, Y %.3f ± %.3f, θ %.5f ± %.5f, scale %.6f", which, o.XUm, o.UXUm, o.YUm, o.UYUm, o.ThetaDeg, o.UTheta, r.Substrate.Scale)
		for _, v := range []struct{ got, want, most float64 }{{o.XUm, 31, 0.3}, {o.YUm, -22, 0.3}, {o.ThetaDeg, 0.11, 0.003}, {r.Substrate.Scale, 0.998, 1e-4}} {
			if math.Abs(v.got-v.want) > v.most {
				t.Errorf("%v: got %g, want %g", which, v.got, v.want)
			}
		}
		if !hasTerm(o, "stage") {
			t.Errorf("%v: no stage in the budget %+v", which, o.Budget)
		}
	}
}

// With a stage that errs as its scope file states, the offset errs as it states: through a perspective
// lens too, the substrate shrunk, the die turned, thicker and larger than drawn, from any set of corners
// that tells where it lies. Of two beside each other the marks might be those of the other side.
func TestCornersCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(17, 4))
	const n, u, uHeight, uSide = 14, 3.0, 0.02, 0.005 // µm; mm
	// Of the third set perspective shows less of two sides.
	sets := [][]int{{0, 1, 2, 3}, {0, 2}, {1, 3}, {0, 1, 2}, {0, 1}, {3, 0}, {2, 3}}
	var sum float64
	for i := range uint64(n) {
		c := cornered{sc: fine(u), shrunk: 1 + 0.002*(2*rng.Float64()-1), turned: 0.2 * (2*rng.Float64() - 1), theta: 0.2 * (2*rng.Float64() - 1),
			tall: uHeight * rng.NormFloat64(), wide: uSide * rng.NormFloat64()}
		if i%3 == 0 {
			c.sc.Camera, c.sc.WorkingDistanceMm, c.sc.UHeightMm = scope.Perspective, 60, uHeight
		}
		for k := range c.off {
			c.off[k] = reading.Stage{XMm: u / 1000 * rng.NormFloat64(), YMm: u / 1000 * rng.NormFloat64()}
		}
		r := c.measure(t, sets[i%uint64(len(sets))], i)
		if r.Offset == nil {
			t.Fatal(r.Refusal)
		}
		o := r.Offset
		t.Logf("%v %s: X %+.3f ± %.3f, Y %+.3f ± %.3f, θ %+.5f ± %.5f", sets[i%uint64(len(sets))], c.sc.Camera, o.XUm-31, o.UXUm, o.YUm+22, o.UYUm, o.ThetaDeg-0.11-c.theta, o.UTheta)
		for _, z := range [3]float64{(o.XUm - 31) / o.UXUm, (o.YUm + 22) / o.UYUm, (o.ThetaDeg - 0.11 - c.theta) / o.UTheta} {
			sum += z * z
		}
	}
	chi := distuv.ChiSquared{K: 3 * n} // quantiles by gonum
	low, high := chi.Quantile(0.0005), chi.Quantile(0.9995)
	t.Logf("chi-square %.1f on %d", sum, 3*n)
	if sum > high || sum < low {
		t.Errorf("chi-square of errors over stated uncertainties is %.1f on %d", sum, 3*n)
	}
}

// At this fixture the correlation's turn is off by so much that the crosses' arms end elsewhere; the
// offset from two corners is right all the same, within what it states.
func TestCornersWhenTheCoarseTurnIsOff(t *testing.T) {
	c := cornered{sc: fine(0.05), shrunk: 0.998, turned: 0.1}
	o := c.measure(t, []int{0, 2}, 6).Offset
	if o == nil {
		t.Fatal("refused")
	}
	t.Logf("X %.3f ± %.3f, Y %.3f ± %.3f", o.XUm, o.UXUm, o.YUm, o.UYUm)
	if math.Abs(o.XUm-31) > 4*o.UXUm || math.Abs(o.YUm+22) > 4*o.UYUm {
		t.Errorf("got X %.3f ± %.3f, Y %.3f ± %.3f, want 31, -22", o.XUm, o.UXUm, o.YUm, o.UYUm)
	}
}

// Stage coordinates that contradict the pictures give a reason, never a number.
func TestStageThatContradictsThePictures(t *testing.T) {
	for _, tt := range []struct {
		name  string
		off   [4]reading.Stage
		which []int
	}{
		{"one typed wrong", [4]reading.Stage{2: {XMm: 1}}, []int{0, 1, 2, 3}},
		{"one a little off", [4]reading.Stage{1: {YMm: 0.05}}, []int{0, 1, 2, 3}},
		{"the stage's screw is 1 % long", [4]reading.Stage{{XMm: 0.058, YMm: 0.05}, {XMm: -0.058, YMm: 0.05}, {XMm: -0.058, YMm: -0.05}, {XMm: 0.058, YMm: -0.05}}, []int{0, 1, 2, 3}},
		{"the same of two pictures", [4]reading.Stage{0: {XMm: 0.058, YMm: 0.05}, 2: {XMm: -0.058, YMm: -0.05}}, []int{0, 2}},
		{"x and y swapped", [4]reading.Stage{0: {XMm: -0.8, YMm: 0.8}, 1: {XMm: 10.4, YMm: -10.4}, 2: {XMm: 0.8, YMm: -0.8}, 3: {XMm: -10.4, YMm: 10.4}}, []int{0, 1, 2, 3}},
		{"y down", [4]reading.Stage{0: {YMm: -10}, 1: {YMm: -10}, 2: {YMm: 10}, 3: {YMm: 10}}, []int{0, 1, 2, 3}},
	} {
		r := cornered{sc: fine(1), shrunk: 1, off: tt.off}.measure(t, tt.which, 9)
		if r.Refusal == nil {
			t.Errorf("%s: got X %.2f ± %.2f µm", tt.name, r.Offset.XUm, r.Offset.UXUm)
			continue
		}
		t.Logf("%s: %v", tt.name, r.Refusal)
		if which := map[string]string{"one typed wrong": "c ", "one a little off": "b "}[tt.name]; !strings.HasPrefix(r.Refusal.Instruction, which) {
			t.Errorf("%s: %q doesn't name %q", tt.name, r.Refusal.Instruction, which)
		}
		if r.Refusal.Gate != "stage" || !strings.Contains(r.Refusal.Instruction, "stage coordinates") {
			t.Errorf("%s: refused as %v, want stage", tt.name, r.Refusal)
		}
	}
}

// Only a die from above is measured from its corners. What goes wrong with another view is said as such,
// not as a cap that can't be found.
func TestCornersOfOtherViews(t *testing.T) {
	for _, v := range reading.Views {
		j := measure.Job{Picture: "a.png", Part: tern(t), Scope: fine(1), Shot: reading.Shot{View: v, Stage: &reading.Stage{XMm: 1}}}
		if err := j.Check(); (err == nil) != (v == reading.DiePlan) || err != nil && !strings.Contains(err.Error(), "view "+string(v)+" takes one picture of the whole") {
			t.Errorf("%s: got %v", v, err)
		}
		if err := measure.CheckCorners([]measure.Job{j}); err == nil || strings.Contains(err.Error(), "there are 1") != (v == reading.DiePlan) {
			t.Errorf("%s alone: got %v", v, err)
		}
	}
}
