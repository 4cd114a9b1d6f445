package fit_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

func seeded(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 29)) }

const umPerPx = 12.0

func bench() *scope.Scope {
	return &scope.Scope{Name: "bench", UmPerPxX: umPerPx, UmPerPxY: umPerPx, Camera: scope.Telecentric}
}

var shapes = map[string]part.Marks{
	"cross":  {Shape: part.Cross, LengthMm: 0.6, ArmWidthMm: 0.14},
	"square": {Shape: part.Square, LengthMm: 0.3},
	"disc":   {Shape: part.Disc, DiameterMm: 0.4},
	"ring":   {Shape: part.Ring, DiameterMm: 0.6, InnerMm: 0.3},
}

// lone is a scene of one mark in the middle of a small picture; the die lies outside.
func lone(m part.Marks, blurPx, snr float64) *synth.Scene {
	m.At = []part.Place{{Name: "F1"}}
	return &synth.Scene{
		Part: &part.Part{
			Name: "lone", Substrate: part.Substrate{WidthMm: 100, HeightMm: 100}, Orientation: part.Orientation{By: "fixture"},
			Marks: &m, Die: &part.Die{WidthMm: 1, HeightMm: 1, XMm: 20},
		},
		Scope: bench(), View: reading.DiePlan, WidthPx: 96, HeightPx: 90, Bits: 12,
		Optics: synth.Optics{BlurPx: blurPx, ReadNoise: contrast / snr}, Look: synth.Look{Substrate: ground, Mark: ground + contrast},
	}
}

const ground, contrast = 0.35, 0.3

