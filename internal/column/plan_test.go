package column_test

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbsquare/internal/column"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

func mustPlan(t testing.TB, g *picture.Gray, n picture.Noise, p *part.Part, s *scope.Scope) *column.Result {
	t.Helper()
	r, err := column.Plan(g, n, p, s, 0)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func bySite(a *reading.Array) map[string]reading.Site {
	m := make(map[string]reading.Site, len(a.Sites))
	for _, s := range a.Sites {
		m[s.Name] = s
	}
	return m
}

// Flat discs on an even ground under a sloping light: the errors of the centres against the
// Cramér–Rao bound of a blurred disc in white noise, levels and radius known,
//
//	var x = (noise/contrast)² · 2√π σ / (π r),
//
// from the Fisher information ∫(∂I/∂x)² with I a Gaussian-blurred step at radius r (the same
// integral as in section 3.6 of Kay, Fundamentals of Statistical Signal Processing, 1993), and
// against the stated uncertainties.
func TestFlatDiscsReachTheBound(t *testing.T) {
	for _, noise := range []float64{0.8, 3, 6} {
		t.Run(fmt.Sprintf("noise %g DN", noise), func(t *testing.T) { flatDiscs(t, noise) })
	}
}

func flatDiscs(t *testing.T, noise float64) {
	const sigma, ground, face, um = 1.2, 90.0, 150.0, 20.0
	p := columnPart()
	p.Array.HeightMm, p.Array.PadMm = 0, 0
	s := telecentric(um)
	list, err := p.Array.Sites()
	if err != nil {
		t.Fatal(err)
	}
	var e2, z2, n float64
	for seed := range uint64(4) {
		c := newScene(640, 540, s, poseAt(37, -55, 0.7, 1), sigma, 30)
		c.substrate(p, ground)
		stands := scatter(p, seed)
		stands["C4"] = stand{missing: true}
		for _, site := range list {
			if d := stands[site.Name]; !d.missing {
				c.disc(site.At.X.Um()+d.footX, site.At.Y.Um()+d.footY, 0, 255, face)
			}
		}
		r := mustPlan(t, c.gray(0.08, -0.05, noise, seed), noiseModel(noise), p, s)
		if r.Array.Missing != 1 || bySite(r.Array)["C4"].State != reading.Missing {
			t.Errorf("seed %d: %d missing, C4 is %s", seed, r.Array.Missing, bySite(r.Array)["C4"].State)
		}
		if math.Abs(r.BlurPx*r.BlurPx+1.0/12-sigma*sigma) > 0.1 {
			t.Errorf("seed %d: blur %.3f px, want %.3f", seed, r.BlurPx, math.Sqrt(sigma*sigma-1.0/12))
		}
		for _, site := range r.Array.Sites {
			if site.State == reading.Missing {
				continue
			}
			d := stands[site.Name]
			for _, e := range []float64{site.DXUm - d.footX, site.DYUm - d.footY} {
				e2 += e * e
				z2 += e * e / (site.UUm * site.UUm)
				n++
			}
		}
	}
	v := noiseModel(noise).Var(0)
	bound := um * math.Sqrt(v*2*math.Sqrt(math.Pi)*sigma/(math.Pi*255/um)) / (face - ground)
	rms := math.Sqrt(e2 / n)
	t.Logf("rms %.3f µm, bound %.3f µm, error over u %.3f", rms, bound, math.Sqrt(z2/n))
	if rms > 1.2*bound {
		t.Errorf("rms %.3f µm, want at most 1.2 × the bound of %.3f µm", rms, bound)
	}
	if q := math.Sqrt(z2 / n); q < 0.85 || q > 1.15 {
		t.Errorf("error over stated uncertainty %.3f, want 1", q)
	}
}

// Columns in every state, as a ring light shows them.
func TestPlanTellsStates(t *testing.T) {
	p := columnPart()
	s := telecentric(17)
	stands := scatter(p, 5)
	stands["B3"] = stand{missing: true}
	stands["H10"] = stand{missing: true}
	stands["D5"] = stand{leanX: 150, leanY: -80}
	stands["E7"] = stand{leanX: -200, leanY: 20, dim: 0.55}
	stands["A4"] = stand{footX: 110, footY: 90, leanX: 3}
	stands["F2"] = stand{dim: 0.45}
	pose := poseAt(-120, 90, -2.2, 0.9965)
	g := columnScene(760, 660, p, s, pose, 1.1, stands).gray(0.1, 0.05, 1, 1)
	r := mustPlan(t, g, noiseModel(1), p, s)

	if d := math.Hypot(float64(r.Substrate.OriginXPx)-(760-1)/2.0-(-120/17.0), r.Substrate.OriginYPx-(660-1)/2.0+90/17.0); d > 0.02 {
		t.Errorf("origin %.3f px off", d)
	}
	if e := r.Substrate.TurnDeg + 2.2; math.Abs(e) > 0.003 {
		t.Errorf("turn %.4f° off", e)
	}
	if e := r.Substrate.Scale - 0.9965; math.Abs(e) > 3e-5 {
		t.Errorf("scale %.2g off", e)
	}
	want := map[string]string{"B3": reading.Missing, "H10": reading.Missing, "D5": reading.Tilted, "E7": reading.Tilted, "A4": reading.Off}
	got := map[string]string{}
	var tilt2, e2, n float64
	for _, site := range r.Array.Sites {
		if site.State != reading.Present {
			got[site.Name] = site.State
		}
		if site.State == reading.Missing {
			continue
		}
		d := stands[site.Name]
		ex, ey := site.DXUm-d.footX-d.leanX, site.DYUm-d.footY-d.leanY
		if math.Hypot(ex, ey) > 0.5*17 {
			t.Errorf("%s: tip %.1f, %.1f µm off", site.Name, ex, ey)
		}
		e2 += ex*ex + ey*ey
		e := site.TiltDeg - math.Atan2(math.Hypot(d.leanX, d.leanY), 2200)*180/math.Pi
		tilt2 += e * e
		n++
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("states (-want +got):\n%s", d)
	}
	if r.Array.Missing != 2 || r.Array.Tilted != 2 || r.Array.Present != 75 {
		t.Errorf("%d present, %d missing, %d tilted; want 75, 2, 2", r.Array.Present, r.Array.Missing, r.Array.Tilted)
	}
	if rms := math.Sqrt(e2 / n / 2); rms > 0.1*17 {
		t.Errorf("tips %.2f µm per axis, want 0.1 px", rms)
	}
	if rms := math.Sqrt(tilt2 / n); rms > 0.15 {
		t.Errorf("tilt %.3f° RMS, want 0.15", rms)
	}
	if a := bySite(r.Array)["D5"].AzimuthDeg; math.Abs(a-(360-math.Atan2(80, 150)*180/math.Pi)) > 5 {
		t.Errorf("D5 leans toward %.1f°", a)
	}
}

// Where every third column is missing, bare pads don't become what is looked for.
func TestManyMissing(t *testing.T) {
	p := columnPart()
	s := telecentric(17)
	for _, every := range []int{3, 2} {
		stands := scatter(p, 15)
		list, err := p.Array.Sites()
		if err != nil {
			t.Fatal(err)
		}
		for i, site := range list {
			if i%every == 1 {
				stands[site.Name] = stand{missing: true}
			}
		}
		c := columnScene(760, 660, p, s, poseAt(0, 0, 1, 1), 1.1, stands)
		for _, site := range list {
			if stands[site.Name].missing { // paste, larger than a face and as bright
				c.disc(site.At.X.Um(), site.At.Y.Um(), 0, 300, 150)
			}
		}
		for _, site := range mustPlan(t, c.gray(0, 0, 1, 15), noiseModel(1), p, s).Array.Sites {
			if gone := site.State == reading.Missing; gone != stands[site.Name].missing {
				t.Errorf("one in %d missing: %s is %s", every, site.Name, site.State)
			}
		}
	}
}

// An array of another pitch says of which.
func TestOtherPitch(t *testing.T) {
	s := telecentric(17)
	p := columnPart()
	p.Array.Rows, p.Array.Columns, p.Array.Absent = 14, 16, nil
	p.Substrate.WidthMm, p.Substrate.HeightMm = 17.6, 15.6
	g := columnScene(1160, 1040, p, s, poseAt(40, -60, 1.2, 1), 1.1, scatter(p, 16)).gray(0, 0, 1, 16)
	for _, pitch := range []float64{0.9, 0.985, 0.992, 1.008, 1.02, 1.08} {
		p.Array.PitchMm = pitch
		_, err := column.Plan(g, noiseModel(1), p, s, 0)
		refusal, ok := errors.AsType[*reading.Refusal](err)
		if !ok || refusal.Gate != "array-mismatch" || refusal.Unit != "mm of pitch" || math.Abs(refusal.Got-1) > 0.004 {
			t.Errorf("pitch %g mm: got %v (%+v), want a refusal that says 1 mm", pitch, err, refusal)
		}
	}
}

// A lean common to all columns is in every tilt and reported beside them.
func TestCommonLean(t *testing.T) {
	p := columnPart()
	s := telecentric(17)
	stands := scatter(p, 6)
	for name, d := range stands {
		d.leanX, d.leanY = d.leanX+25, d.leanY-15
		stands[name] = d
	}
	g := columnScene(760, 660, p, s, poseAt(0, 0, 1, 1), 1.1, stands).gray(0, 0, 1, 2)
	a := mustPlan(t, g, noiseModel(1), p, s).Array
	if want := math.Atan2(math.Hypot(25, 15), 2200) * 180 / math.Pi; math.Abs(a.LeanDeg-want) > 0.12 {
		t.Errorf("lean %.3f°, want %.3f°", a.LeanDeg, want)
	}
	if want := 360 - math.Atan2(15, 25)*180/math.Pi; math.Abs(a.LeanAzimuthDeg-want) > 10 {
		t.Errorf("lean toward %.1f°, want %.1f°", a.LeanAzimuthDeg, want)
	}
}

// Under a perspective lens tips are seen farther out, the more the farther from the axis.
func TestPerspectiveIsRemoved(t *testing.T) {
	p := columnPart()
	s := perspective(17, 120)
	stands := scatter(p, 7)
	g := columnScene(760, 660, p, s, poseAt(60, -40, 1.5, 1.002), 1.0, stands).gray(0, 0, 1, 3)
	a := mustPlan(t, g, noiseModel(1), p, s).Array
	var e2, n float64
	for _, site := range a.Sites {
		if site.State == reading.Missing {
			t.Fatalf("%s is called missing", site.Name)
		}
		d := stands[site.Name]
		ex, ey := site.DXUm-d.footX-d.leanX, site.DYUm-d.footY-d.leanY
		e2 += ex*ex + ey*ey
		n += 2
	}
	if rms := math.Sqrt(e2 / n); rms > 0.1*17 {
		t.Errorf("tips %.2f µm per axis, want 0.1 px", rms)
	}
}

// The substrate carries the drawing frame: turning and shifting the fixture leaves the offsets.
func TestOffsetsIgnoreTheFixture(t *testing.T) {
	p := smallPart()
	s := telecentric(20)
	stands := scatter(p, 8)
	rapid.Check(t, func(rt *rapid.T) {
		pose := poseAt(rapid.Float64Range(-400, 400).Draw(rt, "x_um"), rapid.Float64Range(-400, 400).Draw(rt, "y_um"),
			rapid.Float64Range(-4.5, 4.5).Draw(rt, "turn_deg"), rapid.Float64Range(0.994, 1.006).Draw(rt, "scale"))
		g := columnScene(480, 430, p, s, pose, 1.1, stands).gray(0, 0, 0.5, 4)
		r, err := column.Plan(g, noiseModel(0.5), p, s, 0)
		if err != nil {
			rt.Fatal(err)
		}
		for _, site := range r.Array.Sites {
			d := stands[site.Name]
			if e := math.Hypot(site.DXUm-d.footX-d.leanX, site.DYUm-d.footY-d.leanY); !(e < 0.3*20) || site.State == reading.Missing {
				rt.Errorf("%s (%s): tip %.2f µm off", site.Name, site.State, e)
			}
		}
	})
}

func TestPlanIsRepeatable(t *testing.T) {
	p := columnPart()
	s := telecentric(17)
	g := columnScene(760, 660, p, s, poseAt(0, 0, 1, 1), 1.1, scatter(p, 9)).gray(0.1, 0, 1, 5)
	a, b := mustPlan(t, g, noiseModel(1), p, s), mustPlan(t, g, noiseModel(1), p, s)
	if d := cmp.Diff(a, b); d != "" {
		t.Errorf("two runs differ:\n%s", d)
	}
}

func TestPlanRefuses(t *testing.T) {
	p := columnPart()
	s := telecentric(17)
	good := columnScene(760, 660, p, s, poseAt(0, 0, 1, 1), 1.1, scatter(p, 10))
	tests := []struct {
		name string
		gate string
		g    func() *picture.Gray
		p    func() *part.Part
	}{
		{"lower half of the file lost", "half-missing", func() *picture.Gray {
			g := good.gray(0, 0, 1, 6)
			clear(g.Pix[g.W*g.H/2:])
			return g
		}, columnPart},
		{"black", "empty-fixture", func() *picture.Gray { return picture.New(760, 660, 255) }, columnPart},
		{"nothing but noise", "empty-fixture", func() *picture.Gray {
			return newScene(760, 660, s, poseAt(0, 0, 0, 1), 1, 30).gray(0, 0, 1, 7)
		}, columnPart},
		{"moved down while it was taken", "motion-blur", func() *picture.Gray {
			g := good.gray(0, 0, 1, 17)
			still := append([]uint16(nil), g.Pix...)
			const over = 13
			for i := range g.Pix {
				sum := 0
				for k := range over {
					sum += int(still[max(0, i-k*g.W)])
				}
				g.Pix[i] = uint16(sum / over)
			}
			return g
		}, columnPart},
		{"other substrate", "other-part", func() *picture.Gray { return good.gray(0, 0, 1, 8) }, func() *part.Part {
			p := columnPart()
			p.Substrate.WidthMm, p.Substrate.HeightMm = 12.4, 10.3
			return p
		}},
		{"other pitch", "array-mismatch", func() *picture.Gray { return good.gray(0, 0, 1, 9) }, func() *part.Part {
			p := columnPart()
			p.Array.PitchMm = 0.8
			return p
		}},
		{"array of the part is smaller", "array-mismatch", func() *picture.Gray { return good.gray(0, 0, 1, 9) }, func() *part.Part {
			p := columnPart()
			p.Array.Rows, p.Array.Columns, p.Array.Absent = 6, 8, nil
			return p
		}},
		{"no columns", "array-mismatch", func() *picture.Gray {
			all := map[string]stand{}
			for name := range scatter(p, 1) {
				all[name] = stand{missing: true}
			}
			return columnScene(760, 660, p, s, poseAt(0, 0, 1, 1), 1.1, all).gray(0, 0, 1, 10)
		}, columnPart},
		{"substrate larger than the picture", "outline-out", func() *picture.Gray {
			return columnScene(500, 400, p, s, poseAt(0, 0, 1, 1), 1.1, nil).gray(0, 0, 1, 11)
		}, columnPart},
		{"tiny", "field", func() *picture.Gray { return picture.New(9, 7, 255) }, columnPart},
		{"one pixel", "field", func() *picture.Gray { return picture.New(1, 1, 255) }, columnPart},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := column.Plan(tt.g(), noiseModel(1), tt.p(), s, 0)
			refusal, ok := errors.AsType[*reading.Refusal](err)
			if !ok {
				t.Fatalf("got %v, want a refusal", err)
			}
			if refusal.Gate != tt.gate || refusal.Instruction == "" {
				t.Errorf("refused by %q (%s), want %q", refusal.Gate, refusal.Instruction, tt.gate)
			}
		})
	}
}

