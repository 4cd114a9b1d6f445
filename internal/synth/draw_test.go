package synth

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

func seeded(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 17)) }

// dipper is a small invented part that has all there is.
func dipper() *part.Part {
	return &part.Part{
		Name:      "dipper",
		Substrate: part.Substrate{WidthMm: 7, HeightMm: 6, ThicknessMm: 1},
		Marks: &part.Marks{Shape: part.Cross, LengthMm: 0.6, ArmWidthMm: 0.15, DiameterMm: 0.6, InnerMm: 0.3, At: []part.Place{
			{Name: "F1", XMm: -2.6, YMm: 2.2}, {Name: "F2", XMm: 2.6, YMm: 2.2}, {Name: "F3", XMm: 2.6, YMm: -2.2},
		}},
		Orientation: part.Orientation{By: "absent-mark", XMm: -2.6, YMm: -2.2},
		Die: &part.Die{WidthMm: 3.4, HeightMm: 2.6, TopMm: 0.6, XMm: 0.1, YMm: -0.2,
			Marks: &part.Marks{Shape: part.Square, LengthMm: 0.2, At: []part.Place{{Name: "D1", XMm: -1, YMm: 1}, {Name: "D2", XMm: 1, YMm: -1}}},
			Bumps: &part.Bumps{Rows: 5, Columns: 6, PitchMm: 0.3, DiameterMm: 0.12, PadMm: 0.15}},
		Cap:   &part.Cap{WidthMm: 5, HeightMm: 4, CornerRadiusMm: 0.4, TopMm: 1.2, Datum: "outline"},
		Array: &part.Array{Kind: "columns", Rows: 5, Columns: 6, PitchMm: 1, DiameterMm: 0.5, HeightMm: 2, PadMm: 0.7, Absent: []string{"A1"}},
	}
}

func withBalls() *part.Part {
	p := dipper()
	p.Array.Kind, p.Array.HeightMm, p.Array.EquatorMm = "balls", 0.4, 0.2
	return p
}

func showing(v reading.View) *part.Part {
	if v == reading.BallPlan {
		return withBalls()
	}
	return dipper()
}

func bench() *scope.Scope {
	return &scope.Scope{Name: "s", UmPerPxX: 12, UmPerPxY: 12.03, Camera: scope.Telecentric}
}

func lens() *scope.Scope {
	return &scope.Scope{Name: "s", UmPerPxX: 12, UmPerPxY: 12.03, Camera: scope.Perspective, WorkingDistanceMm: 90, K1: -0.006}
}

func mustDraw(t testing.TB, s *Scene, seed uint64) (*picture.Gray, *Truth) {
	t.Helper()
	g, truth, err := Draw(s, seeded(seed))
	if err != nil {
		t.Fatal(err)
	}
	return g, truth
}

// The camera against the scope's own mapping, which shares no code with it.
func TestProjectAgreesWithScope(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := lens()
		s.K1 = rapid.Float64Range(-0.02, 0.02).Draw(t, "k1")
		at := geom.ScopePoint{X: geom.Length(rapid.Float64Range(-4000, 4000).Draw(t, "x")), Y: geom.Length(rapid.Float64Range(-4000, 4000).Draw(t, "y"))}
		h := rapid.Float64Range(0, 2.5).Draw(t, "h_mm")
		const w, hPx = 700, 600
		got := newCamera(s, w, hPx, 0, 0).project(at, h*1000)
		want := s.Plane(w, hPx, h).ToImage(at)
		if math.Hypot(got.X-want.X, got.Y-want.Y) > 1e-6 {
			t.Errorf("%v at %g mm: got %v want %v", at, h, got, want)
		}
	})
}

// bruteForce returns the mean over a pixel of the Gaussian blur of a scene that is either 0 or 1,
// by summing over a fine grid; Gaussian and pixel together weigh a point by a difference of
// normal distributions along x times one along y.
func bruteForce(x, y int, sigma float64, inside func(geom.ImagePoint) bool) float64 {
	const fine = 48
	reach := int((4.5*sigma + 0.5) * fine)
	weight := make([]float64, 2*reach)
	for i := range weight {
		d := (float64(i-reach) + 0.5) / fine
		weight[i] = (normalCDF((d+0.5)/sigma) - normalCDF((d-0.5)/sigma)) / fine
	}
	var sum float64
	for i, wy := range weight {
		for j, wx := range weight {
			at := geom.ImagePoint{X: float64(x) + (float64(j-reach)+0.5)/fine, Y: float64(y) + (float64(i-reach)+0.5)/fine}
			if inside(at) {
				sum += wx * wy
			}
		}
	}
	return sum
}

