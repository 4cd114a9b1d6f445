package offset_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/offset"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

func seeded(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 31)) }

// dipper is a small invented part.
func dipper() *part.Part {
	return &part.Part{
		Name:      "dipper",
		Substrate: part.Substrate{WidthMm: 9, HeightMm: 8.4},
		Marks: &part.Marks{Shape: part.Cross, LengthMm: 0.7, ArmWidthMm: 0.15, At: []part.Place{
			{Name: "F1", XMm: -2.7, YMm: 2.2}, {Name: "F2", XMm: 2.7, YMm: 2.2}, {Name: "F3", XMm: 2.7, YMm: -2.2}, {Name: "F4", XMm: -2.7, YMm: -2.2},
		}},
		Orientation: part.Orientation{By: "fixture"},
		Die:         &part.Die{WidthMm: 3.2, HeightMm: 2.5, TopMm: 0.7, XMm: 0.15, YMm: -0.1},
	}
}

func flat() *scope.Scope {
	return &scope.Scope{Name: "flat", UmPerPxX: 11, UmPerPxY: 11.02, Camera: scope.Telecentric, UScalePercent: 0.002}
}

func lens() *scope.Scope {
	return &scope.Scope{Name: "lens", UmPerPxX: 11, UmPerPxY: 11.02, Camera: scope.Perspective, WorkingDistanceMm: 90, K1: -0.004, UScalePercent: 0.002}
}

func scene(sc *scope.Scope) *synth.Scene {
	return &synth.Scene{
		Part: dipper(), Scope: sc, View: reading.DiePlan, WidthPx: 720, HeightPx: 660,
		Optics: synth.Optics{BlurPx: 1.1, ReadNoise: 0.002, ShotNoise: 0.005, SlopeX: 0.05},
		Look:   synth.Look{Substrate: 0.45, Mark: 0.7, Die: 0.12, Texture: 0.5},
		Die:    synth.DieState{RoughUm: 1, Chips: 3},
	}
}

// measure finds the die of a scene as a scope file tells it to.
func measure(t *testing.T, s *synth.Scene, sc *scope.Scope, seed uint64) (*reading.Offset, error) {
	t.Helper()
	g, _, err := synth.Draw(s, seeded(seed))
	if err != nil {
		t.Fatal(err)
	}
	src := fit.Source{Gray: g, Noise: picture.EstimateNoise(g)}
	f, err := fiducial.Find(src, s.Part, sc, 0)
	if err != nil {
		t.Fatal(err)
	}
	return offset.Die(src, s.Part, sc, f)
}

// Drawn dies on both kinds of scope, wherever fixture and die lie: the error is within what is
// stated, 5 u of which a normal distribution leaves once in two million, and below 0.1 px.
func TestDieLiesWhereItWasDrawn(t *testing.T) {
	var sum2, n float64
	for i, sc := range []*scope.Scope{flat(), lens(), flat(), lens(), lens(), flat()} {
		s := scene(sc)
		rng := seeded(uint64(i))
		s.FixtureXUm, s.FixtureYUm, s.FixtureDeg = 500*(2*rng.Float64()-1), 500*(2*rng.Float64()-1), 4*(2*rng.Float64()-1)
		s.OffsetXUm, s.OffsetYUm, s.ThetaDeg = 120*(2*rng.Float64()-1), 120*(2*rng.Float64()-1), 1.5*(2*rng.Float64()-1)
		s.SubstrateScale = 1 + 0.004*(2*rng.Float64()-1)
		o, err := measure(t, s, sc, uint64(i))
		if err != nil {
			t.Errorf("scene %d: %v", i, err)
			continue
		}
		lever := 0.5 * math.Hypot(3200, 2500) * math.Pi / 180
		for _, c := range []struct {
			name            string
			got, want, u, k float64
		}{
			{"x", o.XUm, s.OffsetXUm, o.UXUm, 1}, {"y", o.YUm, s.OffsetYUm, o.UYUm, 1}, {"theta", o.ThetaDeg, s.ThetaDeg, o.UTheta, lever},
			{"width", o.WidthUm, 3200, o.UWidthUm, 0.5}, {"height", o.HeightUm, 2500, o.UHeightUm, 0.5},
		} {
			d := c.got - c.want
			sum2, n = sum2+d*d/(c.u*c.u), n+1
			if math.Abs(d)*c.k > 0.1*11 || math.Abs(d) > 5*c.u {
				t.Errorf("scene %d: %s is %.3f ± %.3f, drawn %.3f", i, c.name, c.got, c.u, c.want)
			}
		}
	}
	// The standard deviation of 30 values scatters by 13 %.
	if r := math.Sqrt(sum2 / n); r > 1.45 {
		t.Errorf("error/u has a standard deviation of %.2f", r)
	}
}