func drawn(t testing.TB, s *synth.Scene, rng *rand.Rand) *picture.Gray {
	t.Helper()
	g, _, err := synth.Draw(s, rng)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// full is what 12 bits in the upper bits of 16 reach to, step their step.
const full, step = 65520.0, 16.0

// readNoise is the noise that a scene was drawn with, rounding to steps included.
func readNoise(s *synth.Scene) picture.Noise {
	sd := s.Optics.ReadNoise * full
	return picture.Noise{ReadVar: sd*sd + step*step/12}
}

// markBound returns the Cramér–Rao bound of a mark's place along x and y, px: the root of the
// diagonal of the inverse Fisher information of (x, y, slope of the light along x and y), by
// differences of noiseless pictures. The mark's levels, its growth and the blur are even about its
// middle and can't be taken for a shift.
func markBound(t *testing.T, s *synth.Scene) (x, y float64) {
	t.Helper()
	shift := func(dx, dy, slopeX, slopeY float64) *picture.Gray {
		c := *s
		c.Optics.ReadNoise = 0
		c.FixtureXUm, c.FixtureYUm = c.FixtureXUm+dx*umPerPx, c.FixtureYUm+dy*umPerPx
		c.Optics.SlopeX, c.Optics.SlopeY = slopeX, slopeY
		return drawn(t, &c, seeded(1))
	}
	const h = 0.25
	pairs := [4][2]*picture.Gray{
		{shift(h, 0, 0, 0), shift(-h, 0, 0, 0)}, {shift(0, h, 0, 0), shift(0, -h, 0, 0)},
		{shift(0, 0, h, 0), shift(0, 0, -h, 0)}, {shift(0, 0, 0, h), shift(0, 0, 0, -h)},
	}
	info := mat.NewSymDense(4, nil)
	for i := range pairs[0][0].Pix {
		var d [4]float64
		for k, p := range pairs {
			d[k] = (float64(p[0].Pix[i]) - float64(p[1].Pix[i])) / (2 * h)
		}
		for a := range 4 {
			for b := a; b < 4; b++ {
				info.SetSym(a, b, info.At(a, b)+d[a]*d[b]/readNoise(s).ReadVar)
			}
		}
	}
	var chol mat.Cholesky
	inv := mat.NewSymDense(4, nil)
	if !chol.Factorize(info) || chol.InverseTo(inv) != nil {
		t.Fatal("no information")
	}
	return math.Sqrt(inv.At(0, 0)), math.Sqrt(inv.At(1, 1))
}

// A tally collects errors in units of their bound and of their stated uncertainty.
type tally struct{ n, sum, bound2, stated2 float64 }

func (c *tally) add(err, bound, u float64) {
	c.n++
	c.sum += err / u
	c.bound2 += err * err / (bound * bound)
	c.stated2 += err * err / (u * u)
}

// check holds errors against the bound, and what was stated of them against what they are.
// The root of a mean square of n normal values scatters by 1/√(2n).
func (c *tally) check(t *testing.T, most float64) {
	t.Helper()
	bound, stated, bias := math.Sqrt(c.bound2/c.n), math.Sqrt(c.stated2/c.n), c.sum/c.n*math.Sqrt(c.n)
	t.Logf("%.0f values: %.3f × bound, error/u %.3f, bias %.1f standard errors", c.n, bound, stated, bias)
	scatter := 1 / math.Sqrt(2*c.n)
	if bound > most+3*scatter {
		t.Errorf("RMS error is %.3f × the Cramér–Rao bound, want at most %.2f", bound, most)
	}
	if math.Abs(stated-1) > 0.05+3*scatter {
		t.Errorf("error/u has a standard deviation of %.3f, want 1", stated)
	}
	if math.Abs(bias) > 4 {
		t.Errorf("the mean error is %.1f of its standard errors", bias)
	}
}

// Every shape, sub-pixel phase, blur and noise: the error at the bound, the uncertainty true.
func TestFitMarkReachesTheBound(t *testing.T) {
	for name, m := range shapes {
		t.Run(name, func(t *testing.T) {
			var c tally
			for i, at := range []struct{ blurPx, snr float64 }{{0.8, 100}, {0.8, 20}, {1.2, 10}, {1.5, 40}, {2, 100}, {2, 10}} {
				rng := seeded(uint64(i))
				s := lone(m, at.blurPx, at.snr)
				s.FixtureDeg = 5 * (2*rng.Float64() - 1)
				bx, by := markBound(t, s)
				for range 16 {
					s.FixtureXUm, s.FixtureYUm = umPerPx*3*(rng.Float64()-0.5), umPerPx*3*(rng.Float64()-0.5)
					f := fitLone(t, s, rng, geom.ScopePoint{})
					c.add((f.Centre.X.Um()-s.FixtureXUm)/umPerPx, bx, math.Sqrt(f.Cov[0][0])/umPerPx)
					c.add((f.Centre.Y.Um()-s.FixtureYUm)/umPerPx, by, math.Sqrt(f.Cov[1][1])/umPerPx)
				}
			}
			c.check(t, 1.1)
		})
	}
}

// fitLone draws a lone mark and fits it from a start.
func fitLone(t *testing.T, s *synth.Scene, rng *rand.Rand, start geom.ScopePoint) *fit.Mark {
	t.Helper()
	return fitAs(t, s, drawn(t, s, rng), s.Part.Marks, start)
}

// fitAs fits a picture of a lone mark as a mark of some drawing.
func fitAs(t *testing.T, s *synth.Scene, g *picture.Gray, m *part.Marks, start geom.ScopePoint) *fit.Mark {
	t.Helper()
	f, err := tryAs(s, g, m, start)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func tryAs(s *synth.Scene, g *picture.Gray, m *part.Marks, start geom.ScopePoint) (*fit.Mark, error) {
	src := fit.Source{Gray: g, Plane: s.Scope.Plane(g.W, g.H, 0), Noise: readNoise(s)}
	turn := geom.Angle(s.FixtureDeg) * geom.Degree
	var px fit.Pixels
	px.Reset(start)
	px.AddWindow(src, start, 42*umPerPx, 2)
	seen, err := fit.SeeMark(&px, m, turn, start, 1.2*umPerPx)
	if err != nil {
		return nil, err
	}
	px.Reset(seen.Centre)
	px.AddWindow(src, seen.Centre, 42*umPerPx, 1)
	return fit.FitMark(&px, m, turn, seen)
}

// grown returns a mark whose outline lies outside the drawn one by some µm all along.
func grown(m part.Marks, um float64) part.Marks {
	d := 2 * um / 1000
	switch m.Shape {
	case part.Cross:
		m.LengthMm, m.ArmWidthMm = m.LengthMm+d, m.ArmWidthMm+d
	case part.Square:
		m.LengthMm += d
	case part.Disc:
		m.DiameterMm += d
	case part.Ring:
		m.DiameterMm, m.InnerMm = m.DiameterMm+d, m.InnerMm-d
	}
	return m
}

// What else a fit says is true, too: blur, contrast, growth, that noise explains all.
func TestFitMarkDescribesTheMark(t *testing.T) {
	for name, m := range shapes {
		for _, dark := range []bool{false, true} {
			const growth = 3.0
			s := lone(grown(m, growth), 1.3, 60)
			if dark {
				s.Look.Mark = 0.12
			}
			s.FixtureXUm, s.FixtureYUm, s.FixtureDeg = 7, -5, 2
			g := drawn(t, s, seeded(3))
			f := fitAs(t, s, g, &m, geom.ScopePoint{X: -10, Y: 10})
			want := (s.Look.Mark - s.Look.Substrate) * full
			blur := umPerPx * math.Hypot(1.3, math.Sqrt(1./12))
			for _, c := range []struct {
				what              string
				got, want, within float64
			}{
				{"contrast", f.Contrast, want, 4*f.UContr + 0.005*math.Abs(want)},
				{"blur µm", f.Blur.Um(), blur, 0.5},
				{"misfit", f.Misfit, 1, 0.07},
				{"used", f.Used, 0.95, 0.04}, // the mean weight of normal noise
				{"growth µm", f.Grow.Um(), growth, 4*f.UGrow.Um() + 0.1},
			} {
				if math.Abs(c.got-c.want) > c.within {
					t.Errorf("%s, dark %v: %s is %.4g, want %.4g ± %.2g", name, dark, c.what, c.got, c.want, c.within)
				}
			}
		}
	}
}

// Uneven light pulls a plain centroid; it must not pull the fit.
func TestFitMarkInUnevenLight(t *testing.T) {
	for name, m := range shapes {
		s := lone(m, 1.1, 100)
		s.Optics.SlopeX, s.Optics.SlopeY = 0.4, -0.3 // across the whole small picture
		f := fitLone(t, s, seeded(4), geom.ScopePoint{})
		if d := math.Hypot(f.Centre.X.Um(), f.Centre.Y.Um()) / umPerPx; d > 0.02 {
			t.Errorf("%s: %.4f px off", name, d)
		}
	}
}

// Residue over a fifth of a mark is either given up on, or the error stays within what is stated
// and the misfit says that something is there.
func TestFitMarkUnderResidue(t *testing.T) {
	for name, m := range shapes {
		var sum2, n float64
		for seed := range uint64(12) {
			s := lone(m, 1.1, 50)
			s.Marks = []synth.MarkState{{Name: "F1", Cover: 0.2}}
			f, err := tryAs(s, drawn(t, s, seeded(seed)), s.Part.Marks, geom.ScopePoint{})
			if err != nil {
				continue
			}
			for _, e := range []float64{f.Centre.X.Um() / math.Sqrt(f.Cov[0][0]), f.Centre.Y.Um() / math.Sqrt(f.Cov[1][1])} {
				sum2, n = sum2+e*e, n+1
				if math.Abs(e) > 4.5 {
					t.Errorf("%s, seed %d: off by %.1f u", name, seed, e)
				}
			}
			if f.Misfit < 2 {
				t.Errorf("%s, seed %d: a misfit of %.2f says nothing of the residue", name, seed, f.Misfit)
			}
		}
		if r := math.Sqrt(sum2 / n); !(r < 2) {
			t.Errorf("%s: error/u has a standard deviation of %.2f", name, r)
		}
	}
}

func TestFitMarkRefuses(t *testing.T) {
	disc := shapes["disc"]
	if _, err := fit.SeeMark(new(fit.Pixels), &disc, 0, geom.ScopePoint{}, 12); err == nil {
		t.Error("no pixels: no error")
	}
	s := lone(disc, 1, 50)
	g := drawn(t, s, seeded(1))
	src := fit.Source{Gray: g, Plane: s.Scope.Plane(g.W, g.H, 0), Noise: readNoise(s)}
	var px fit.Pixels
	px.Reset(geom.ScopePoint{})
	px.AddWindow(src, geom.ScopePoint{}, 400, 1)
	if _, err := fit.SeeMark(&px, &part.Marks{Shape: "star"}, 0, geom.ScopePoint{}, 12); err == nil {
		t.Error("a shape that isn't known: no error")
	}
	px.Reset(geom.ScopePoint{})
	if px.AddWindow(src, geom.ScopePoint{X: 1e5}, 100, 1) || px.Len() != 0 {
		t.Errorf("a window outside the picture holds %d pixels", px.Len())
	}
}

func ExampleFitMark() {
	disc := part.Marks{Shape: part.Disc, DiameterMm: 0.4, At: []part.Place{{Name: "F1"}}}
	s := lone(disc, 1.2, 50)
	s.FixtureXUm = 4.2
	g, _, err := synth.Draw(s, seeded(1))
	if err != nil {
		fmt.Println(err)
		return
	}
	src := fit.Source{Gray: g, Plane: s.Scope.Plane(g.W, g.H, 0), Noise: picture.EstimateNoise(g)}
	var px fit.Pixels
	px.AddWindow(src, geom.ScopePoint{}, 400, 1)
	m, err := fit.SeeMark(&px, &disc, 0, geom.ScopePoint{}, 14)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("drawn at 4.2 µm, found within 0.2 µm: %v\n", math.Abs(m.Centre.X.Um()-4.2) < 0.2)
	// Output: drawn at 4.2 µm, found within 0.2 µm: true
}
