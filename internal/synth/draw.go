package synth

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
)

// Draw returns the picture of a scene and what is true of it. The same scene and a generator
// in the same state give the same picture, bit for bit. It returns an error when the part
// lacks what the view shows, or the scene asks for something impossible.
func Draw(scene *Scene, rng *rand.Rand) (*picture.Gray, *Truth, error) {
	st, err := newStage(scene, rng)
	if err != nil {
		return nil, nil, err
	}
	switch st.View {
	case reading.DiePlan:
		st.drawDiePlan()
	case reading.DieIR:
		st.drawDieIR()
	case reading.CapPlan:
		st.drawCapPlan()
	case reading.ColumnPlan:
		st.drawColumnPlan()
	case reading.BallPlan:
		st.drawBallPlan()
	case reading.ColumnSide:
		st.drawColumnSide()
	}
	g := st.expose()
	st.fillTruth()
	return g, st.truth, nil
}

// A stage is a scene being drawn.
type stage struct {
	Scene
	rng       *rand.Rand
	cam       *camera
	pr        *profile // of the substrate's plane
	tipPr     *profile // of the columns' tips
	canvas    *canvas
	truth     *Truth
	grain     *grain
	substrate frame // drawing frame on the substrate's top surface, true µm
	flat      frame // scope frame at height 0
	sites     []site
}

// blurUm is the sigma of the point spread on the object.
func (st *stage) blurUm() float64 { return st.Optics.BlurPx * st.Scope.UmPerPxX }

func newStage(scene *Scene, rng *rand.Rand) (*stage, error) {
	st := &stage{Scene: *scene, rng: rng, truth: new(Truth)}
	if err := scene.Check(); err != nil {
		return nil, err
	}
	w, h := Size(st.Part, st.View, st.Scope.UmPerPxX)
	st.WidthPx, st.HeightPx = cmp.Or(st.WidthPx, w), cmp.Or(st.HeightPx, h)
	st.Bits = cmp.Or(st.Bits, 8)
	st.SubstrateScale = cmp.Or(st.SubstrateScale, 1)
	st.Optics.BlurPx = cmp.Or(st.Optics.BlurPx, 1)
	st.Look.defaults(st.View)
	st.befall()

	st.cam = newCamera(st.Scope, st.WidthPx, st.HeightPx, st.Optics.TiltXDeg, st.Optics.TiltYDeg)
	st.focus()
	st.canvas = newCanvas(st.WidthPx, st.HeightPx, st.Look.Outside)
	st.grain = newGrain(rng, 20, st.blurUm())
	st.flat = st.cam.frame(geom.ScopePoint{}, 0, 0)
	st.substrate = st.plane(0)
	if st.View == reading.ColumnPlan || st.View == reading.BallPlan || st.View == reading.ColumnSide {
		if err := st.placeSites(); err != nil {
			return nil, fmt.Errorf("draw %s: %w", scene.View, err)
		}
	}
	return st, nil
}

// plane returns the drawing frame at a height, mm. Coordinates in it are true µm: what belongs
// to the ceramic is put at its drawn place times SubstrateScale.
func (st *stage) plane(hMm float64) frame {
	origin := geom.ScopePoint{X: geom.Length(st.FixtureXUm), Y: geom.Length(st.FixtureYUm)}
	return st.cam.frame(origin, geom.Angle(st.turnDeg())*geom.Degree, hMm*1000)
}

// placed returns the frame of a body whose nominal centre is drawn at (xMm, yMm) and which has
// the scene's offset.
func (st *stage) placed(xMm, yMm, thetaDeg, hMm float64) frame {
	f := st.plane(hMm)
	scale := st.SubstrateScale * 1000
	return f.at(xMm*scale+st.OffsetXUm, yMm*scale+st.OffsetYUm, geom.Angle(thetaDeg+st.ThetaDeg)*geom.Degree)
}

// paint lays a shape over the canvas.
func (st *stage) paint(f *frame, s shape, i ink) { st.canvas.paint(f, s, st.pr.reach, i) }

// Check says why a scene can't be drawn, nil when it can.
func (s *Scene) Check() error {
	if err := s.check(); err != nil {
		return fmt.Errorf("draw %s: %w", s.View, err)
	}
	return nil
}

