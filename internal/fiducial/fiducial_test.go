package fiducial_test

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

func seeded(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 23)) }

// dipper is a small invented part: four marks around a die, one of them to be left out where the
// absent one tells which way round it lies.
func dipper(shape part.MarkShape, by string) *part.Part {
	p := &part.Part{
		Name:      "dipper",
		Substrate: part.Substrate{WidthMm: 9, HeightMm: 8.4},
		Marks: &part.Marks{Shape: shape, At: []part.Place{
			{Name: "F1", XMm: -2.7, YMm: 2.2}, {Name: "F2", XMm: 2.7, YMm: 2.2}, {Name: "F3", XMm: 2.7, YMm: -2.2}, {Name: "F4", XMm: -2.7, YMm: -2.2},
		}},
		Orientation: part.Orientation{By: by},
		Die:         &part.Die{WidthMm: 3, HeightMm: 2.4, TopMm: 0.5},
	}
	switch m := p.Marks; shape {
	case part.Cross:
		m.LengthMm, m.ArmWidthMm = 0.7, 0.15
	case part.Ring:
		m.DiameterMm, m.InnerMm = 0.7, 0.35
	case part.Disc:
		m.DiameterMm = 0.5
	case part.Square:
		m.LengthMm = 0.4
	}
	switch by {
	case "disc":
		p.Orientation = part.Orientation{By: by, XMm: -2.7, YMm: 3.2, DiameterMm: 0.4}
	case "absent-mark":
		p.Orientation = part.Orientation{By: by, XMm: -2.7, YMm: -2.2}
		p.Marks.At = p.Marks.At[:3]
	}
	return p
}

func bench() *scope.Scope {
	return &scope.Scope{Name: "bench", UmPerPxX: 12, UmPerPxY: 12.02, Camera: scope.Perspective, WorkingDistanceMm: 120, K1: -0.003}
}

// clean is a scene with noise and nothing else the matter.
func clean(p *part.Part) *synth.Scene {
	return &synth.Scene{
		Part: p, Scope: bench(), View: reading.DiePlan, WidthPx: 840, HeightPx: 800,
		Optics: synth.Optics{BlurPx: 1.1, ReadNoise: 0.002, ShotNoise: 0.005, SlopeX: 0.1},
		Look:   synth.Look{Substrate: 0.4, Mark: 0.7, Die: 0.1},
	}
}

func find(t *testing.T, s *synth.Scene, seed uint64) (*fiducial.Found, *synth.Truth, error) {
	t.Helper()
	g, truth, err := synth.Draw(s, seeded(seed))
	if err != nil {
		t.Fatal(err)
	}
	f, err := fiducial.Find(fit.Source{Gray: g, Noise: picture.EstimateNoise(g)}, s.Part, s.Scope, 0)
	return f, truth, err
}

// checkPose holds the pose against what was drawn: within a twentieth of a pixel, and within what
// is stated. Five standard uncertainties of a normal distribution are left once in two million.
func checkPose(t *testing.T, s *synth.Scene, f *fiducial.Found) {
	t.Helper()
	scale := s.SubstrateScale
	if scale == 0 {
		scale = 1
	}
	for _, c := range []struct {
		name               string
		got, want, u, most float64
	}{
		{"x µm", f.Pose.Origin.X.Um(), s.FixtureXUm, math.Sqrt(f.Cov[0][0]), 0.6},
		{"y µm", f.Pose.Origin.Y.Um(), s.FixtureYUm, math.Sqrt(f.Cov[1][1]), 0.6},
		{"turn rad", f.Pose.Turn.Rad(), s.FixtureDeg * math.Pi / 180, math.Sqrt(f.Cov[2][2]), 3e-4},
		{"scale", f.Pose.Scale, scale, math.Sqrt(f.Cov[3][3]), 3e-4},
	} {
		if d := math.Abs(c.got - c.want); !(d <= c.most) || !(d <= 5*c.u) {
			t.Errorf("%s: got %g ± %g want %g", c.name, c.got, c.u, c.want)
		}
	}
}

