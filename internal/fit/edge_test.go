package fit_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/synth"
)

const dieMm = 3.0

// block is a scene of a dark die of 250 px a side in the middle of a picture; the marks lie outside.
func block(blurPx, snr float64) *synth.Scene {
	return &synth.Scene{
		Part: &part.Part{
			Name: "block", Substrate: part.Substrate{WidthMm: 100, HeightMm: 100}, Orientation: part.Orientation{By: "fixture"},
			Marks: &part.Marks{Shape: part.Disc, DiameterMm: 0.4, At: []part.Place{{Name: "F1", XMm: 20}, {Name: "F2", XMm: -20}}},
			Die:   &part.Die{WidthMm: dieMm, HeightMm: dieMm},
		},
		Scope: bench(), View: reading.DiePlan, WidthPx: 340, HeightPx: 330, Bits: 12,
		Optics: synth.Optics{BlurPx: blurPx, ReadNoise: contrast / snr}, Look: synth.Look{Substrate: ground + contrast, Die: ground},
	}
}

// right returns the die's side along its +X as it lies.
func right(s *synth.Scene) fit.Line {
	turn := geom.Angle(s.FixtureDeg+s.ThetaDeg) * geom.Degree
	sin, cos := math.Sincos(turn.Rad())
	half := (geom.Length(dieMm)*geom.Millimetre + geom.Length(s.Die.SizeXUm)) / 2
	return fit.Line{
		Mid: geom.ScopePoint{X: geom.Length(s.FixtureXUm) + half*geom.Length(cos), Y: geom.Length(s.FixtureYUm) + half*geom.Length(sin)},
		Dir: turn + 90*geom.Degree,
	}
}

// askew moves the scene by a random fraction of pixels and turns it.
func askew(s *synth.Scene, rng *rand.Rand) {
	s.FixtureXUm, s.FixtureYUm = 3*umPerPx*(rng.Float64()-0.5), 3*umPerPx*(rng.Float64()-0.5)
	s.FixtureDeg = 3 * (2*rng.Float64() - 1)
}

// window leaves 10 px at each corner.
func window(blurPx float64) fit.EdgeWindow {
	return fit.EdgeWindow{Half: (dieMm*500 - 10*umPerPx) * geom.Micrometre, SearchPx: 3, Blur: geom.Length(blurPx * umPerPx)}
}

func fitRight(t *testing.T, s *synth.Scene, g *picture.Gray, n picture.Noise, startPx float64) []*fit.Edge {
	t.Helper()
	src := fit.Source{Gray: g, Plane: s.Scope.Plane(g.W, g.H, 0), Noise: n}
	edges, err := fit.FitEdges(src, right(s).Moved(geom.Length(startPx*umPerPx), 0.004), window(1.2))
	if err != nil {
		t.Fatal(err)
	}
	return edges
}

// edgeBound returns the Cramér–Rao bound of an edge's place in its middle, px, for contrast/noise
// snr and a length in px: the inverse Fisher information of (place, blur, both levels, slope of the
// light across), summed along the normal as far as the fit looks, 12 blurs. The turn and the light
// along the edge are odd about its middle and can't be taken for a shift.
func edgeBound(blurPx, snr, lengthPx float64) float64 {
	const (
		fine = 0.05
		look = ground + contrast/2 // the level that light multiplies, over the contrast
	)
	sigma := math.Hypot(blurPx, math.Sqrt(1./12))
	info := mat.NewSymDense(5, nil)
	for u := -12 * sigma; u <= 12*sigma; u += fine {
		t := u / sigma
		cdf, pdf := 0.5*math.Erfc(-t/math.Sqrt2), math.Exp(-t*t/2)/math.Sqrt(2*math.Pi)
		d := [5]float64{-pdf / sigma, -pdf * t / sigma, 1 - cdf, cdf, u * (look/contrast - 0.5 + cdf)}
		for a := range 5 {
			for b := a; b < 5; b++ {
				info.SetSym(a, b, info.At(a, b)+d[a]*d[b]*fine*lengthPx*snr*snr)
			}
		}
	}
	var chol mat.Cholesky
	inv := mat.NewSymDense(5, nil)
	if !chol.Factorize(info) || chol.InverseTo(inv) != nil {
		return math.NaN()
	}
	return math.Sqrt(inv.At(0, 0))
}

