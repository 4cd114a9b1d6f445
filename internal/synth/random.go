package synth

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"time"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// RandomScope returns a scope that shows all of a view in a picture about widthPx wide: one in
// three with an ordinary lens, half of them with some distortion.
func RandomScope(name string, p *part.Part, v reading.View, widthPx int, rng *rand.Rand) *scope.Scope {
	um := FittingScale(p, v, widthPx) * (1 + 0.01*rng.Float64())
	s := &scope.Scope{
		Name: name, UmPerPxX: um, UmPerPxY: um * (1 + 0.0005*rng.NormFloat64()), Camera: scope.Telecentric, UScalePercent: 0.002,
		Calibrated: time.Date(2031, 1, 15, 0, 0, 0, 0, time.UTC), Expires: time.Date(2032, 1, 15, 0, 0, 0, 0, time.UTC),
	}
	if rng.IntN(3) == 0 && v != reading.ColumnSide {
		s.Camera, s.WorkingDistanceMm = scope.Perspective, 95+105*rng.Float64()
	}
	if rng.IntN(2) == 0 {
		s.K1 = 0.012 * (rng.Float64() - 0.5)
	}
	return s
}

// Random returns a scene as a line gives them: a sample a little askew and a little off, real
// surfaces, some dirt, usual noise. All of it can be measured.
func Random(p *part.Part, sc *scope.Scope, v reading.View, rng *rand.Rand) *Scene {
	within := func(a float64) float64 { return a * (2*rng.Float64() - 1) }
	s := &Scene{
		Part: p, Scope: sc, View: v,
		FixtureXUm: within(400), FixtureYUm: within(400), FixtureDeg: within(2.8),
		OffsetXUm: 25 * rng.NormFloat64(), OffsetYUm: 25 * rng.NormFloat64(), ThetaDeg: 0.12 * rng.NormFloat64(),
		Optics: Optics{
			BlurPx: 0.7 + 1.1*rng.Float64(), ReadNoise: 0.001 + 0.002*rng.Float64(), ShotNoise: 0.003 + 0.006*rng.Float64(),
			SlopeX: within(0.12), SlopeY: within(0.12), Vignette: 0.1 * rng.Float64(), BlackLevel: 0.012,
		},
		Look: Look{Texture: 0.5 + rng.Float64()/2},
		Dirt: Dirt{Dust: rng.IntN(12), Fibres: rng.IntN(3)},
	}
	if rng.IntN(3) == 0 {
		s.SubstrateScale = 1 + 0.002*rng.NormFloat64()
	}
	switch v {
	case reading.DiePlan:
		s.randomDie(rng)
	case reading.DieIR:
		s.Dirt.Traces, s.Dirt.Fringes = rng.IntN(20), 0.06*rng.Float64()
		s.OffsetXUm, s.OffsetYUm = s.OffsetXUm/2, s.OffsetYUm/2
	case reading.CapPlan:
		s.OffsetXUm, s.OffsetYUm = 4*s.OffsetXUm, 4*s.OffsetYUm
		s.Die.Chips, s.Die.ChipUm = rng.IntN(4), 80
		s.Dirt.Components, s.Dirt.Residue, s.Dirt.FluxRim = rng.IntN(16), rng.IntN(20), rng.IntN(2) == 0
	case reading.ColumnPlan, reading.BallPlan:
		s.OffsetXUm, s.OffsetYUm, s.ThetaDeg = s.OffsetXUm/2, s.OffsetYUm/2, s.ThetaDeg/6
		s.randomArray(rng)
	case reading.ColumnSide:
		s.FixtureYUm = -0.35*p.Array.HeightMm*1000 + within(150)
		s.FixtureDeg /= 4
		s.OffsetXUm, s.OffsetYUm, s.ThetaDeg, s.Look.Texture = s.OffsetXUm/2, 0, 0, 0
		s.Dirt = Dirt{Dust: rng.IntN(3)}
		s.randomArray(rng)
	}
	return s
}

