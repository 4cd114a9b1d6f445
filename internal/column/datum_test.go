package column_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/column"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

const datumUm = 17.0 // µm per px

// rms returns the root mean square per axis of tips against where they stand, less shift, µm.
func rms(a *reading.Array, stands map[string]stand, shiftX, shiftY float64) float64 {
	var ss, n float64
	for _, s := range a.Sites {
		if s.State == reading.Missing || s.State == reading.Unseen {
			continue
		}
		d := stands[s.Name]
		ex, ey := s.DXUm-(d.footX+d.leanX-shiftX), s.DYUm-(d.footY+d.leanY-shiftY)
		ss += ex*ex + ey*ey
		n += 2
	}
	return math.Sqrt(ss / n)
}

// A sample turned on purpose keeps its frame.
func TestPlanOfSampleTurnedOnPurpose(t *testing.T) {
	p, s := smallPart(), telecentric(datumUm)
	stands := scatter(p, 21)
	stands["B2"] = stand{missing: true}
	for _, put := range []float64{0, 90, 180, 270} {
		g := columnScene(520, 530, p, s, poseAt(120, -80, put+0.7, 1.001), 1.1, stands).gray(0.05, 0, 0.7, 3)
		r, err := column.Plan(g, noiseModel(0.7), p, s, geom.Angle(put)*geom.Degree)
		if err != nil {
			t.Fatalf("turned by %g°: %v", put, err)
		}
		if e := rms(r.Array, stands, 0, 0); e > 0.1*datumUm || bySite(r.Array)["B2"].State != reading.Missing || r.Array.Missing != 1 {
			t.Errorf("turned by %g°: tips err by %.2f µm, %d missing, B2 %s", put, e, r.Array.Missing, bySite(r.Array)["B2"].State)
		}
		if e := math.Remainder(r.Substrate.TurnDeg-put-0.7, 360); math.Abs(e) > 0.02 {
			t.Errorf("turned by %g°: substrate at %.3f°", put, r.Substrate.TurnDeg)
		}
	}
}

// Where the pattern of sites tells, a sample the wrong way round is refused; where it can't, the
// fixture is believed.
func TestPlanRefusesWrongWayRound(t *testing.T) {
	square := func(absent ...string) *part.Part {
		p := columnPart()
		p.Substrate.WidthMm, p.Substrate.HeightMm = 7.6, 7.6
		p.Array.Rows, p.Array.Columns, p.Array.Absent = 6, 6, absent
		return p
	}
	for _, c := range []struct {
		name string
		p    *part.Part
		turn float64
		told bool
	}{
		{"one corner, right way", square("A1"), 0, false},
		{"one corner, quarter turn", square("A1"), 90, true},
		{"one corner, half turn", square("A1"), 180, true},
		{"one corner, three quarters", square("A1"), 270, true},
		{"two corners, quarter turn", square("A1", "F6"), 90, true},
		{"two corners, half turn", square("A1", "F6"), 180, false},
		{"four corners and one", square("A1", "A2", "A6", "F1", "F6"), 270, true},
		{"full, quarter turn", square(), 90, false},
		{"not square, half turn", smallPart(), 180, true},
	} {
		s := telecentric(datumUm)
		g := columnScene(540, 540, c.p, s, poseAt(60, 90, c.turn-0.8, 1), 1.1, scatter(c.p, 22)).gray(0, 0, 0.7, 4)
		_, err := column.Plan(g, noiseModel(0.7), c.p, s, 0)
		refusal, told := errors.AsType[*reading.Refusal](err)
		switch {
		case told != c.told:
			t.Errorf("%s: got %v", c.name, err)
		case told && (refusal.Gate != "wrong-way-round" || refusal.Got != c.turn):
			t.Errorf("%s: got %v by %g°", c.name, refusal, refusal.Got)
		}
	}
}

// Defects at the places that tell don't make a sample look turned.
func TestDefectsDontTurnASample(t *testing.T) {
	p, s := smallPart(), telecentric(datumUm)
	stands := scatter(p, 23)
	stands["E6"] = stand{missing: true} // opposite A1, where a turned sample would have none
	g := columnScene(520, 530, p, s, poseAt(0, 0, 0.5, 1), 1.1, stands).gray(0, 0, 0.7, 5)
	if r := mustPlan(t, g, noiseModel(0.7), p, s); r.Array.Missing != 1 {
		t.Errorf("%d missing, want 1", r.Array.Missing)
	}
}