func used(f *fiducial.Found) (n int) {
	for _, m := range f.Marks {
		if m.Used {
			n++
		}
	}
	return n
}

func refusal(t *testing.T, err error) *reading.Refusal {
	t.Helper()
	r, ok := errors.AsType[*reading.Refusal](err)
	if !ok {
		t.Fatalf("got error %v, want a refusal", err)
	}
	return r
}

// Every shape, brighter and darker than its ground, in the corners of what a fixture allows.
func TestFindsMarksWhereverTheFixtureLies(t *testing.T) {
	lies := []struct{ x, y, deg float64 }{{0, 0, 0}, {1000, -1000, 5}, {-1000, 1000, -5}, {1000, 1000, -3.3}}
	for i, shape := range []part.MarkShape{part.Cross, part.Ring, part.Disc, part.Square} {
		for _, dark := range []bool{false, true} {
			lie := lies[(2*i+1)%4]
			if dark {
				lie = lies[(2*i+2)%4]
			}
			t.Run(fmt.Sprintf("%s dark %v", shape, dark), func(t *testing.T) {
				s := clean(dipper(shape, "fixture"))
				s.FixtureXUm, s.FixtureYUm, s.FixtureDeg, s.SubstrateScale = lie.x, lie.y, lie.deg, 0.997
				if dark {
					s.Look.Substrate, s.Look.Mark = 0.65, 0.4
				}
				f, truth, err := find(t, s, uint64(i))
				if err != nil {
					t.Fatal(err)
				}
				checkPose(t, s, f)
				if used(f) != 4 {
					t.Errorf("%d marks used, want 4: %+v", used(f), f.Marks)
				}
				plane := s.Scope.Plane(s.WidthPx, s.HeightPx, s.Part.Marks.PlaneMm)
				for k, m := range f.Marks {
					at := plane.ToImage(m.Fit.Centre)
					if d := math.Hypot(at.X-truth.Marks[k].XPx, at.Y-truth.Marks[k].YPx); d > 0.08 {
						t.Errorf("mark %s lies %.3f px off", m.Place.Name, d)
					}
				}
				if blur := f.Blur.Um() / plane.UmPerPx(); math.Abs(blur-math.Hypot(1.1, math.Sqrt(1./12))) > 0.1 {
					t.Errorf("blur %.2f px, drawn 1.1 px and a pixel's square", blur)
				}
			})
		}
	}
}

func TestFindsMarksAmongLookalikes(t *testing.T) {
	for i, shape := range []part.MarkShape{part.Cross, part.Ring, part.Disc, part.Square} {
		s := clean(dipper(shape, "disc"))
		s.FixtureXUm, s.FixtureYUm, s.FixtureDeg = -220, 310, 2.1
		s.Dirt = synth.Dirt{Components: 30, Traces: 60, Dust: 60, Fibres: 8, FluxRim: true}
		s.Look.Texture = 1
		f, _, err := find(t, s, 10+uint64(i))
		if err != nil {
			t.Errorf("%s: %v", shape, err)
			continue
		}
		checkPose(t, s, f)
	}
}

// A hidden mark is left out and said so; the others carry the reading, less surely.
func TestHiddenMarkIsLeftOut(t *testing.T) {
	for i, shape := range []part.MarkShape{part.Cross, part.Ring, part.Disc, part.Square} {
		s := clean(dipper(shape, "fixture"))
		s.FixtureDeg = -1.4
		all, _, err := find(t, s, 20)
		if err != nil {
			t.Fatal(err)
		}
		for name, state := range map[string]synth.MarkState{"covered": {Name: "F2", Cover: 1}, "absent": {Name: "F2", Absent: true}} {
			s.Marks = []synth.MarkState{state}
			f, _, err := find(t, s, 20+uint64(i))
			if err != nil {
				t.Errorf("%s %s: %v", shape, name, err)
				continue
			}
			checkPose(t, s, f)
			if used(f) != 3 || f.Marks[1].Used || f.Marks[1].Note == "" {
				t.Errorf("%s %s: got %+v, want F2 left out with a note", shape, name, f.Marks[1])
			}
			if f.Cov[2][2] <= 1.2*all.Cov[2][2] {
				t.Errorf("%s %s: u of the turn %g rad, with all marks %g", shape, name, math.Sqrt(f.Cov[2][2]), math.Sqrt(all.Cov[2][2]))
			}
		}
	}
}

