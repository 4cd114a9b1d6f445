package main

import (
	"fmt"
	"math/rand/v2"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/synth"
)

// A kind is one thing that can be the matter with a picture.
type kind struct {
	name string
	// gates are the refusals that send the technician to what is wrong; none where the picture
	// can be measured right.
	gates []string
	// either says that a right measurement will do as well as such a refusal.
	either bool
	// rejects says that a sample measured and rejected will do as well, for whatever reason.
	rejects bool
	do      func(*scene, *rand.Rand) error
}

// another are the refusals that ask whether this is the right part.
var another = []string{"other-part", "die-size", "die-edges", "no-die"}

// kinds lists what is tried of a view, each as often as the others.
func kinds(v reading.View) []kind {
	all := []kind{{name: "nothing", do: func(*scene, *rand.Rand) error { return nil }}}
	for _, t := range synth.Torments(v) {
		all = append(all, tormented(v, t))
	}
	for _, f := range synth.Faults {
		if !f.Fits(v) || f == synth.NoDie { // no die is a torment already
			continue
		}
		gates := []string{string(f)}
		if f == synth.MarkOut {
			gates = append(gates, "field")
		}
		all = append(all, kind{name: string(f), gates: gates, do: func(s *scene, _ *rand.Rand) error {
			s.Fault = f
			return nil
		}})
	}
	switch v {
	case reading.DieIR:
		return append(all, infraredKinds()...)
	case reading.CapPlan:
		return append(all, capKinds()...)
	}
	return append(all, dieKinds()...)
}

// tormented returns what a torment of package synth asks of a measurement.
func tormented(v reading.View, t synth.Torment) kind {
	k := kind{name: t.Name, do: func(s *scene, rng *rand.Rand) error { return synth.ApplyTorment(s.Scene, t.Name, rng) }}
	switch {
	case t.Name == "die upside down", t.Name == "die turned by 90°": // a square one looks the same either way
		k.gates, k.either = append([]string{"wrong-way-round"}, another...), true
		if v == reading.DiePlan {
			k.gates = another
		}
	case t.Name == "strong fringes": // where they cross the marks nobody can tell
		k.gates, k.either = []string{"die-marks-hidden"}, true
	case t.Name == "no die":
		k.gates = []string{"no-die", "empty-fixture"}
	case t.Name == "no cap":
		k.gates = []string{"no-cap", "empty-fixture"}
	case t.Reason != "" && v == reading.CapPlan:
		k.gates = anotherCap
	case t.Reason != "":
		k.gates = another
	}
	// The upper one is measured, which lies beyond the limits.
	k.rejects = t.Name == "two dies" || t.Name == "two caps"
	return k
}

func dieKinds() []kind {
	var all []kind
	for _, quarter := range []float64{90, 180, 270} {
		all = append(all, turned(quarter))
	}
	return append(all,
		fixtureFarOff,
		twoMarksMissing,
		kind{name: "die a little too large", gates: another, do: func(s *scene, rng *rand.Rand) error {
			s.Die.SizeXUm, s.Die.SizeYUm = 40+160*rng.Float64(), 40+160*rng.Float64()
			return nil
		}},
		otherMarks,
		kind{name: "wrong part: other die", gates: another, do: func(s *scene, rng *rand.Rand) error {
			s.measuredAs = copyOf(s.Part)
			s.measuredAs.Die.WidthMm *= 0.85 + 0.1*rng.Float64()
			s.measuredAs.Die.HeightMm *= 0.85 + 0.1*rng.Float64()
			s.measuredAs.Die.Bumps = nil
			return nil
		}},
	)
}

func turned(quarter float64) kind {
	return kind{
		name: fmt.Sprintf("sample turned by %g°", quarter), gates: []string{"wrong-way-round"},
		do: func(s *scene, _ *rand.Rand) error {
			s.FixtureDeg += quarter
			return nil
		},
	}
}

var fixtureFarOff = kind{name: "fixture far off", do: func(s *scene, rng *rand.Rand) error {
	s.FixtureDeg = 4.9 * (2*rng.Float64() - 1)
	return nil
}}

var twoMarksMissing = kind{name: "two marks missing", do: func(s *scene, rng *rand.Rand) error {
	for _, i := range rng.Perm(len(s.Part.Marks.At))[:len(s.Part.Marks.At)-2] {
		s.Marks = append(s.Marks, synth.MarkState{Name: s.Part.Marks.At[i].Name, Absent: true})
	}
	return nil
}}