// Whole pictures through a distorting, perspective lens with unequal scales, turned, shrunk and
// offset, against brute force in which places go through [scope.Plane] and [geom.Pose].
func TestPicturesAreMeansOfABlurredScene(t *testing.T) {
	const turn, theta, dx, dy, scale = 2.3, -0.8, 37.0, -21.0, 1.003
	p := dipper()
	p.Orientation.By = "fixture"
	s := Scene{
		Scope: lens(), View: reading.DiePlan, WidthPx: 640, HeightPx: 600, Bits: 12,
		FixtureXUm: 90, FixtureYUm: -130, FixtureDeg: turn, SubstrateScale: scale, OffsetXUm: dx, OffsetYUm: dy, ThetaDeg: theta,
		Look: Look{Outside: 4. / 4095, Substrate: 4. / 4095, Mark: 1, Die: 1}, Optics: Optics{BlurPx: 0.8},
	}
	pose := geom.Pose{Origin: geom.ScopePoint{X: 90, Y: -130}, Turn: turn * geom.Degree, Scale: scale}
	onPlane := func(at geom.ImagePoint, hMm float64) (x, y float64) {
		d := pose.ToDrawing(s.Scope.Plane(s.WidthPx, s.HeightPx, hMm).ToObject(at))
		return float64(d.X), float64(d.Y)
	}
	marks := map[part.MarkShape]func(x, y float64) bool{
		part.Cross: func(x, y float64) bool {
			x, y = math.Abs(x), math.Abs(y)
			return x < 300*scale && y < 75*scale || x < 75*scale && y < 300*scale
		},
		part.Ring: func(x, y float64) bool { r := math.Hypot(x, y); return r > 150*scale && r < 300*scale },
		part.Disc: func(x, y float64) bool { return math.Hypot(x, y) < 300*scale },
	}
	// 4e-4 of contrast is 1e-3 px on an edge of this blur, whose slope is about 0.45 a px.
	// Of round outlines the third order in blur / radius is left out, alike all round.
	// Distortion makes blur wider one way than the other; the mean is drawn, which changes how
	// wide an edge is, not where.
	for _, c := range []struct {
		shape         part.MarkShape
		k1, tolerance float64
	}{{part.Cross, 0, 4e-4}, {part.Ring, 0, 6e-4}, {part.Disc, 0, 6e-4}, {part.Cross, -0.006, 2e-3}, {part.Ring, 0.006, 2e-3}} {
		t.Run(fmt.Sprint(c.shape, " k1 ", c.k1), func(t *testing.T) {
			p.Marks.Shape, s.Scope.K1 = c.shape, c.k1
			s.Part = p
			inMark := marks[c.shape]
			g, _ := mustDraw(t, &s, 1)
			inside := func(at geom.ImagePoint) bool {
				x, y := onPlane(at, p.Die.TopMm)
				x, y = x-p.Die.XMm*1000*scale-dx, y-p.Die.YMm*1000*scale-dy
				sin, cos := math.Sincos(theta * math.Pi / 180)
				if math.Abs(cos*x+sin*y) < 1700 && math.Abs(-sin*x+cos*y) < 1300 {
					return true
				}
				x, y = onPlane(at, 0)
				for _, m := range p.Marks.At {
					if inMark(x-m.XMm*1000*scale, y-m.YMm*1000*scale) {
						return true
					}
				}
				return false
			}
			rng, compared, worst := seeded(5), 0, 0.0
			for compared < 50 {
				x, y := rng.IntN(g.W), rng.IntN(g.H)
				got := (float64(g.Pix[y*g.W+x])/16 - 4) / 4091
				if got < 0.02 || got > 0.98 {
					continue // flat: nothing to see
				}
				compared++
				want := bruteForce(x, y, 0.8, inside)
				worst = max(worst, math.Abs(got-want))
			}
			if worst > c.tolerance {
				t.Errorf("worst difference %.2g of contrast, want at most %g", worst, c.tolerance)
			}
		})
	}
}

// crossing returns where a row crosses an edge: light summed along it, which neither blur nor
// pixels change, over the difference of the levels beyond it.
func crossing(g *picture.Gray, y, x0, x1 int) float64 {
	left, right := g.At(x0, y), g.At(x1, y)
	var sum float64
	for x := x0; x <= x1; x++ {
		sum += (g.At(x, y) - right) / (left - right)
	}
	return float64(x0) - 0.5 + sum
}