func TestPlanWithoutArray(t *testing.T) {
	g := picture.New(100, 100, 255)
	for _, p := range []*part.Part{
		{Name: "bare"},
		{Name: "zero rows", Array: &part.Array{Kind: "columns", Columns: 3, PitchMm: 1, DiameterMm: 0.5}},
		{Name: "no pitch", Array: &part.Array{Kind: "columns", Rows: 3, Columns: 3, DiameterMm: 0.5}},
		{Name: "all absent", Array: &part.Array{Kind: "columns", Rows: 2, Columns: 2, PitchMm: 1, DiameterMm: 0.5, Absent: []string{"A1:B2"}}},
	} {
		t.Run(p.Name, func(t *testing.T) {
			_, err := column.Plan(g, noiseModel(1), p, telecentric(17), 0)
			if _, refused := errors.AsType[*reading.Refusal](err); err == nil || refused {
				t.Errorf("got %v, want an error about the part", err)
			}
		})
	}
}

// A row that the picture cuts off is unseen, not missing.
func TestCutOffRowIsUnseen(t *testing.T) {
	p := columnPart()
	s := telecentric(17)
	// The substrate is 565 px high: shifted by 100 px, its lower edge leaves the picture.
	g := columnScene(760, 620, p, s, poseAt(0, -100*17, 0, 1), 1.1, scatter(p, 11)).gray(0, 0, 1, 12)
	a := mustPlan(t, g, noiseModel(1), p, s).Array
	for _, site := range a.Sites {
		unseen := site.Name[0] == 'H'
		if (site.State == reading.Unseen) != unseen {
			t.Errorf("%s is %s", site.Name, site.State)
		}
	}
}

func BenchmarkPlan(b *testing.B) {
	p := columnPart()
	p.Array.Rows, p.Array.Columns, p.Array.Absent = 32, 32, nil
	p.Substrate = part.Substrate{WidthMm: 32.5, HeightMm: 32.5}
	s := telecentric(17)
	g := columnScene(2048, 2048, p, s, poseAt(100, 50, 1.5, 1), 1.1, scatter(p, 1)).gray(0.05, 0, 1, 1)
	for b.Loop() {
		mustPlan(b, g, noiseModel(1), p, s)
	}
}