// Without the nuisances the information is known in closed form: L c²/(σₙ² 2 √π σ).
func TestEdgeBound(t *testing.T) {
	sigma := math.Hypot(1.2, math.Sqrt(1./12))
	free := math.Sqrt(2*math.Sqrt(math.Pi)*sigma/200) / 30
	if got := edgeBound(1.2, 30, 200); got < free || got > 1.3*free {
		t.Errorf("got %g, without nuisances %g", got, free)
	}
}

// Every sub-pixel phase and slope, blur and noise: the error at the bound, the uncertainty true.
func TestFitEdgesReachesTheBound(t *testing.T) {
	var place tally
	var slope2, slopes float64
	for i, at := range []struct{ blurPx, snr float64 }{{0.8, 100}, {0.8, 10}, {1.2, 30}, {1.6, 20}, {2, 100}, {2, 10}} {
		rng := seeded(100 + uint64(i))
		for range 12 {
			s := block(at.blurPx, at.snr)
			askew(s, rng)
			edges := fitRight(t, s, drawn(t, s, rng), readNoise(s), 3*(rng.Float64()-0.5))
			e := edges[0]
			offset, slope := e.Line.In(right(s))
			bound := edgeBound(at.blurPx, at.snr, 2*window(1).Half.Um()/umPerPx)
			place.add(offset.Um()/umPerPx, bound, math.Sqrt(e.Cov[0][0])/umPerPx)
			slope2, slopes = slope2+slope*slope/e.Cov[1][1], slopes+1
			if !e.Clean {
				t.Errorf("blur %g px, SNR %g: noise alone doesn't explain the edge", at.blurPx, at.snr)
			}
			if want := contrast * full; math.Abs(e.Contrast-want) > 0.05*want {
				t.Errorf("contrast %.0f, drawn %.0f", e.Contrast, want)
			}
			if want := umPerPx * math.Hypot(at.blurPx, math.Sqrt(1./12)); math.Abs(e.Blur.Um()-want) > 0.1*want {
				t.Errorf("blur %.1f µm, drawn %.1f", e.Blur.Um(), want)
			}
		}
	}
	place.check(t, 1.15)
	if r := math.Sqrt(slope2 / slopes); math.Abs(r-1) > 3/math.Sqrt(2*slopes) {
		t.Errorf("error/u of the slope has a standard deviation of %.3f", r)
	}
}

// Edges as they are: the error stays small, and within what is stated of it.
func TestFitEdgesOnRealEdges(t *testing.T) {
	for name, spoil := range map[string]func(*synth.Scene, *rand.Rand){
		"chips":  func(s *synth.Scene, _ *rand.Rand) { s.Die.Chips = 8 },
		"rough":  func(s *synth.Scene, _ *rand.Rand) { s.Die.RoughUm = 2 },
		"traces": func(s *synth.Scene, _ *rand.Rand) { s.Dirt.Traces, s.Look.Mark = 30, 0.8 },
		"glare":  func(s *synth.Scene, _ *rand.Rand) { s.Dirt.Glare = 1 },
		"streak": func(s *synth.Scene, _ *rand.Rand) { s.Dirt.Streaks = 2 },
	} {
		t.Run(name, func(t *testing.T) {
			var sum2, sum, worst float64
			const n = 12
			for i := range uint64(n) {
				rng := seeded(200 + i)
				s := block(1.2, 60)
				spoil(s, rng)
				s.Die.SizeXUm = 0
				askew(s, rng)
				// Several lines may be seen: that along which the die lies must be among them.
				e, offset := nearest(fitRight(t, s, drawn(t, s, rng), readNoise(s), 2*(rng.Float64()-0.5)), right(s))
				u := math.Sqrt(e.Cov[0][0])
				px := offset / umPerPx
				worst = max(worst, math.Abs(px))
				sum, sum2 = sum+px, sum2+offset*offset/(u*u)
				if e.Used < 0.3 || e.Used > 1 {
					t.Errorf("%.2f of the edge used", e.Used)
				}
			}
			t.Logf("worst %.3f px, mean %.3f px, error/u %.2f", worst, sum/n, math.Sqrt(sum2/n))
			if worst > 0.25 {
				t.Errorf("worst error %.3f px", worst)
			}
			// Of 12 values the standard deviation scatters by 20 %.
			if r := math.Sqrt(sum2 / n); r > 1.6 {
				t.Errorf("error/u has a standard deviation of %.2f", r)
			}
		})
	}
}