func TestDieEdgeLiesWhereTruthSays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Scene{
			Part: dipper(), Scope: bench(), View: reading.DiePlan, WidthPx: 640, HeightPx: 600, Bits: 12,
			FixtureXUm: rapid.Float64Range(-150, 150).Draw(t, "x_um"), FixtureDeg: rapid.Float64Range(1.6, 3).Draw(t, "turn_deg"), // so much that rows cross the edge at all phases
			OffsetXUm: rapid.Float64Range(-60, 60).Draw(t, "dx_um"), OffsetYUm: rapid.Float64Range(-60, 60).Draw(t, "dy_um"),
			ThetaDeg: rapid.Float64Range(-1, 1).Draw(t, "theta_deg"), Optics: Optics{BlurPx: rapid.Float64Range(0.5, 2).Draw(t, "blur_px")},
			SubstrateScale: rapid.Float64Range(0.995, 1.005).Draw(t, "scale"),
			Look:           Look{Substrate: 4090. / 4095, Die: 4. / 4095}, // whole steps, so that rounding has mean 0
		}
		g, truth, err := Draw(&s, seeded(1))
		if err != nil {
			t.Fatal(err)
		}
		pose := geom.Pose{Origin: geom.ScopePoint{X: geom.Length(s.FixtureXUm)}, Turn: geom.Angle(s.FixtureDeg) * geom.Degree, Scale: 1}
		sin, cos := math.Sincos(*truth.ThetaDeg * math.Pi / 180)
		cx, cy := s.Part.Die.XMm*1000*truth.SubstrateScale+*truth.DXUm, s.Part.Die.YMm*1000*truth.SubstrateScale+*truth.DYUm
		plane := s.Scope.Plane(s.WidthPx, s.HeightPx, 0)
		corner := func(y float64) geom.ImagePoint { // on the die's right edge
			return plane.ToImage(pose.ToScope(geom.DrawingPoint{X: geom.Length(cx + cos*1700 - sin*y), Y: geom.Length(cy + sin*1700 + cos*y)}))
		}
		a, b := corner(-1000), corner(1000)
		var mean, n float64
		for y := int(b.Y) + 5; y < int(a.Y)-5; y++ {
			want := a.X + (b.X-a.X)*(float64(y)-a.Y)/(b.Y-a.Y)
			mean += crossing(g, y, int(want)-14, int(want)+14) - want
			n++
		}
		if mean /= n; math.Abs(mean) > 5e-4 {
			t.Errorf("edge %.5f px off", mean)
		}
	})
}

// centroid returns the middle of what is brighter than its surroundings near a point.
func centroid(g *picture.Gray, at geom.ImagePoint, reach int) (x, y float64) {
	x0, y0 := int(at.X)-reach, int(at.Y)-reach
	dark := g.At(x0, y0)
	var sum, sx, sy float64
	for v := y0; v <= y0+2*reach; v++ {
		for u := x0; u <= x0+2*reach; u++ {
			l := g.At(u, v) - dark
			sum, sx, sy = sum+l, sx+l*float64(u), sy+l*float64(v)
		}
	}
	return sx / sum, sy / sum
}

func TestTipsAndBallsAreSeenWhereTruthSays(t *testing.T) {
	for _, v := range []reading.View{reading.ColumnPlan, reading.BallPlan} {
		s := Scene{
			Part: showing(v), Scope: lens(), View: v, Bits: 12, FixtureDeg: -2, OffsetXUm: 20, OffsetYUm: -10, ThetaDeg: 0.3,
			// The flank can't be told from the substrate, so that the light is the tip's alone.
			Look:  Look{Substrate: 0.2, Flank: 0.2, Tip: 0.9},
			Array: ArrayState{PlaceUm: 10, TiltDeg: 0.5, HeightUm: 20, Sites: []SiteState{{Site: "C3", TiltDeg: 5, AzimuthDeg: 130}}},
		}
		s.Part.Array.PadMm = 0
		s.Scope.K1 = 0
		g, truth := mustDraw(t, &s, 4)
		for _, site := range truth.Sites {
			x, y := centroid(g, geom.ImagePoint{X: *site.XPx, Y: *site.YPx}, 30)
			// 12 bits of grey put the centre of 1400 px at about 0.001 px.
			if d := math.Hypot(x-*site.XPx, y-*site.YPx); d > 2e-3 {
				t.Errorf("%s %s is seen %.4f px off", v, site.Site, d)
			}
		}
	}
}

