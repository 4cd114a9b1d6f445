package measure_test

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/offset"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

func tern(t *testing.T) *part.Part {
	t.Helper()
	b, err := os.ReadFile("../../examples/parts/tern.yaml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := part.Load(b, "tern.yaml")
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// leaning draws a tern under a scope whose axis leans and measures it.
func leaning(t *testing.T, sc *scope.Scope, turnDeg float64, seed uint64) *reading.Reading {
	t.Helper()
	p := tern(t)
	g, _, err := synth.Draw(&synth.Scene{
		Part: p, Scope: sc, View: reading.DiePlan, OffsetXUm: 23, OffsetYUm: -11, ThetaDeg: 0.08,
		FixtureXUm: 120, FixtureYUm: -70, FixtureDeg: turnDeg + 0.6, SubstrateScale: 0.998,
		Optics: synth.Optics{BlurPx: 1.1, ReadNoise: 0.003, ShotNoise: 0.005, TiltXDeg: tiltX, TiltYDeg: tiltY},
	}, rand.New(rand.NewPCG(seed, 7)))
	if err != nil {
		t.Fatal(err)
	}
	r, err := measure.Shot(g, measure.Job{Part: p, Scope: sc, Shot: reading.Shot{View: reading.DiePlan, TurnDeg: turnDeg}})
	if err != nil {
		t.Fatal(err)
	}
	if r.Offset == nil {
		t.Fatalf("turned by %g°: %v", turnDeg, r.Refusal)
	}
	return r
}

const tiltX, tiltY = 0.30, -0.12 // degrees

// Truth from a model: an axis that leans by t shows the die's top, h above the marks, h·tan(t) off
// its place. A reversal finds that shift, and a reading made with a scope file that states it is
// right again.
func TestReversalFindsTheAxis(t *testing.T) {
	bench := func(c scope.Camera, wd float64) *scope.Scope {
		return &scope.Scope{Name: "bench", UmPerPxX: 12, UmPerPxY: 12.03, Camera: c, WorkingDistanceMm: wd}
	}
	for _, sc := range []*scope.Scope{bench(scope.Telecentric, 0), bench(scope.Perspective, 110)} {
		const height = 0.87
		wantX, wantY := 1000*height*math.Tan(tiltX*math.Pi/180), 1000*height*math.Tan(tiltY*math.Pi/180)
		var all []*offset.Reversal
		for seed := range uint64(2) {
			a, b := leaning(t, sc, 0, seed), leaning(t, sc, 180, 100+seed)
			if d := a.Offset.XUm - b.Offset.XUm; math.Abs(d) < wantX {
				t.Errorf("%s: both ways round X differs by %.2f µm only; the axis should show", sc.Camera, d)
			}
			r, err := offset.Reverse(a, b)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, r)
			near(t, "X", r.XUm, 23, math.Sqrt(r.Cov[0][0]))
			near(t, "Y", r.YUm, -11, math.Sqrt(r.Cov[1][1]))
		}
		x, y, ux, uy := offset.MeanBias(all)
		near(t, "bias x", x, wantX, ux)
		near(t, "bias y", y, wantY, uy)

		known := *sc
		known.BiasXUm, known.BiasYUm, known.UBiasXUm, known.UBiasYUm, known.BiasHeightMm = x, y, ux, uy, height
		o := leaning(t, &known, 0, 50).Offset
		near(t, "corrected X", o.XUm, 23, o.UXUm)
		near(t, "corrected Y", o.YUm, -11, o.UYUm)
		if !hasTerm(o, "bias of the scope") || hasTerm(o, "optical axis") {
			t.Errorf("%s: budget %+v", sc.Camera, o.Budget)
		}
	}
}

// near holds a value against the truth: four standard uncertainties, and none above 0.02 px.
func near(t *testing.T, what string, got, want, u float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 4*u) || u > 0.24 {
		t.Errorf("%s is %.3f ± %.3f µm (k = 1), truth %.3f", what, got, u, want)
	}
}

func hasTerm(o *reading.Offset, name string) bool {
	for _, b := range o.Budget {
		if b.Name == name {
			return true
		}
	}
	return false
}

// A sample that lies other than the traveler says is the wrong way round.
func TestTurnedSampleMustBeAnnounced(t *testing.T) {
	p := tern(t)
	sc := &scope.Scope{Name: "bench", UmPerPxX: 12, UmPerPxY: 12, Camera: scope.Telecentric}
	for _, turn := range []float64{0, 90, 180, 270} {
		g, _, err := synth.Draw(&synth.Scene{Part: p, Scope: sc, View: reading.DiePlan, FixtureDeg: turn - 1, OffsetXUm: 9, Optics: synth.Optics{ReadNoise: 0.003}}, rand.New(rand.NewPCG(1, 2)))
		if err != nil {
			t.Fatal(err)
		}
		for _, said := range []float64{0, 90, 180, 270} {
			r, err := measure.Shot(g, measure.Job{Part: p, Scope: sc, Shot: reading.Shot{View: reading.DiePlan, TurnDeg: said}})
			if err != nil {
				t.Fatal(err)
			}
			switch {
			case said == turn:
				if r.Offset == nil {
					t.Errorf("turned by %g° as said: %v", turn, r.Refusal)
					continue
				}
				near(t, "X", r.Offset.XUm, 9, r.Offset.UXUm)
			case r.Refusal == nil || r.Refusal.Gate != "wrong-way-round":
				t.Errorf("turned by %g°, said %g°: got %v, want wrong-way-round", turn, said, r.Refusal)
			}
		}
	}
}