func TestTwoMarksCarryTheReading(t *testing.T) {
	s := clean(dipper(part.Cross, "fixture"))
	s.FixtureXUm, s.FixtureDeg = 150, 2
	s.Marks = []synth.MarkState{{Name: "F1", Cover: 1}, {Name: "F4", Absent: true}}
	f, _, err := find(t, s, 31)
	if err != nil {
		t.Fatal(err)
	}
	checkPose(t, s, f)
	if used(f) != 2 {
		t.Errorf("%d marks used, want 2", used(f))
	}
}

// With two marks hidden the orientation's disc, which looks much like a square, may pass for one.
func TestDiscIsNoMark(t *testing.T) {
	for seed := range uint64(4) {
		s := clean(dipper(part.Square, "disc"))
		s.FixtureXUm, s.FixtureDeg = 60, -1.5
		s.Marks = []synth.MarkState{{Name: "F1", Absent: true}, {Name: "F4", Absent: true}}
		f, _, err := find(t, s, 35+seed)
		if err != nil {
			t.Errorf("seed %d: %v", seed, err)
			continue
		}
		checkPose(t, s, f)
	}
}

// Of three marks one half covered is the one to be left out, not that whose absence happens to
// bring the scale nearest 1.
func TestHalfCoveredMarkOfThree(t *testing.T) {
	for i, shape := range []part.MarkShape{part.Cross, part.Ring, part.Disc, part.Square} {
		for seed := range uint64(6) {
			s := clean(dipper(shape, "absent-mark"))
			s.FixtureXUm, s.FixtureDeg, s.SubstrateScale = -80, 1.1, 0.998
			s.Marks = []synth.MarkState{{Name: "F3", Cover: 0.5}}
			f, _, err := find(t, s, 100+10*uint64(i)+seed)
			if err != nil {
				t.Errorf("%s, seed %d: %v", shape, seed, err)
				continue
			}
			sd := math.Sqrt(f.Cov[0][0] + f.Cov[1][1])
			if d := math.Hypot(f.Pose.Origin.X.Um()+80, f.Pose.Origin.Y.Um()); d > 12 || d > 5*sd {
				t.Errorf("%s, seed %d: the origin is off by %.2f µm, stated %.2f: %+v", shape, seed, d, sd, f.Marks)
			}
		}
	}
}

func TestRefusesTooFewMarks(t *testing.T) {
	for i, shape := range []part.MarkShape{part.Cross, part.Ring, part.Disc, part.Square} {
		for _, by := range []string{"fixture", "disc", "absent-mark"} {
			s := clean(dipper(shape, by))
			s.Fault = synth.MarksHidden
			s.Dirt = synth.Dirt{Components: 20, Traces: 30, Dust: 20}
			_, _, err := find(t, s, 40+uint64(i))
			if r := refusal(t, err); r.Gate != "fiducials-hidden" {
				t.Errorf("%s, %s: got %v want fiducials-hidden", shape, by, r)
			}
		}
	}
}