// A shadow that reaches farther than the fit looks moves a side outward by up to a quarter of a
// pixel. It moves opposite sides alike, so that the die looks larger but lies where it lay.
func TestFitEdgesInContactShadow(t *testing.T) {
	s := block(1.2, 60)
	s.Dirt.ContactShadow, s.Look.Die = 0.4, 0.12
	askew(s, seeded(3))
	g := drawn(t, s, seeded(4))
	src := fit.Source{Gray: g, Plane: s.Scope.Plane(g.W, g.H, 0), Noise: readNoise(s)}
	var out [4]float64
	for side := range out {
		c := *s
		c.FixtureDeg += 90 * float64(side)
		edges, err := fit.FitEdges(src, right(&c), window(1.2))
		if err != nil {
			t.Fatal(err)
		}
		_, off := nearest(edges, right(&c))
		if out[side] = off / umPerPx; math.Abs(out[side]) > 0.25 {
			t.Errorf("side %d lies %.3f px off", side, out[side])
		}
	}
	if dx, dy := (out[0]-out[2])/2, (out[1]-out[3])/2; math.Hypot(dx, dy) > 0.04 {
		t.Errorf("sides %.3f px off put the die %.3f, %.3f px off", out, dx, dy)
	}
}

// nearest returns the edge that lies nearest a line, and by how much it errs, µm.
func nearest(edges []*fit.Edge, truth fit.Line) (*fit.Edge, float64) {
	var best *fit.Edge
	least := math.Inf(1)
	for _, e := range edges {
		if offset, _ := e.Line.In(truth); math.Abs(offset.Um()) < math.Abs(least) {
			best, least = e, offset.Um()
		}
	}
	return best, least
}

func TestFitEdgesSeesNoneWhereNoneIs(t *testing.T) {
	s := block(1.2, 50)
	s.Die.None = true
	g := drawn(t, s, seeded(1))
	src := fit.Source{Gray: g, Plane: s.Scope.Plane(g.W, g.H, 0), Noise: readNoise(s)}
	for name, c := range map[string]struct {
		line fit.Line
		win  fit.EdgeWindow
	}{
		"too short":           {right(s), fit.EdgeWindow{Half: 20, SearchPx: 3}},
		"outside the picture": {fit.Line{Mid: geom.ScopePoint{X: 1e5}, Dir: 90 * geom.Degree}, window(1.2)},
	} {
		if _, err := fit.FitEdges(src, c.line, c.win); !errors.Is(err, fit.ErrNoEdge) {
			t.Errorf("%s: got error %v want ErrNoEdge", name, err)
		}
	}
	// In noise a line may be seen, but none that stands out of it.
	edges, err := fit.FitEdges(src, right(s), window(1.2))
	if err != nil && !errors.Is(err, fit.ErrNoEdge) {
		t.Fatal(err)
	}
	for _, e := range edges {
		if e.Contrast > 0.2*contrast*full {
			t.Errorf("an edge of contrast %.0f where there is none", e.Contrast)
		}
	}
}

// A line moved and read in the old frame gives the motion back.
func TestLine(t *testing.T) {
	from := fit.Line{Mid: geom.ScopePoint{X: 120, Y: -40}, Dir: 37 * geom.Degree}
	for _, c := range [][2]float64{{0, 0}, {5, 0}, {-3, 0.02}, {12, -0.3}} {
		offset, slope := from.Moved(geom.Length(c[0]), c[1]).In(from)
		if math.Abs(offset.Um()-c[0]) > 1e-9 || math.Abs(slope-c[1]) > 1e-12 {
			t.Errorf("moved by %v, read as %g, %g", c, offset.Um(), slope)
		}
	}
	// The normal points to the right: outside of a shape that is run counter-clockwise.
	up := fit.Line{Dir: 90 * geom.Degree}
	if p := up.At(2, 3); math.Abs(p.X.Um()-3) > 1e-12 || math.Abs(p.Y.Um()-2) > 1e-12 {
		t.Errorf("2 along and 3 beside a line upward lies at %v", p)
	}
}