var otherMarks = kind{name: "wrong part: other marks", gates: []string{"other-part", "scale", "fiducials-hidden"}, do: func(s *scene, rng *rand.Rand) error {
	s.measuredAs = copyOf(s.Part)
	stretch(s.measuredAs.Marks, rng)
	return nil
}}

// stretch moves marks apart or together by more than any substrate shrinks.
func stretch(m *part.Marks, rng *rand.Rand) {
	grow := 1 + (0.015+0.065*rng.Float64())*float64(2*rng.IntN(2)-1)
	for i := range m.At {
		m.At[i].XMm *= grow
		m.At[i].YMm *= grow
	}
}

// anotherInIR are the refusals that ask, of a die seen through its silicon, whether it is the right one.
var anotherInIR = []string{"other-part", "no-die", "die-marks-hidden"}

func infraredKinds() []kind {
	quarter := turned(90)
	quarter.do = func(s *scene, rng *rand.Rand) error {
		// Marks that look the same after half a turn tell quarters alone.
		s.FixtureDeg += float64(90 + 180*rng.IntN(2))
		return nil
	}
	return []kind{
		quarter, fixtureFarOff, twoMarksMissing, otherMarks,
		{name: "wrong part: other marks of the die", gates: anotherInIR, do: func(s *scene, rng *rand.Rand) error {
			s.measuredAs = copyOf(s.Part)
			stretch(s.measuredAs.Die.Marks, rng)
			return nil
		}},
		{name: "die far off", do: func(s *scene, rng *rand.Rand) error {
			s.OffsetXUm, s.OffsetYUm, s.ThetaDeg = 150*(2*rng.Float64()-1), 150*(2*rng.Float64()-1), 0.8*(2*rng.Float64()-1)
			return nil
		}},
	}
}

// anotherCap are the refusals that ask whether this is the right cap.
var anotherCap = []string{"other-part", "no-cap", "cap-edges"}

// datumOut are the refusals of a picture that doesn't show all of the cap's datum.
var datumOut = []string{"outline-out", "fiducial-out"}

func capKinds() []kind {
	return []kind{
		fixtureFarOff,
		{name: "cap far off", do: func(s *scene, rng *rand.Rand) error {
			s.OffsetXUm, s.OffsetYUm, s.ThetaDeg = 350*(2*rng.Float64()-1), 350*(2*rng.Float64()-1), 1.5*(2*rng.Float64()-1)
			return nil
		}},
		{name: "datum out of the picture", gates: datumOut, do: func(s *scene, rng *rand.Rand) error {
			reach := 500 * s.Part.Substrate.WidthMm // half the picture is a little more
			if s.Part.Cap.Datum == "marks" {
				reach = 1000 * s.Part.Marks.At[1].XMm
			}
			half := float64(s.WidthPx) / 2 * s.Scope.UmPerPxX
			s.FixtureXUm = (half - reach + 700 + 600*rng.Float64()) * float64(2*rng.IntN(2)-1)
			return nil
		}},
		{name: "wrong part: other cap", gates: anotherCap, do: func(s *scene, rng *rand.Rand) error {
			s.measuredAs = copyOf(s.Part)
			s.measuredAs.Cap.WidthMm *= 0.88 + 0.1*rng.Float64()
			s.measuredAs.Cap.HeightMm *= 0.88 + 0.1*rng.Float64()
			return nil
		}},
		{name: "wrong part: other substrate", gates: []string{"other-part", "scale", "outline-hidden", "outline-out", "fiducials-hidden"}, do: func(s *scene, rng *rand.Rand) error {
			s.measuredAs = copyOf(s.Part)
			grow := 1 + (0.02+0.06*rng.Float64())*float64(2*rng.IntN(2)-1)
			s.measuredAs.Substrate.WidthMm *= grow
			s.measuredAs.Substrate.HeightMm *= grow
			if s.measuredAs.Marks != nil {
				for i := range s.measuredAs.Marks.At {
					s.measuredAs.Marks.At[i].XMm *= grow
					s.measuredAs.Marks.At[i].YMm *= grow
				}
			}
			return nil
		}},
	}
}
