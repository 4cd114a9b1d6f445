package measure_test

import (
	"encoding/json"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

// dipper is a small invented part that has all there is.
func dipper() *part.Part {
	return &part.Part{
		Name: "dipper", Hash: "p",
		Substrate: part.Substrate{WidthMm: 9, HeightMm: 8.4, ThicknessMm: 1},
		Marks: &part.Marks{Shape: part.Cross, LengthMm: 0.7, ArmWidthMm: 0.15, At: []part.Place{
			{Name: "F1", XMm: -2.7, YMm: 2.2}, {Name: "F2", XMm: 2.7, YMm: 2.2}, {Name: "F3", XMm: 2.7, YMm: -2.2}, {Name: "F4", XMm: -2.7, YMm: -2.2},
		}},
		Orientation: part.Orientation{By: "fixture"},
		Die: &part.Die{WidthMm: 3.2, HeightMm: 2.5, TopMm: 0.7, XMm: 0.15, YMm: -0.1,
			Bumps: &part.Bumps{Rows: 8, Columns: 10, PitchMm: 0.25}},
		Limits: part.Limits{OffsetXUm: 100, OffsetYUm: 100, ThetaDeg: 0.5, BumpUm: 125, SizeUm: 15, ShrinkPercent: 0.6},
	}
}

func flat() *scope.Scope {
	return &scope.Scope{
		Name: "flat", Hash: "s", UmPerPxX: 12, UmPerPxY: 12.02, Camera: scope.Telecentric,
		Expires: time.Date(2032, 1, 15, 0, 0, 0, 0, time.UTC),
	}
}

func day(y, m, d int) time.Time { return time.Date(y, time.Month(m), d, 8, 0, 0, 0, time.UTC) }

func scene() *synth.Scene {
	return &synth.Scene{
		Part: dipper(), Scope: flat(), View: reading.DiePlan, WidthPx: 680, HeightPx: 620,
		FixtureXUm: 130, FixtureDeg: -1.2, OffsetXUm: 20, OffsetYUm: -15, ThetaDeg: 0.1,
		Optics: synth.Optics{BlurPx: 1.1, ReadNoise: 0.002, ShotNoise: 0.005}, Look: synth.Look{Substrate: 0.45, Mark: 0.7, Die: 0.12, Texture: 0.5},
		Dirt: synth.Dirt{Components: 6, Traces: 12, Dust: 10}, Die: synth.DieState{Chips: 3, RoughUm: 1},
	}
}

func draw(t *testing.T, s *synth.Scene) *picture.Gray {
	t.Helper()
	g, _, err := synth.Draw(s, rand.New(rand.NewPCG(11, 12)))
	if err != nil {
		t.Fatal(err)
	}
	return g
}

func job(s *synth.Scene) measure.Job {
	return measure.Job{
		Picture: "a.png", SHA256: "abc", Part: s.Part, Scope: s.Scope, Program: "v1",
		Shot: reading.Shot{View: reading.DiePlan, Lot: "L1"}, Today: day(2031, 6, 1),
	}
}

func mustShoot(t *testing.T, g *picture.Gray, j measure.Job) *reading.Reading {
	t.Helper()
	r, err := measure.Shot(g, j)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func inJSON(t *testing.T, r *reading.Reading) string {
	t.Helper()
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// The same picture gives the same reading, bit for bit, on every run and beside seven others.
func TestSameBits(t *testing.T) {
	bare := scene()
	bare.Die.None = true
	for name, s := range map[string]*synth.Scene{"a die": scene(), "no die": bare} {
		g := draw(t, s)
		want := inJSON(t, mustShoot(t, g, job(s)))
		const together = 8
		got := make([]string, together)
		var wg sync.WaitGroup
		for i := range together {
			wg.Go(func() {
				if r, err := measure.Shot(g, job(s)); err == nil {
					b, _ := json.Marshal(r)
					got[i] = string(b)
				}
			})
		}
		wg.Wait()
		for i, b := range got {
			if b != want {
				t.Errorf("%s: run %d differs:\n%s\n%s", name, i, b, want)
			}
		}
	}
}

func TestReadingSaysWhereItComesFrom(t *testing.T) {
	s := scene()
	r := mustShoot(t, draw(t, s), job(s))
	if r.Verdict.Decision != reading.Accept || r.Refusal != nil {
		t.Fatalf("got %s %+v %v, want accept", r.Verdict.Decision, r.Verdict.Reasons, r.Refusal)
	}
	src := r.Source
	if src.Picture != "a.png" || src.SHA256 != "abc" || src.Part != "dipper" || src.PartHash != "p" || src.Scope != "flat" || src.ScopeHash != "s" ||
		src.Program != "v1" || src.OpenCV == "" || src.WidthPx != 680 || src.HeightPx != 620 || src.BitsPerPx != 8 || r.Shot.Lot != "L1" || r.Schema != reading.Schema {
		t.Errorf("got %+v %+v", src, r.Shot)
	}
	if r.Substrate == nil || len(r.Substrate.Marks) != 4 || r.Offset.Bump == nil || len(r.Offset.Edges) != 4 || r.Quality.BlurPx == 0 {
		t.Errorf("the reading lacks marks, bumps, edges or quality: %+v", r)
	}
}

// A picture that can't be measured is an outcome with a reason; what came before stays in it.
func TestRefusalIsAReading(t *testing.T) {
	s := scene()
	s.Die.None = true
	r := mustShoot(t, draw(t, s), job(s))
	if r.Verdict.Decision != reading.Retake || r.Refusal == nil || r.Refusal.Instruction == "" {
		t.Errorf("got %s %v, want retake with an instruction", r.Verdict.Decision, r.Refusal)
	}
	if r.Source.SHA256 != "abc" || r.Quality.NoiseDN == 0 {
		t.Errorf("the refused reading lacks its source or quality: %+v", r)
	}
}

// A scope past its expiry measures, is flagged, and gives at best a review.
func TestExpiredScope(t *testing.T) {
	s := scene()
	g := draw(t, s)
	for _, c := range []struct {
		today time.Time
		xUm   float64 // limit
		want  reading.Decision
	}{
		{day(2032, 1, 15), 100, reading.Accept}, // the last day
		{day(2032, 1, 16), 100, reading.Review},
		{day(2040, 1, 1), 100, reading.Review},
		{day(2040, 1, 1), 5, reading.Reject}, // a reject stays one
	} {
		j := job(s)
		j.Today = c.today
		p := *j.Part
		p.Limits.OffsetXUm = c.xUm
		j.Part = &p
		r := mustShoot(t, g, j)
		if r.Verdict.Decision != c.want || r.Offset == nil {
			t.Errorf("%s: got %s %+v want %s", c.today.Format(time.DateOnly), r.Verdict.Decision, r.Verdict.Reasons, c.want)
		}
		said := false
		for _, reason := range r.Verdict.Reasons {
			said = said || strings.Contains(reason.Text, "2032-01-15") && strings.Contains(reason.Text, "flat")
		}
		if said != c.today.After(day(2032, 1, 15)) {
			t.Errorf("%s: got reasons %+v", c.today.Format(time.DateOnly), r.Verdict.Reasons)
		}
	}
}

// A die of another size that the limit lets through to the verdict is told by its sides.
func TestDieSideNearItsLimit(t *testing.T) {
	s := scene()
	s.Die.SizeXUm = 14.9
	r := mustShoot(t, draw(t, s), job(s))
	if r.Verdict.Decision != reading.Review || len(r.Verdict.Reasons) != 1 || r.Verdict.Reasons[0].What != "width_um" {
		t.Errorf("got %s %+v %v, want review for the width", r.Verdict.Decision, r.Verdict.Reasons, r.Refusal)
	}
}

// A job that can't be done is an error which names the part or the scope and what is wrong.
func TestWrongJobs(t *testing.T) {
	bare := &part.Part{Name: "bare", Substrate: part.Substrate{WidthMm: 5, HeightMm: 5}}
	marked := &part.Part{Name: "marked", Marks: dipper().Marks}
	noDieMarks := dipper()
	columns := &part.Part{Name: "columnar", Array: &part.Array{Kind: "columns"}}
	balls := &part.Part{Name: "spherical", Array: &part.Array{Kind: "balls"}}
	noScale := flat()
	noScale.UmPerPxX = 0
	noDistance := flat()
	noDistance.Camera = scope.Perspective
	g := picture.New(64, 48, 255)
	for _, c := range []struct {
		view  reading.View
		part  *part.Part
		scope *scope.Scope
		want  []string
	}{
		{reading.DiePlan, bare, flat(), []string{"bare", "marks", "die-plan"}},
		{reading.DiePlan, marked, flat(), []string{"marked", "die", "die-plan"}},
		{reading.DieIR, bare, flat(), []string{"bare", "marks", "die-ir"}},
		{reading.DieIR, noDieMarks, flat(), []string{"dipper", "die with marks", "die-ir"}},
		{reading.CapPlan, bare, flat(), []string{"bare", "cap", "cap-plan"}},
		{reading.ColumnPlan, balls, flat(), []string{"spherical", "columns", "column-plan"}},
		{reading.ColumnPlan, bare, flat(), []string{"bare", "columns"}},
		{reading.ColumnSide, bare, flat(), []string{"bare", "columns", "column-side"}},
		{reading.BallPlan, columns, flat(), []string{"columnar", "balls", "ball-plan"}},
		{"", dipper(), flat(), []string{"--view"}},
		{"roof-plan", dipper(), flat(), []string{"roof-plan", "die-plan"}},
		{reading.DiePlan, dipper(), noScale, []string{"flat", "um_per_px"}},
		{reading.DiePlan, dipper(), noDistance, []string{"flat", "working_distance_mm"}},
	} {
		r, err := measure.Shot(g, measure.Job{Part: c.part, Scope: c.scope, Shot: reading.Shot{View: c.view}})
		if err == nil {
			t.Errorf("%s of %s: got %+v and no error", c.view, c.part.Name, r.Verdict)
			continue
		}
		for _, word := range c.want {
			if !strings.Contains(err.Error(), word) {
				t.Errorf("%s of %s: %q doesn't say %q", c.view, c.part.Name, err, word)
			}
		}
	}
}

// Pictures of nothing are refused whatever their size, in every view.
func TestPicturesOfNothing(t *testing.T) {
	p := dipper()
	p.Cap = &part.Cap{WidthMm: 5, HeightMm: 4, CornerRadiusMm: 0.4, TopMm: 1.2, Datum: "outline"}
	p.Array = &part.Array{Kind: "columns", Rows: 5, Columns: 6, PitchMm: 1, DiameterMm: 0.5, HeightMm: 2, PadMm: 0.7, Datum: "outline"}
	p.Die.Marks = &part.Marks{Shape: part.Square, LengthMm: 0.2, At: []part.Place{{Name: "D1", XMm: -1, YMm: 0.8}, {Name: "D2", XMm: 1, YMm: -0.8}}}
	b := dipper()
	b.Array = &part.Array{Kind: "balls", Rows: 5, Columns: 6, PitchMm: 1, DiameterMm: 0.5, HeightMm: 0.4, EquatorMm: 0.2, PadMm: 0.4, Datum: "outline"}
	rng := rand.New(rand.NewPCG(3, 4))
	for _, size := range [][2]int{{1, 1}, {3, 70}, {64, 48}, {300, 280}} {
		for _, amplitude := range []int{0, 30, 255} {
			g := picture.New(size[0], size[1], 255)
			for i := range g.Pix {
				g.Pix[i] = uint16(rng.IntN(amplitude + 1))
			}
			for _, v := range reading.Views {
				j := measure.Job{Part: p, Scope: flat(), Shot: reading.Shot{View: v}, Today: day(2031, 6, 1)}
				if v == reading.BallPlan {
					j.Part = b
				}
				r, err := measure.Shot(g, j)
				if err != nil {
					t.Errorf("%s, %v: %v", v, size, err)
				} else if r.Refusal == nil {
					t.Errorf("%s, %v: %s", v, size, r.Verdict.Decision)
				}
			}
		}
	}
}