func (s *Scene) randomDie(rng *rand.Rand) {
	s.Die = DieState{Chips: max(rng.IntN(14)-5, 0), RoughUm: 0.5 + 1.5*rng.Float64(), SizeXUm: 3 * rng.NormFloat64(), SizeYUm: 3 * rng.NormFloat64()}
	s.Dirt.Components, s.Dirt.Traces, s.Dirt.FluxRim = rng.IntN(18), rng.IntN(40), rng.IntN(2) == 0
	if rng.IntN(4) == 0 {
		s.Dirt.FluxOverMarks = 1
	}
	switch rng.IntN(4) {
	case 0: // gold that looks darker than the ceramic under a ring light
		s.Look.Substrate, s.Look.Mark, s.Look.Die = 0.6, 0.42, 0.1+0.1*rng.Float64()
	case 1: // dark glass-ceramic
		s.Look.Substrate, s.Look.Mark, s.Look.Die = 0.14, 0.55, 0.05
		s.Dirt.ContactShadow = 0.4 * rng.Float64()
	case 2: // a polished die that mirrors the lamp
		s.Look.Substrate, s.Look.Mark, s.Look.Die = 0.14, 0.55, 0.35+0.15*rng.Float64()
	default:
		s.Look.Substrate, s.Look.Mark, s.Look.Die = 0.4+0.15*rng.Float64(), 0.7, 0.08+0.1*rng.Float64()
	}
}

// randomArray spreads an array as healthy ones are and spoils a few sites in most pictures.
func (s *Scene) randomArray(rng *rand.Rand) {
	balls := s.View == reading.BallPlan
	a := &s.Array
	a.PlaceUm, a.DiameterUm, a.Shadow = 8, 0, 0.5+0.4*rng.Float64()
	if balls {
		a.PlaceUm, a.DiameterUm, a.Debris = 12, 15, rng.IntN(4)
	} else {
		a.TiltDeg, a.HeightUm = 0.25, 12
		a.Oblique, a.LightAzimuthDeg, a.Debris = rng.IntN(2) == 0, 360*rng.Float64(), rng.IntN(6)
		if rng.IntN(3) == 0 {
			a.LeanDeg, a.LeanAzimuthDeg = 0.8*rng.Float64(), 360*rng.Float64()
		}
	}
	names := s.siteNames()
	rng.Shuffle(len(names), func(i, j int) { names[i], names[j] = names[j], names[i] })
	n := min(rng.IntN(9), len(names)/5)
	used := map[string]bool{}
	for _, name := range names[:n] {
		state := s.randomSite(name, rng)
		if used[name] || used[state.BridgedTo] {
			continue
		}
		used[name] = true
		if state.BridgedTo != "" {
			used[state.BridgedTo] = true
		}
		a.Sites = append(a.Sites, state)
	}
}

// knownSites returns the sites that a scene may say something of: those in view, and of a sample
// that several pictures show all the others.
func (s *Scene) knownSites() []string {
	if s.Array.Seed == 0 {
		return s.siteNames()
	}
	all := *s
	all.View = reading.ColumnPlan
	return all.siteNames()
}

// siteNames returns the sites that the scene's view shows.
func (s *Scene) siteNames() []string {
	sites, err := s.Part.Array.Sites()
	if err != nil {
		return nil // Draw says what is wrong
	}
	span := spanOf(sites)
	var names []string
	for _, at := range sites {
		if s.View != reading.ColumnSide || s.facing(at.Row, at.Column, span) {
			names = append(names, at.Name)
		}
	}
	return names
}

func (s *Scene) randomSite(name string, rng *rand.Rand) SiteState {
	state := SiteState{Site: name}
	pitch := s.Part.Array.PitchMm * 1000
	kind := rng.IntN(6)
	switch {
	case kind < 3:
		state.Missing = true
	case s.View == reading.BallPlan && kind == 3:
		state.DiameterUm = -pitch * (0.08 + 0.1*rng.Float64())
	case s.View == reading.BallPlan && kind == 4:
		state.BridgedTo = s.neighbour(name)
	case kind == 5:
		angle := 2 * math.Pi * rng.Float64()
		state.XUm, state.YUm = 0.15*pitch*math.Cos(angle), 0.15*pitch*math.Sin(angle)
	case s.View == reading.BallPlan:
		state.Doubled = true
	case s.View == reading.ColumnSide:
		state.TiltDeg = 2 + 4*rng.Float64()
		if rng.IntN(2) == 0 {
			state.TiltDeg, state.BendUm = 0, 60+100*rng.Float64()
		}
	default:
		state.TiltDeg, state.AzimuthDeg = 2+5*rng.Float64(), 360*rng.Float64()
	}
	return state
}

// neighbour returns the site right of the one named, or left of it, or "".
func (s *Scene) neighbour(name string) string {
	row, column, err := part.ParseSite(name)
	if err != nil {
		return ""
	}
	for _, c := range [2]int{column + 1, column - 1} {
		to := part.SiteName(row, max(c, 1))
		for _, have := range s.siteNames() {
			if have == to && to != name {
				return to
			}
		}
	}
	return ""
}