// The best fit takes shift and turn of the array out of its offsets, and reports them.
func TestArrayAsItsOwnDatum(t *testing.T) {
	p, s := columnPart(), telecentric(datumUm)
	const shiftX, shiftY, turn, pitch = 45.0, -30.0, 0.2 * math.Pi / 180, 1.003
	straight := scatter(p, 24)
	moved := map[string]stand{}
	list, err := p.Array.Sites()
	if err != nil {
		t.Fatal(err)
	}
	for _, site := range list {
		x, y := site.At.X.Um(), site.At.Y.Um()
		d := straight[site.Name]
		d.footX += shiftX - turn*y + (pitch-1)*x
		d.footY += shiftY + turn*x + (pitch-1)*y
		moved[site.Name] = d
	}
	astray := moved["C4"]
	astray.footX += 250
	moved["C4"] = astray
	g := columnScene(760, 660, p, s, poseAt(-40, 70, -1.2, 1), 1.1, moved).gray(0.03, 0.02, 0.7, 6)
	byOutline := mustPlan(t, g, noiseModel(0.7), p, s).Array
	p.Array.Datum = "array"
	a := mustPlan(t, g, noiseModel(0.7), p, s).Array

	var meanX, meanY, n float64
	var worst float64
	for _, site := range list {
		got, d := bySite(a)[site.Name], straight[site.Name]
		x, y := site.At.X.Um(), site.At.Y.Um()
		if site.Name == "C4" {
			if math.Abs(got.DXUm-250) > 40 {
				t.Errorf("C4, 250 µm astray, lies %.1f µm off", got.DXUm)
			}
			continue
		}
		// The error of pitch stays in the offsets.
		ex, ey := got.DXUm-(d.footX+d.leanX+(pitch-1)*x), got.DYUm-(d.footY+d.leanY+(pitch-1)*y)
		meanX, meanY, n = meanX+got.DXUm, meanY+got.DYUm, n+1
		worst = max(worst, math.Hypot(ex, ey))
		if o := bySite(byOutline)[site.Name]; o.TiltDeg != got.TiltDeg || o.AzimuthDeg != got.AzimuthDeg {
			t.Errorf("%s: the datum changed the tilt from %.3f° to %.3f°", site.Name, o.TiltDeg, got.TiltDeg)
		}
	}
	// What the scatter of 77 tips leaves of the mean, 11 µm / √77, is common to all.
	if math.Abs(meanX/n) > 1 || math.Abs(meanY/n) > 1 || worst > 8 {
		t.Errorf("mean %.2f, %.2f µm, worst %.1f µm after the best fit", meanX/n, meanY/n, worst)
	}
	if math.Abs(a.XUm-shiftX) > 6 || math.Abs(a.YUm-shiftY) > 6 || math.Abs(a.ThetaDeg-0.2) > 0.03 || math.Abs(a.Scale-pitch) > 4e-4 {
		t.Errorf("array at %.1f, %.1f µm, %.3f°, scale %.5f", a.XUm, a.YUm, a.ThetaDeg, a.Scale)
	}
}

// markedPart has rings beside its array.
func markedPart() *part.Part {
	p := columnPart()
	p.Array.Datum = "marks"
	p.Marks = &part.Marks{Shape: part.Ring, DiameterMm: 0.6, InnerMm: 0.3, At: []part.Place{
		{Name: "F1", XMm: -5.3, YMm: 4.3}, {Name: "F2", XMm: 5.3, YMm: 4.3}, {Name: "F3", XMm: 5.3, YMm: -4.3}}}
	p.Orientation = part.Orientation{By: "absent-mark", XMm: -5.3, YMm: -4.3}
	return p
}

// Offsets are taken from the marks, wherever the substrate's edges lie.
func TestMarksAsDatum(t *testing.T) {
	p, s := markedPart(), telecentric(datumUm)
	const shiftX, shiftY = 60.0, -35.0 // of the marks against the outline
	stands := scatter(p, 25)
	for _, c := range []struct {
		name string
		w, h int
		turn float64
	}{{"outline in the picture", 760, 660, 0.9}, {"turned the other way", 760, 660, -2}, {"outline outside", 672, 552, 0.2}} {
		pose := poseAt(20, -10, c.turn, 1.001)
		scene := columnScene(c.w, c.h, p, s, pose, 1.1, stands)
		for _, m := range p.Marks.At {
			n := pose.Nominal(m.Point())
			scene.ring(n.X.Um()+shiftX, n.Y.Um()+shiftY, 0, 150, 300, 160)
		}
		r, err := column.Plan(scene.gray(0, 0.02, 0.7, rand.New(rand.NewPCG(1, 2)).Uint64()), noiseModel(0.7), p, s, 0)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		if e := rms(r.Array, stands, shiftX, shiftY); e > 0.12*datumUm || r.Array.Missing > 0 {
			t.Errorf("%s: tips err by %.2f µm, %d missing", c.name, e, r.Array.Missing)
		}
		if len(r.Substrate.Marks) != 3 || math.Abs(r.Substrate.TurnDeg-c.turn) > 0.02 {
			t.Errorf("%s: substrate %+v", c.name, r.Substrate)
		}
	}
}