func (s *Scene) check() error {
	const most = 1 << 14 // px a side
	p := s.Part
	switch {
	case p == nil || s.Scope == nil:
		return fmt.Errorf("a scene needs a part and a scope")
	case s.WidthPx < 0 || s.HeightPx < 0 || s.WidthPx > most || s.HeightPx > most:
		return fmt.Errorf("a picture of %d × %d px: want sides from 1 to %d px", s.WidthPx, s.HeightPx, most)
	case s.Bits != 0 && s.Bits != 8 && s.Bits != 12:
		return fmt.Errorf("%d bits a pixel: want 8 or 12", s.Bits)
	case s.Optics.BlurPx < 0 || s.Optics.BlurPx > 50:
		return fmt.Errorf("a blur of %g px: want 0 to 50 px", s.Optics.BlurPx)
	case s.Optics.DefocusPx < 0 || s.Optics.DefocusPx > 50:
		return fmt.Errorf("a defocus of %g px: want 0 to 50 px", s.Optics.DefocusPx)
	case s.TurnDeg != 0 && s.TurnDeg != 90 && s.TurnDeg != 180 && s.TurnDeg != 270:
		return fmt.Errorf("a turn of %g°: want 0, 90, 180 or 270°", s.TurnDeg)
	case s.SubstrateScale < 0 || s.SubstrateScale != 0 && math.Abs(s.SubstrateScale-1) > 0.1:
		return fmt.Errorf("a substrate scale of %g: want 0.9 to 1.1", s.SubstrateScale)
	case s.Fault != "" && !s.Fault.Fits(s.View):
		return fmt.Errorf("the fault %s can't befall this view", s.Fault)
	}
	if err := s.checkNumbers(); err != nil {
		return err
	}
	if err := s.Scope.Check(); err != nil {
		return err
	}
	if err := Shows(p, s.View); err != nil {
		return err
	}
	for _, m := range s.Marks {
		if p.Marks == nil || !hasPlace(p.Marks.At, m.Name) {
			return fmt.Errorf("part %s has no mark %s", p.Name, m.Name)
		}
	}
	return s.checkSites()
}

// checkNumbers finds what would draw nothing sensible, or draw for ever.
func (s *Scene) checkNumbers() error {
	for _, c := range []struct {
		what       string
		value, top float64
	}{
		{"a fixture shift along x, µm,", s.FixtureXUm, 1e5}, {"a fixture shift along y, µm,", s.FixtureYUm, 1e5}, {"a fixture turn, degrees,", s.FixtureDeg, 360},
		{"an offset along X, µm,", s.OffsetXUm, 1e5}, {"an offset along Y, µm,", s.OffsetYUm, 1e5}, {"a rotation, degrees,", s.ThetaDeg, 360},
		{"read noise", s.Optics.ReadNoise, 1}, {"shot noise", s.Optics.ShotNoise, 1}, {"texture", s.Look.Texture, 5},
		{"roughness, µm,", s.Die.RoughUm, 500}, {"a broken corner, µm,", s.Die.CornerUm, 1e4}, {"a count of chips", float64(s.Die.Chips), 1e4},
		{"a count of glare", float64(s.Dirt.Glare), 1e4}, {"a count of streaks", float64(s.Dirt.Streaks), 1e4}, {"a count of dust", float64(s.Dirt.Dust), 1e4},
		{"a count of fibres", float64(s.Dirt.Fibres), 1e4}, {"a count of components", float64(s.Dirt.Components), 1e4}, {"a count of traces", float64(s.Dirt.Traces), 1e4},
	} {
		if !(math.Abs(c.value) <= c.top) { // true for what is no number, too
			return fmt.Errorf("%s of %g: want at most %g", c.what, c.value, c.top)
		}
	}
	return nil
}

// checkSites finds sites that the view does not show.
func (s *Scene) checkSites() error {
	if len(s.Array.Sites) == 0 {
		return nil
	}
	if s.View != reading.ColumnPlan && s.View != reading.BallPlan && s.View != reading.ColumnSide {
		return fmt.Errorf("this view shows no sites, so that %s can't be changed", s.Array.Sites[0].Site)
	}
	have := map[string]bool{"": true} // bridged to nothing
	for _, name := range s.knownSites() {
		have[name] = true
	}
	for _, state := range s.Array.Sites {
		for _, name := range [2]string{cmp.Or(state.Site, `""`), state.BridgedTo} {
			if !have[name] {
				return fmt.Errorf("part %s has no site %s in this view", s.Part.Name, name)
			}
		}
	}
	return nil
}

func hasPlace(places []part.Place, name string) bool {
	for _, p := range places {
		if p.Name == name {
			return true
		}
	}
	return false
}