const otherPart = "other-part" // the gate that refuses what is not the part

// A Torment is one way to make a picture hard to measure, or wrong to.
type Torment struct {
	Name   string
	Reason string // the gate that must refuse it; "": it can be measured right
	do     func(*Scene, *rand.Rand)
}

func (t *Torment) inflict(s *Scene, rng *rand.Rand) {
	t.do(s, rng)
	if t.Reason != "" {
		s.Refuse = t.Reason
	}
}

// Torments lists what a picture of a view may be plagued with beyond what [Random] gives.
func Torments(v reading.View) []Torment {
	all := []Torment{
		{"dead pixels", "", func(s *Scene, _ *rand.Rand) { s.Optics.DeadPixels = 40 }},
		{"fibres and dust", "", func(s *Scene, _ *rand.Rand) { s.Dirt.Dust, s.Dirt.Fibres = 60, 12 }},
		{"steep light", "", func(s *Scene, _ *rand.Rand) { s.Optics.SlopeX, s.Optics.SlopeY, s.Optics.Vignette = 0.35, -0.3, 0.3 }},
		{"much noise", "", func(s *Scene, _ *rand.Rand) { s.Optics.ReadNoise, s.Optics.ShotNoise = 0.012, 0.02 }},
	}
	if v == reading.DiePlan || v == reading.CapPlan {
		all = append(all, []Torment{
			{"glare across an edge", "", func(s *Scene, rng *rand.Rand) { s.Dirt.Glare = 1 + rng.IntN(2) }},
			{"streak across an edge", "", func(s *Scene, rng *rand.Rand) { s.Dirt.Streaks = 1 + rng.IntN(3) }},
			{"scratch along an edge", "", func(s *Scene, rng *rand.Rand) { s.Dirt.Scratches = 1 + rng.IntN(3) }},
		}...)
	}
	switch v {
	case reading.DiePlan:
		all = append(all, []Torment{
			{"many chips", "", func(s *Scene, _ *rand.Rand) { s.Die.Chips, s.Die.ChipUm = 20, 70 }},
			{"chipped corner", "", func(s *Scene, rng *rand.Rand) { s.Die.CornerUm = 200 + 500*rng.Float64() }},
			{"capacitor rows", "", func(s *Scene, _ *rand.Rand) { s.Dirt.Components, s.Dirt.Traces = 60, 80 }},
			{"flux over marks", "", func(s *Scene, _ *rand.Rand) { s.Dirt.FluxOverMarks, s.Dirt.FluxRim = 2, true }},
			{"mark missing", "", func(s *Scene, rng *rand.Rand) { s.Marks = []MarkState{{Name: s.anyMark(rng), Absent: true}} }},
			{"mark half covered", "", func(s *Scene, rng *rand.Rand) { s.Marks = []MarkState{{Name: s.anyMark(rng), Cover: 0.5}} }},
			{"die upside down", "", func(s *Scene, _ *rand.Rand) { s.Die.UpsideDown = true }},
			{"die turned by 90°", "", func(s *Scene, _ *rand.Rand) {
				s.Die.QuarterTurned = true
				if d := s.Part.Die; d.WidthMm != d.HeightMm { // a square die looks the same either way
					s.Refuse = otherPart
				}
			}},
			{"wrong die size", otherPart, func(s *Scene, _ *rand.Rand) {
				s.Die.SizeXUm, s.Die.SizeYUm = -0.12*s.Part.Die.WidthMm*1000, -0.08*s.Part.Die.HeightMm*1000
			}},
			{"two dies", otherPart, func(s *Scene, rng *rand.Rand) {
				s.Die.Second = &SecondDie{300 + 600*rng.Float64(), 400 * rng.NormFloat64(), 3 * rng.NormFloat64()}
			}},
			{"no die", string(NoDie), func(s *Scene, _ *rand.Rand) { s.Fault = NoDie }},
		}...)
	case reading.DieIR:
		all = append(all, []Torment{
			{"strong fringes", "", func(s *Scene, _ *rand.Rand) { s.Dirt.Fringes = 0.12 }},
			{"many traces", "", func(s *Scene, _ *rand.Rand) { s.Dirt.Traces = 60 }},
			{"mark missing", "", func(s *Scene, rng *rand.Rand) { s.Marks = []MarkState{{Name: s.anyMark(rng), Absent: true}} }},
			{"mark half covered", "", func(s *Scene, rng *rand.Rand) { s.Marks = []MarkState{{Name: s.anyMark(rng), Cover: 0.5}} }},
			{"no die", string(NoDie), func(s *Scene, _ *rand.Rand) { s.Fault = NoDie }},
		}...)
	case reading.CapPlan:
		all = append(all, []Torment{
			{"nicked edges", "", func(s *Scene, _ *rand.Rand) { s.Die.Chips, s.Die.ChipUm = 12, 120 }},
			{"much residue", "", func(s *Scene, _ *rand.Rand) { s.Dirt.Residue, s.Dirt.FluxRim = 60, true }},
			{"capacitor rows", "", func(s *Scene, _ *rand.Rand) { s.Dirt.Components, s.Dirt.Traces = 60, 80 }},
			{"wrong cap size", otherPart, func(s *Scene, _ *rand.Rand) {
				s.Die.SizeXUm, s.Die.SizeYUm = -0.06*s.Part.Cap.WidthMm*1000, -0.04*s.Part.Cap.HeightMm*1000
			}},
			{"two caps", otherPart, func(s *Scene, rng *rand.Rand) {
				s.Die.Second = &SecondDie{600 + 600*rng.Float64(), 500 * rng.NormFloat64(), 2 * rng.NormFloat64()}
			}},
			{"no cap", string(NoDie), func(s *Scene, _ *rand.Rand) { s.Fault = NoDie }},
		}...)
	case reading.ColumnPlan:
		all = append(all, []Torment{
			{"shadowed tips", "", func(s *Scene, rng *rand.Rand) {
				s.sprinkle(rng, 12, func(st *SiteState) { st.Shadowed = true })
			}},
			{"bare pads like tips", "", func(s *Scene, rng *rand.Rand) {
				s.sprinkle(rng, 6, func(st *SiteState) { st.Missing, st.Pad = true, 0.7 })
			}},
			{"much debris", "", func(s *Scene, _ *rand.Rand) { s.Array.Debris = 40 }},
			{"steep leans", "", func(s *Scene, rng *rand.Rand) {
				s.sprinkle(rng, 8, func(st *SiteState) { st.TiltDeg, st.AzimuthDeg = 5+5*rng.Float64(), 360*rng.Float64() })
			}},
		}...)
	case reading.BallPlan:
		all = append(all, Torment{"many missing", "", func(s *Scene, rng *rand.Rand) {
			s.sprinkle(rng, 20, func(st *SiteState) { st.Missing = true })
		}})
	}
	return all
}