// A mark outside the picture is not hidden: the technician can move the sample.
func TestRefusesMarkOutOfThePicture(t *testing.T) {
	for i, by := range []string{"fixture", "disc", "absent-mark"} {
		for seed := range uint64(3) {
			s := clean(dipper(part.Cross, by))
			s.WidthPx, s.HeightPx = 620, 640
			s.Fault = synth.MarkOut
			_, _, err := find(t, s, 50+10*uint64(i)+seed)
			r := refusal(t, err)
			if r.Gate != "fiducial-out" || !(r.Got > 0) {
				t.Errorf("%s: got %v (%g %s) want fiducial-out", by, r, r.Got, r.Unit)
			}
		}
	}
}

func TestRefusesTheWrongWayRound(t *testing.T) {
	for i, by := range []string{"disc", "absent-mark"} {
		for _, shape := range []part.MarkShape{part.Cross, part.Ring} {
			for quarter := 1; quarter < 4; quarter++ {
				s := clean(dipper(shape, by))
				s.FixtureDeg, s.FixtureXUm = float64(90*quarter)+1.3, 120
				_, _, err := find(t, s, 60+uint64(i))
				r := refusal(t, err)
				if r.Gate != "wrong-way-round" || int(r.Got) != 90*quarter {
					t.Errorf("%s of %s turned by %d°: got %v (%g°)", shape, by, 90*quarter, r, r.Got)
				}
			}
		}
	}
}

// A sample that was put turned on purpose is found so.
func TestFindsWhatWasPutTurned(t *testing.T) {
	s := clean(dipper(part.Cross, "disc"))
	s.FixtureDeg, s.FixtureXUm = 178.8, 90
	g, _, err := synth.Draw(s, seeded(70))
	if err != nil {
		t.Fatal(err)
	}
	src := fit.Source{Gray: g, Noise: picture.EstimateNoise(g)}
	f, err := fiducial.Find(src, s.Part, s.Scope, 180*geom.Degree)
	if err != nil {
		t.Fatal(err)
	}
	checkPose(t, s, f)
	if _, err := fiducial.Find(src, s.Part, s.Scope, 90*geom.Degree); refusal(t, err).Gate != "wrong-way-round" {
		t.Errorf("put by 90°, lies by 180°: got %v", err)
	}
}

func TestRefusesAnotherPart(t *testing.T) {
	s := clean(dipper(part.Cross, "fixture"))
	g, _, err := synth.Draw(s, seeded(80))
	if err != nil {
		t.Fatal(err)
	}
	other := dipper(part.Cross, "fixture")
	for i := range other.Marks.At {
		other.Marks.At[i].XMm *= 1.06
	}
	_, err = fiducial.Find(fit.Source{Gray: g, Noise: picture.EstimateNoise(g)}, other, s.Scope, 0)
	if r := refusal(t, err); r.Gate != "fiducials-hidden" && r.Gate != "other-part" {
		t.Errorf("got %v", r)
	}
}

func TestNeedsTwoMarksInTheDrawing(t *testing.T) {
	p := dipper(part.Cross, "fixture")
	p.Marks.At = p.Marks.At[:1]
	g := picture.New(100, 80, 255)
	if _, err := fiducial.Find(fit.Source{Gray: g}, p, bench(), 0); err == nil {
		t.Error("no error")
	}
}

// An empty picture, one of noise and one smaller than a mark are refused, not crashed on.
func TestRefusesPicturesOfNothing(t *testing.T) {
	p := dipper(part.Cross, "disc")
	for _, size := range [][2]int{{840, 800}, {40, 30}, {3, 2}, {1, 1}} {
		for _, noise := range []int{0, 20} {
			g := picture.New(size[0], size[1], 255)
			rng := seeded(90)
			for i := range g.Pix {
				g.Pix[i] = uint16(100 + rng.IntN(noise+1))
			}
			_, err := fiducial.Find(fit.Source{Gray: g, Noise: picture.EstimateNoise(g)}, p, bench(), 0)
			if err == nil {
				t.Errorf("%v: no error", size)
			} else if _, ok := errors.AsType[*reading.Refusal](err); !ok {
				t.Errorf("%v: got error %v want a refusal", size, err)
			}
		}
	}
}
