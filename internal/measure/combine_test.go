package measure_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

// smallArray is a part with few columns on a substrate that isn't square.
func smallArray() *part.Part {
	return &part.Part{Name: "small", Hash: "h", Substrate: part.Substrate{WidthMm: 11.5, HeightMm: 9.5, ThicknessMm: 2},
		Array:  &part.Array{Kind: "columns", Rows: 8, Columns: 10, PitchMm: 1, DiameterMm: 0.51, HeightMm: 2.2, PadMm: 0.8, Datum: "outline"},
		Limits: part.Limits{TiltDeg: 2, TipUm: 150}}
}

// A pose is one shot of a sample.
type pose struct {
	view  reading.View
	turn  float64
	focus reading.Focus
}

// shoot draws the poses of one sample, whose axis of the scope leans from above, and measures them.
func shoot(t *testing.T, p *part.Part, array synth.ArrayState, cameraXDeg, cameraYDeg float64, poses ...pose) ([]*reading.Reading, []measure.Job, []*synth.Truth) {
	t.Helper()
	var rs []*reading.Reading
	var jobs []measure.Job
	var truths []*synth.Truth
	for i, q := range poses {
		um := 9.0
		if q.view == reading.ColumnSide {
			um = 6
		}
		sc := &scope.Scope{Name: string(q.view), Hash: string(q.view), UmPerPxX: um, UmPerPxY: um, Camera: scope.Telecentric}
		s := &synth.Scene{Part: p, Scope: sc, View: q.view, TurnDeg: q.turn, FixtureXUm: 60, FixtureYUm: -40, FixtureDeg: 0.4,
			SubstrateScale: 0.998, Array: array, Optics: synth.Optics{BlurPx: 1, ReadNoise: 0.003, ShotNoise: 0.004, Focus: q.focus, DefocusPx: 1.2}}
		if q.view == reading.ColumnSide {
			s.FixtureYUm, s.FixtureDeg = -770, 0.1
		} else {
			s.Optics.TiltXDeg, s.Optics.TiltYDeg = cameraXDeg, cameraYDeg
		}
		g, truth, err := synth.Draw(s, rand.New(rand.NewPCG(uint64(i), 5)))
		if err != nil {
			t.Fatal(err)
		}
		j := measure.Job{Picture: string(q.view) + string(q.focus), SHA256: "s", Part: p, Scope: sc, Shot: reading.Shot{View: q.view, TurnDeg: q.turn, Focus: q.focus, Lot: "L", Sample: "1"}}
		r, err := measure.Shot(g, j)
		if err != nil {
			t.Fatal(err)
		}
		if r.Refusal != nil {
			t.Fatalf("%s %g°: %v", q.view, q.turn, r.Refusal)
		}
		rs, jobs, truths = append(rs, r), append(jobs, j), append(truths, truth)
	}
	return rs, jobs, truths
}

func tangentsOf(tiltDeg, azimuthDeg float64) (x, y float64) {
	s, c := math.Sincos(azimuthDeg * math.Pi / 180)
	t := math.Tan(tiltDeg * math.Pi / 180)
	return t * c * 180 / math.Pi, t * s * 180 / math.Pi
}