// A polished die mirrors what is around it: here stripes on its right, so that this side is now
// brighter than the substrate and now darker.
func TestDieLikeAMirror(t *testing.T) {
	s := scene(flat())
	s.OffsetXUm, s.OffsetYUm, s.ThetaDeg = 30, -20, 0.2
	var pictures [2]*picture.Gray
	for i, level := range []float64{0.3, 0.6} {
		s.Look.Die = level
		g, _, err := synth.Draw(s, seeded(5))
		if err != nil {
			t.Fatal(err)
		}
		pictures[i] = g
	}
	g := pictures[0]
	for i, v := range g.Pix {
		w := 1.0
		if x := i % g.W; x > g.W/2 {
			w = 0.5 + 0.5*math.Sin(2*math.Pi*float64(i/g.W)/56)
		}
		g.Pix[i] = uint16(math.Round(w*float64(v) + (1-w)*float64(pictures[1].Pix[i])))
	}
	src := fit.Source{Gray: g, Noise: picture.EstimateNoise(g)}
	f, err := fiducial.Find(src, s.Part, s.Scope, 0)
	if err != nil {
		t.Fatal(err)
	}
	o, err := offset.Die(src, s.Part, s.Scope, f)
	if err != nil {
		t.Fatal(err)
	}
	if d := math.Hypot(o.XUm-30, o.YUm+20); d > 0.3*11 {
		t.Errorf("%.2f µm off: X %.2f ± %.2f, Y %.2f ± %.2f", d, o.XUm, o.UXUm, o.YUm, o.UYUm)
	}
}

// A die's top is above the marks: told of another height, a lens puts a die off the axis elsewhere,
// by its distance times the height over the working distance.
func TestHeightMatters(t *testing.T) {
	s := scene(lens())
	s.FixtureXUm, s.OffsetXUm = 800, 20
	low := *s
	lowPart := *s.Part
	lowDie := *s.Part.Die
	lowDie.TopMm = 0
	lowPart.Die = &lowDie
	right, err := measure(t, s, s.Scope, 3)
	if err != nil {
		t.Fatal(err)
	}
	g, _, err := synth.Draw(&low, seeded(3))
	if err != nil {
		t.Fatal(err)
	}
	src := fit.Source{Gray: g, Noise: picture.EstimateNoise(g)}
	f, err := fiducial.Find(src, &lowPart, s.Scope, 0)
	if err != nil {
		t.Fatal(err)
	}
	lowPart.Limits.SizeUm = 100 // the die looks larger, too: 0.7 / 90 of 3.2 mm is 25 µm
	wrong, err := offset.Die(src, &lowPart, s.Scope, f)
	if err != nil {
		t.Fatal(err)
	}
	want := (800 + 150 + 20) * 0.7 / (90 - 0.7)
	if got := wrong.XUm - right.XUm; math.Abs(got-want) > 0.3 {
		t.Errorf("X is off by %.2f µm, by hand %.2f", got, want)
	}
}

func refusedFor(t *testing.T, s *synth.Scene, gates ...string) {
	t.Helper()
	o, err := measure(t, s, s.Scope, 7)
	r, ok := errors.AsType[*reading.Refusal](err)
	if !ok {
		t.Errorf("got %+v, %v, want a refusal %q", o, err, gates)
		return
	}
	for _, g := range gates {
		if r.Gate == g {
			return
		}
	}
	t.Errorf("got %v, want %q", r, gates)
}

func TestRefusesWhatIsNotTheDie(t *testing.T) {
	none := scene(flat())
	none.Die.None = true
	refusedFor(t, none, "no-die")

	// The other side of a sample, or a bare one with its traces.
	traces := scene(flat())
	traces.Die.None, traces.Dirt.Traces = true, 30
	refusedFor(t, traces, "no-die", "die-edges")

	other := []string{"die-size", "die-edges", "no-die"}
	larger := scene(flat())
	larger.Die.SizeXUm, larger.Die.SizeYUm = 90, 90
	refusedFor(t, larger, other...)

	smaller := scene(flat())
	smaller.Die.SizeXUm, smaller.Die.SizeYUm = -400, -300
	refusedFor(t, smaller, other...)

	turned := scene(flat())
	turned.Die.QuarterTurned = true
	refusedFor(t, turned, other...)

	two := scene(flat())
	two.Die.Second = &synth.SecondDie{XUm: 400, YUm: 250, ThetaDeg: 2}
	refusedFor(t, two, other...)
}

// A part file that allows a size lets a die through that is off by less, and not one beyond.
func TestSizeLimitOfThePart(t *testing.T) {
	s := scene(flat())
	s.Die.SizeXUm, s.Die.SizeYUm = 45, 45
	s.Part.Limits.SizeUm = 60
	o, err := measure(t, s, s.Scope, 8)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(o.WidthUm-3245) > 2 || math.Abs(o.HeightUm-2545) > 2 {
		t.Errorf("measures %.1f × %.1f µm, drawn 3245 × 2545", o.WidthUm, o.HeightUm)
	}
	s.Part.Limits.SizeUm = 30
	if _, err := measure(t, s, s.Scope, 8); err == nil {
		t.Error("a die 45 µm too large passes a limit of 30 µm")
	}
}