// Torture returns a random scene plagued with one or two torments. With probability faults it
// has a [Fault] instead. It says what was done to it; the truth's reason is set where the
// picture must be refused.
func Torture(p *part.Part, sc *scope.Scope, v reading.View, faults float64, rng *rand.Rand) (*Scene, []string) {
	s := Random(p, sc, v, rng)
	if rng.Float64() < faults {
		var fit []Fault
		for _, f := range Faults {
			if f.Fits(v) {
				fit = append(fit, f)
			}
		}
		s.Fault = fit[rng.IntN(len(fit))]
		return s, []string{string(s.Fault)}
	}
	all := Torments(v)
	var names []string
	for _, i := range rng.Perm(len(all))[:1+rng.IntN(2)] {
		if t := all[i]; s.Refuse == "" && s.Fault == "" {
			t.inflict(s, rng)
			names = append(names, t.Name)
		}
	}
	return s, names
}

func (s *Scene) anyMark(rng *rand.Rand) string {
	return s.Part.Marks.At[rng.IntN(len(s.Part.Marks.At))].Name
}

// sprinkle changes n sites that nothing is the matter with yet.
func (s *Scene) sprinkle(rng *rand.Rand, n int, change func(*SiteState)) {
	taken := map[string]bool{}
	for _, state := range s.Array.Sites {
		taken[state.Site], taken[state.BridgedTo] = true, true
	}
	names := s.siteNames()
	for _, i := range rng.Perm(len(names)) {
		if n == 0 {
			return
		}
		if taken[names[i]] {
			continue
		}
		state := SiteState{Site: names[i]}
		change(&state)
		s.Array.Sites = append(s.Array.Sites, state)
		n--
	}
}

// ApplyTorment plagues a scene with the named torment. The error lists those of its view.
func ApplyTorment(s *Scene, name string, rng *rand.Rand) error {
	var known []string
	for _, t := range Torments(s.View) {
		if t.Name == name {
			t.inflict(s, rng)
			return nil
		}
		known = append(known, t.Name)
	}
	return fmt.Errorf("no torment of %s is named %q; there are %s", s.View, name, strings.Join(known, ", "))
}