// Shows returns an error that says what a part lacks for a view, nil when it can be drawn.
func Shows(p *part.Part, v reading.View) error {
	lacks := func(what string) error { return fmt.Errorf("part %s has no %s to show", p.Name, what) }
	switch v {
	case reading.DiePlan, reading.DieIR:
		switch {
		case p.Die == nil:
			return lacks("die")
		case p.Marks == nil:
			return lacks("marks")
		case v == reading.DieIR && p.Die.Marks == nil:
			return lacks("marks on the die")
		}
	case reading.CapPlan:
		if p.Cap == nil {
			return lacks("cap")
		}
	case reading.ColumnPlan, reading.ColumnSide:
		if p.Array == nil || p.Array.Kind != "columns" {
			return lacks("columns")
		}
		if p.Array.HeightMm <= 0 {
			return lacks("column height")
		}
	case reading.BallPlan:
		if p.Array == nil || p.Array.Kind != "balls" {
			return lacks("balls")
		}
	default:
		return fmt.Errorf("no view is named %q", v)
	}
	return nil
}

// Size returns how large a picture of a view must be, px, so that a sample lying up to half a
// millimetre off and turned by up to 3° is all in it.
func Size(p *part.Part, v reading.View, umPerPx float64) (widthPx, heightPx int) {
	w, h := extentMm(p, v)
	up := func(mm float64) int { return min(max(int(math.Ceil(mm*1000/umPerPx/64))*64, 64), 1<<14) }
	return up(w), up(h)
}

// FittingScale returns the µm per px at which a picture of a given width shows all of a view.
func FittingScale(p *part.Part, v reading.View, widthPx int) float64 {
	w, _ := extentMm(p, v)
	return math.Round(w*1e6/float64(widthPx)) / 1000
}

// extentMm returns the size of what a view shows, with room to lie askew.
func extentMm(p *part.Part, v reading.View) (w, h float64) {
	const shift, turn = 0.5, 0.052 // mm per axis; rad
	switch v {
	case reading.ColumnSide:
		tall := cmp.Or(p.Array.HeightMm, 2) * 2.35
		return p.Substrate.WidthMm*1.01 + 2*shift, tall
	case reading.DiePlan, reading.DieIR:
		half := p.Marks.SizeMm() / 2
		for _, m := range p.Marks.At {
			w, h = max(w, math.Abs(m.XMm)+half), max(h, math.Abs(m.YMm)+half)
		}
		w, h = max(w, p.Die.WidthMm/2+math.Abs(p.Die.XMm)), max(h, p.Die.HeightMm/2+math.Abs(p.Die.YMm))
		if o := p.Orientation; o.By == "disc" {
			w, h = max(w, math.Abs(o.XMm)+o.DiameterMm/2), max(h, math.Abs(o.YMm)+o.DiameterMm/2)
		}
	default:
		w, h = p.Substrate.WidthMm/2, p.Substrate.HeightMm/2
	}
	side := 2 * (max(w, h)*(1+turn) + shift)
	return side, side
}

// defaults fills in the levels that a look leaves out.
func (l *Look) defaults(v reading.View) {
	d := map[reading.View]Look{
		reading.DiePlan:    {Outside: 0.05, Substrate: 0.45, Mark: 0.68, Die: 0.12, Pad: 0.8},
		reading.DieIR:      {Outside: 0.05, Substrate: 0.48, Mark: 0.62, Die: 0.41},
		reading.CapPlan:    {Outside: 0.05, Substrate: 0.62, Mark: 0.8, Die: 0.56, Flank: 0.18},
		reading.ColumnPlan: {Outside: 0.05, Substrate: 0.3, Mark: 0.6, Tip: 0.75, Pad: 0.4, Flank: 0.14},
		reading.BallPlan:   {Outside: 0.03, Substrate: 0.12, Mark: 0.35, Tip: 0.3, Pad: 0.42},
		reading.ColumnSide: {Outside: 0.8, Substrate: 0.1},
	}[v]
	l.Outside, l.Substrate, l.Mark = cmp.Or(l.Outside, d.Outside), cmp.Or(l.Substrate, d.Substrate), cmp.Or(l.Mark, d.Mark)
	l.Die, l.Tip, l.Pad, l.Flank = cmp.Or(l.Die, d.Die), cmp.Or(l.Tip, d.Tip), cmp.Or(l.Pad, d.Pad), cmp.Or(l.Flank, d.Flank)
}