// Tip = base + length·sin(tilt) in the direction of the lean, seen by the lens at its height.
func TestTiltMovesTheTip(t *testing.T) {
	s := Scene{Part: dipper(), Scope: bench(), View: reading.ColumnPlan,
		Array: ArrayState{Sites: []SiteState{{Site: "C3", TiltDeg: 3, AzimuthDeg: 60}, {Site: "D2", Missing: true}}}}
	_, truth := mustDraw(t, &s, 1)
	for _, site := range truth.Sites {
		switch site.Site {
		case "C3":
			tip := 2000 * math.Sin(3*math.Pi/180)
			got := []float64{*site.DXUm, *site.DYUm, *site.TiltDeg, *site.AzimuthDeg, *site.HeightMm}
			want := []float64{tip / 2, tip * math.Sqrt(3) / 2, 3, 60, 2 * math.Cos(3*math.Pi/180)}
			for i := range want {
				if math.Abs(got[i]-want[i]) > 1e-9 {
					t.Errorf("C3: got %v want %v", got, want)
					break
				}
			}
		case "D2":
			if site.State != "missing" || site.DXUm != nil {
				t.Errorf("D2: got %+v want a missing site", site)
			}
		}
	}
	if truth.Missing != 1 {
		t.Errorf("missing: got %d want 1", truth.Missing)
	}
}

// The pose that fits the sites is the one that they were given.
func TestArrayTruthIsItsPose(t *testing.T) {
	s := Scene{Part: withBalls(), Scope: bench(), View: reading.BallPlan, OffsetXUm: 31, OffsetYUm: -12, ThetaDeg: 0.05}
	_, truth := mustDraw(t, &s, 1)
	for name, c := range map[string][2]float64{"x": {*truth.DXUm, 31}, "y": {*truth.DYUm, -12}, "theta": {*truth.ThetaDeg, 0.05}} {
		if math.Abs(c[0]-c[1]) > 1e-2 {
			t.Errorf("%s: got %g want %g", name, c[0], c[1])
		}
	}
}

func TestNoiseHasItsVariance(t *testing.T) {
	for _, c := range []struct {
		bits                   int
		level, read, shot, sum float64 // sum: standard deviation in DN of the file, without rounding
	}{
		{8, 0.25, 0.01, 0, 2.55},
		{8, 0.25, 0, 0.02, 2.55},
		{12, 0.64, 0.006, 0.01, 65520 * 0.01},
	} {
		p := dipper()
		p.Substrate.WidthMm, p.Substrate.HeightMm = 100, 100
		s := Scene{Part: p, Scope: bench(), View: reading.DiePlan, WidthPx: 400, HeightPx: 300, Bits: c.bits,
			Look: Look{Substrate: c.level, Mark: c.level, Die: c.level}, Optics: Optics{ReadNoise: c.read, ShotNoise: c.shot}}
		g, _ := mustDraw(t, &s, 8)
		var sum, sum2 float64
		for _, v := range g.Pix {
			sum += float64(v)
			sum2 += float64(v) * float64(v)
		}
		n := float64(len(g.Pix))
		mean := sum / n
		step := 1.0
		if c.bits == 12 {
			step = 16
		}
		got := math.Sqrt(sum2/n - mean*mean - step*step/12)
		full := float64(g.FullScale)
		if c.bits == 12 {
			full = 65520
		}
		if math.Abs(mean-c.level*full) > 4*c.sum/math.Sqrt(n)+step*0.01 || math.Abs(got/c.sum-1) > 0.01 {
			t.Errorf("%+v: got mean %g, standard deviation %g", c, mean, got)
		}
	}
}

func TestSameSeedSamePicture(t *testing.T) {
	for _, v := range reading.Views {
		s := Random(showing(v), bench(), v, seeded(6))
		s.WidthPx, s.HeightPx = 400, 360
		a, ta := mustDraw(t, s, 9)
		b, tb := mustDraw(t, s, 9)
		if diff := cmp.Diff(ta, tb); diff != "" || !cmp.Equal(a.Pix, b.Pix) {
			t.Errorf("%s: two pictures of one seed differ: %s", v, diff)
		}
	}
}