// Truth from a model: a sample shot from above at both focuses and from two sides. Columns of the
// two rows that the sides show get their lean along the row from there, which is several times
// better than the plan; every other value names the plan it came from.
func TestCombine(t *testing.T) {
	p := smallArray()
	array := synth.ArrayState{Seed: 3, PlaceUm: 8, TiltDeg: 0.3, HeightUm: 10, Sites: []synth.SiteState{
		{Site: "C4", Missing: true}, {Site: "A1", Missing: true}, {Site: "H5", TiltDeg: 3, AzimuthDeg: 20}, {Site: "D1", TiltDeg: 3, AzimuthDeg: 70}}}
	rs, jobs, truths := shoot(t, p, array, 0, 0, pose{reading.ColumnPlan, 0, reading.Tip}, pose{reading.ColumnPlan, 0, reading.Base},
		pose{reading.ColumnSide, 0, ""}, pose{reading.ColumnSide, 90, ""})
	r, err := measure.Combine(rs, jobs)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Looks) != 4 || r.Looks[0].Name != "plan tip focus" || r.Looks[3].Name != "side 90°" || len(r.Array.Sites) != 80 {
		t.Fatalf("%d sites of looks %+v", len(r.Array.Sites), r.Looks)
	}
	if r.Array.Missing != 2 || r.Verdict.Decision != reading.Reject || r.Array.Sources.Place == "" || len(r.Warnings) > 0 {
		t.Errorf("missing %d, verdict %s, warnings %q", r.Array.Missing, r.Verdict.Decision, r.Warnings)
	}
	if r.Array.CoplanarityUm <= 0 || !strings.HasPrefix(r.Array.Sources.Coplanarity, "side") {
		t.Errorf("coplanarity %g µm from %q", r.Array.CoplanarityUm, r.Array.Sources.Coplanarity)
	}
	for i, s := range r.Array.Sites {
		want := truths[0].Sites[i]
		if want.Site != s.Name {
			t.Fatalf("site %d is %s, want %s", i, s.Name, want.Site)
		}
		if want.State == "missing" {
			if s.State != reading.Missing {
				t.Errorf("%s is %s, want missing", s.Name, s.State)
			}
			continue
		}
		gx, gy := tangentsOf(s.TiltDeg, s.AzimuthDeg)
		wx, wy := tangentsOf(*want.TiltDeg, *want.AzimuthDeg)
		if s.Name[0] == 'H' && (s.Sources.LeanX != "side 0°" || math.Abs(gx-wx) > 0.06 || s.Silhouette == nil) {
			t.Errorf("%s leans %.3f° along X by %q, want %.3f° by side 0°", s.Name, gx, s.Sources.LeanX, wx)
		}
		if strings.HasSuffix(s.Name, "1") && (s.Sources.LeanY != "side 90°" || math.Abs(gy-wy) > 0.06) {
			t.Errorf("%s leans %.3f° along Y by %q, want %.3f° by side 90°", s.Name, gy, s.Sources.LeanY, wy)
		}
		if math.Hypot(gx-wx, gy-wy) > 0.8 || math.Hypot(s.DXUm-*want.DXUm, s.DYUm-*want.DYUm) > 4 {
			t.Errorf("%s: lean %.2f° %.2f°, want %.2f° %.2f°; tip %.1f %.1f, want %.1f %.1f µm", s.Name, gx, gy, wx, wy, s.DXUm, s.DYUm, *want.DXUm, *want.DYUm)
		}
	}
}

// Reversal: turned by 180°, the columns lean the other way in the picture and the camera does not.
func TestCombineTellsCameraFromLean(t *testing.T) {
	p := smallArray()
	array := synth.ArrayState{Seed: 4, TiltDeg: 0.1, LeanDeg: 0.6, LeanAzimuthDeg: 130}
	rs, jobs, truths := shoot(t, p, array, 0.5, -0.3, pose{reading.ColumnPlan, 0, ""}, pose{reading.ColumnPlan, 180, ""})
	r, err := measure.Combine(rs, jobs)
	if err != nil {
		t.Fatal(err)
	}
	c := r.Array.Camera
	if c == nil || math.Abs(c.XDeg-0.5) > 0.03 || math.Abs(c.YDeg+0.3) > 0.03 || !(c.UXDeg > 0 && c.UXDeg < 0.04) {
		t.Errorf("camera %+v, want 0.5° and -0.3°", c)
	}
	gx, gy := tangentsOf(r.Array.LeanDeg, r.Array.LeanAzimuthDeg)
	wx, wy := tangentsOf(0.6, 130)
	if math.Hypot(gx-wx, gy-wy) > 0.06 {
		t.Errorf("lean %.3f° %.3f°, want %.3f° %.3f°", gx, gy, wx, wy)
	}
	for i, s := range r.Array.Sites {
		want := truths[0].Sites[i]
		if math.Hypot(s.DXUm-*want.DXUm, s.DYUm-*want.DYUm) > 4 {
			t.Errorf("%s: tip %.1f %.1f, want %.1f %.1f µm", s.Name, s.DXUm, s.DYUm, *want.DXUm, *want.DYUm)
		}
	}
}

