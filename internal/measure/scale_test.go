package measure_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

// A scope file of another magnification is refused with that reason; ceramic that shrank too much
// under the right scope is measured and rejected for it. tern allows 0.6 %.
func TestScaleThatContradictsTheMarks(t *testing.T) {
	p := tern(t)
	sc := &scope.Scope{Name: "bench", UmPerPxX: 12, UmPerPxY: 12, Camera: scope.Telecentric}
	for _, tt := range []struct {
		name         string
		file, shrunk float64 // scale in the file over the true one; the substrate's
		gate         string
		gotPercent   float64
		decision     reading.Decision
	}{
		{"a tenth off", 0.9, 1, "scale", -10, reading.Retake},
		{"two percent off", 1.021, 1, "scale", 2.1, reading.Retake},
		{"nearly right", 1.009, 1, "scale", 0.9, reading.Retake},
		{"right, and the ceramic as well", 1, 0.996, "", 0, reading.Accept},
		{"ceramic beyond its limit", 1, 0.988, "", 0, reading.Reject},
	} {
		t.Run(tt.name, func(t *testing.T) {
			g, _, err := synth.Draw(&synth.Scene{Part: p, Scope: sc, View: reading.DiePlan, SubstrateScale: tt.shrunk, Optics: synth.Optics{ReadNoise: 0.003}}, rand.New(rand.NewPCG(5, 6)))
			if err != nil {
				t.Fatal(err)
			}
			file := *sc
			file.UmPerPxX *= tt.file
			file.UmPerPxY *= tt.file
			r, err := measure.Shot(g, measure.Job{Part: p, Scope: &file, Shot: reading.Shot{View: reading.DiePlan}})
			if err != nil {
				t.Fatal(err)
			}
			if r.Verdict.Decision != tt.decision {
				t.Errorf("got %s %+v %v", r.Verdict.Decision, r.Verdict.Reasons, r.Refusal)
			}
			if tt.gate != "" && (r.Refusal == nil || r.Refusal.Gate != tt.gate || math.Abs(r.Refusal.Got-tt.gotPercent) > 0.2) {
				t.Errorf("got refusal %+v, want %s of %g %%", r.Refusal, tt.gate, tt.gotPercent)
			}
			if tt.decision == reading.Reject && (len(r.Verdict.Reasons) == 0 || r.Verdict.Reasons[0].What != "shrink_percent") {
				t.Errorf("got reasons %+v", r.Verdict.Reasons)
			}
		})
	}
}