// Moving the fixture by whole pixels moves the picture by them.
func TestFixtureShiftMovesThePicture(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		i, j := rapid.IntRange(-12, 12).Draw(t, "x_px"), rapid.IntRange(-12, 12).Draw(t, "y_px")
		s := Scene{Part: dipper(), Scope: bench(), View: reading.DiePlan, WidthPx: 500, HeightPx: 460, FixtureDeg: 1.2, OffsetXUm: 20}
		a, _, err := Draw(&s, seeded(1))
		if err != nil {
			t.Fatal(err)
		}
		s.FixtureXUm, s.FixtureYUm = 12*float64(i), -12.03*float64(j)
		b, _, err := Draw(&s, seeded(1))
		if err != nil {
			t.Fatal(err)
		}
		for y := 20; y < 440; y++ {
			for x := 20; x < 480; x++ {
				if d := a.At(x, y) - b.At(x+i, y+j); math.Abs(d) > 1 { // a step of rounding
					t.Fatalf("pixel (%d, %d) moved by (%d, %d) differs by %g", x, y, i, j, d)
				}
			}
		}
	})
}

// Turning the fixture by 180° turns the picture: what reversal of a sample relies on.
func TestHalfTurnOfTheFixtureTurnsThePicture(t *testing.T) {
	s := Scene{Part: dipper(), Scope: lens(), View: reading.DiePlan, WidthPx: 500, HeightPx: 460, OffsetXUm: 20, ThetaDeg: 0.4}
	a, _ := mustDraw(t, &s, 1)
	s.FixtureDeg = 180
	b, _ := mustDraw(t, &s, 1)
	for i := range a.Pix {
		if d := int(a.Pix[i]) - int(b.Pix[len(b.Pix)-1-i]); d < -1 || d > 1 {
			t.Fatalf("pixel %d differs by %d", i, d)
		}
	}
}

func TestEveryTroubleCanBeDrawn(t *testing.T) {
	for _, v := range reading.Views {
		p := showing(v)
		sc := bench()
		for i, torment := range Torments(v) {
			s := Random(p, sc, v, seeded(uint64(i)))
			torment.inflict(s, seeded(2))
			s.WidthPx, s.HeightPx = 300, 260
			_, truth := mustDraw(t, s, 3)
			if torment.Reason != "" && truth.Reason != torment.Reason {
				t.Errorf("%s with %s: got reason %q want %q", v, torment.Name, truth.Reason, torment.Reason)
			}
		}
		for _, f := range Faults {
			s := Random(p, sc, v, seeded(5))
			s.Fault, s.WidthPx, s.HeightPx = f, 300, 260
			_, truth, err := Draw(s, seeded(3))
			if (err == nil) != f.Fits(v) {
				t.Errorf("%s with fault %s: got error %v", v, f, err)
			}
			if err == nil && truth.Reason != string(f) {
				t.Errorf("%s with fault %s: got reason %q", v, f, truth.Reason)
			}
		}
	}
}

func TestMarkOutPutsAMarkOutside(t *testing.T) {
	for seed := range uint64(20) {
		s := Random(dipper(), bench(), reading.DiePlan, seeded(seed))
		s.Fault = MarkOut
		g, truth := mustDraw(t, s, seed)
		out := 0
		for _, m := range truth.Marks {
			if m.XPx < -1 || m.YPx < -1 || m.XPx > float64(g.W) || m.YPx > float64(g.H) {
				out++
			}
		}
		if out == 0 {
			t.Errorf("seed %d: all marks are inside", seed)
		}
	}
}

func TestDrawRefusesWhatCannotBe(t *testing.T) {
	good := func() *Scene { return &Scene{Part: dipper(), Scope: bench(), View: reading.ColumnPlan} }
	for name, spoil := range map[string]func(*Scene){
		"no part":         func(s *Scene) { s.Part = nil },
		"unknown view":    func(s *Scene) { s.View = "roof-plan" },
		"no balls":        func(s *Scene) { s.View = reading.BallPlan },
		"unknown site":    func(s *Scene) { s.Array.Sites = []SiteState{{Site: "Z9"}} },
		"unknown bridge":  func(s *Scene) { s.Array.Sites = []SiteState{{Site: "B2", BridgedTo: "A1"}} },
		"unknown mark":    func(s *Scene) { s.Marks = []MarkState{{Name: "F9"}} },
		"10 bits":         func(s *Scene) { s.Bits = 10 },
		"a huge picture":  func(s *Scene) { s.WidthPx = 1 << 20 },
		"negative blur":   func(s *Scene) { s.Optics.BlurPx = -1 },
		"no scale":        func(s *Scene) { s.Scope.UmPerPxX = 0 },
		"half a scale":    func(s *Scene) { s.SubstrateScale = 0.5 },
		"marks in column": func(s *Scene) { s.Fault = MarksHidden },
	} {
		s := good()
		spoil(s)
		if _, _, err := Draw(s, seeded(1)); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	mustDraw(t, good(), 1)
}