// From the left and right too the row is the one that faces the lens, along the drawing's axis.
func TestSideTurned(t *testing.T) {
	p := smallArray()
	array := synth.ArrayState{Seed: 5, TiltDeg: 0.4, PlaceUm: 8, Sites: []synth.SiteState{{Site: "C10", Missing: true}, {Site: "A6", BendUm: 70}}}
	for _, turn := range []float64{90, 180, 270} {
		rs, _, truths := shoot(t, p, array, 0, 0, pose{reading.ColumnSide, turn, ""})
		a := rs[0].Array
		want := map[string]synth.SiteTruth{}
		for _, s := range truths[0].Sites {
			want[s.Site] = s
		}
		if len(a.Sites) != len(want) {
			t.Fatalf("%g°: %d sites, want %d", turn, len(a.Sites), len(want))
		}
		for _, s := range a.Sites {
			w := want[s.Name]
			if w.State == "missing" {
				if s.State != reading.Missing {
					t.Errorf("%g°: %s is %s", turn, s.Name, s.State)
				}
				continue
			}
			got, of := s.DXUm, w.DXUm
			if turn != 180 {
				got, of = s.DYUm, w.DYUm
			}
			if of == nil || math.Abs(got-*of) > 3 || math.Abs(s.TiltDeg-*w.TiltDeg) > 0.1 || math.Abs(s.Silhouette.BendUm-*w.BendUm) > 4 {
				t.Errorf("%g°: %s: %.1f µm, tilt %.3f°, bend %.1f µm; want %+v", turn, s.Name, got, s.TiltDeg, s.Silhouette.BendUm, w)
			}
		}
	}
}

func TestCombineRefusals(t *testing.T) {
	p := smallArray()
	rs, jobs, _ := shoot(t, p, synth.ArrayState{Seed: 6}, 0, 0, pose{reading.ColumnSide, 0, ""}, pose{reading.ColumnSide, 90, ""})
	out := *rs[1]
	out.Array, out.Refusal = nil, &reading.Refusal{Gate: "outline-out", Instruction: "lower the sample"}
	r, err := measure.Combine([]*reading.Reading{rs[0], &out}, jobs)
	if err != nil {
		t.Fatal(err)
	}
	if r.Verdict.Decision != reading.Review || r.Looks[1].Unused == "" || r.Array.Present != 10 {
		t.Errorf("verdict %+v, looks %+v", r.Verdict, r.Looks)
	}
	if r, err = measure.Combine([]*reading.Reading{&out, &out}, jobs); err != nil || r.Refusal == nil {
		t.Errorf("none measured: %+v, %v", r, err)
	}
	other := jobs[1]
	other.Shot.Sample = "2"
	if _, err := measure.Combine(rs, []measure.Job{jobs[0], other}); err == nil {
		t.Error("shots of two samples combine")
	}
	// There in one, missing in the other: a corner that both sides show.
	gone := *rs[1]
	a := *gone.Array
	a.Sites = append([]reading.Site(nil), a.Sites...)
	for i := range a.Sites {
		if a.Sites[i].Name == "H1" {
			a.Sites[i] = reading.Site{Name: "H1", State: reading.Missing}
		}
	}
	gone.Array = &a
	r, err = measure.Combine([]*reading.Reading{rs[0], &gone}, jobs)
	if err != nil || r.Array.Missing != 1 || len(r.Warnings) != 1 || r.Verdict.Decision == reading.Accept {
		t.Errorf("missing %d, warnings %q, verdict %s, %v", r.Array.Missing, r.Warnings, r.Verdict.Decision, err)
	}
}
