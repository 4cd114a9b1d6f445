package column_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/column"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
)

func ballPart() *part.Part {
	return &part.Part{
		Name:      "whimbrel",
		Substrate: part.Substrate{WidthMm: 14, HeightMm: 11.4, ThicknessMm: 1.6},
		Array: &part.Array{Kind: "balls", Rows: 8, Columns: 10, PitchMm: 1.27, DiameterMm: 0.89, HeightMm: 0.7, EquatorMm: 0.25, PadMm: 0.72,
			Datum: "outline", Absent: []string{"A1"}},
		Limits: part.Limits{TipUm: 80},
	}
}

// A bead is one ball; a bridge joins it to its right neighbour.
type bead struct {
	missing bool
	x, y    float64 // µm from the site
	grow    float64 // µm of diameter
	dull    bool    // less bright than others
	bridge  bool
	second  float64 // direction, degrees, in which a second one sticks to it; 0 means none
}

func beads(p *part.Part, seed uint64) map[string]bead {
	rng := rand.New(rand.NewPCG(seed, 3))
	out := map[string]bead{}
	list, err := p.Array.Sites()
	if err != nil {
		panic(err)
	}
	for _, s := range list {
		out[s.Name] = bead{x: 10 * rng.NormFloat64(), y: 10 * rng.NormFloat64(), grow: 10 * rng.NormFloat64()}
	}
	return out
}

// ballPicture draws balls as lights around the lens show them: a faint outline, a bright ring that
// wanders off the ball's centre with the field, and rows of lamps farther out.
func ballPicture(p *part.Part, turnDeg float64, balls map[string]bead, seed uint64) *picture.Gray {
	const um = 13.3
	pose := poseAt(70, -90, turnDeg, 1.001)
	c := newScene(1130, 930, telecentric(um), pose, 1.1, 8)
	c.substrate(p, 24)
	list, err := p.Array.Sites()
	if err != nil {
		panic(err)
	}
	for _, s := range list {
		b := balls[s.Name]
		n := pose.Nominal(s.At)
		x, y := n.X.Um(), n.Y.Um()
		c.disc(x+b.x, y+b.y, 0, 550+b.grow/2, 18)
		c.disc(x, y, 0, 360, 105)
	}
	for _, s := range list {
		b := balls[s.Name]
		n := pose.Nominal(s.At)
		if b.missing {
			continue
		}
		x, y := n.X.Um()+b.x, n.Y.Um()+b.y
		r := 445 + b.grow/2
		if b.second != 0 {
			sin, cos := math.Sincos(b.second * math.Pi / 180)
			c.disc(x+0.9*r*cos, y+0.9*r*sin, 0.25, 0.8*r, 45)
			c.ring(x+0.9*r*cos, y+0.9*r*sin, 0.25, 0.2*r, 0.3*r, 110)
		}
		bright := 1.0
		if b.dull {
			bright = 0.88
		}
		c.disc(x, y, 0.25, r, 34*bright)
		c.disc(x, y, 0.25, 0.8*r, 52*bright)
		// The mirror image of the lamps lies to the side where the field is off the axis.
		mx, my := x+0.006*n.X.Um(), y+0.006*n.Y.Um()
		c.ring(mx, my, 0.25, 0.20*r, 0.30*r, 130)
		for k := range 12 {
			sin, cos := math.Sincos(float64(k) * math.Pi / 6)
			c.disc(mx+0.72*r*cos, my+0.72*r*sin, 0.25, 25, 75)
		}
		if b.bridge {
			c.flank(x+430, y, 0.25, x+1270-430, y, 0.25, 130, 60)
		}
	}
	return c.gray(0.03, -0.02, 0.8, seed)
}

func TestBall(t *testing.T) {
	p := ballPart()
	balls := beads(p, 1)
	balls["B3"] = bead{missing: true}
	balls["H10"] = bead{missing: true}
	balls["D5"] = bead{x: 110, y: -60}
	balls["F7"] = bead{grow: 90}
	b := balls["E2"]
	b.bridge = true
	balls["E2"] = b
	b = balls["G4"]
	b.second = 200
	balls["G4"] = b
	b = balls["C8"]
	b.second = 50
	balls["C8"] = b
	r, err := column.Ball(ballPicture(p, 1.7, balls, 1), noiseModel(0.8), p, telecentric(13.3), 0)
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{"B3": reading.Missing, "H10": reading.Missing, "D5": reading.Off,
		"E2": reading.Bridged, "E3": reading.Bridged, "G4": reading.Doubled, "C8": reading.Doubled}
	got := map[string]string{}
	var e2, n float64
	for _, s := range r.Array.Sites {
		if s.State != reading.Present {
			got[s.Name] = s.State
		}
		if s.State == reading.Missing {
			continue
		}
		b := balls[s.Name]
		e := math.Hypot(s.DXUm-b.x, s.DYUm-b.y)
		if e > 0.5*13.3 {
			t.Errorf("%s: %.1f µm off", s.Name, e)
		}
		if s.TiltDeg != 0 || s.UTiltDeg != 0 {
			t.Errorf("%s: a ball with a tilt", s.Name)
		}
		e2 += e * e
		n += 2
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("states (-want +got):\n%s", d)
	}
	if rms := math.Sqrt(e2 / n); rms > 0.1*13.3 {
		t.Errorf("balls %.2f µm per axis, want 0.1 px", rms)
	}
	if d := bySite(r.Array)["F7"].DiameterUm; math.Abs(d-980) > 15 {
		t.Errorf("F7: diameter %.1f µm, want 980", d)
	}
	if r.Array.Bridged != 2 || r.Array.Doubled != 2 || r.Array.Missing != 2 {
		t.Errorf("%d bridged, %d doubled, %d missing; want 2 of each", r.Array.Bridged, r.Array.Doubled, r.Array.Missing)
	}
	if got := strings.Join(r.Warnings, "; "); got != "balls E2 and E3 are bridged" {
		t.Errorf("warnings %q", got)
	}
}

// The outline is fainter than the rings mirrored within it, half of the balls are dull, and some are
// of quite another size: every diameter is that of the outline.
func TestBallDiameters(t *testing.T) {
	p := ballPart()
	balls := beads(p, 9)
	list, err := p.Array.Sites()
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range list {
		b := balls[s.Name]
		b.dull = i%2 == 0
		balls[s.Name] = b
	}
	for name, grow := range map[string]float64{"B4": -110, "C7": 120, "G2": 80} {
		b := balls[name]
		b.grow = grow
		balls[name] = b
	}
	r, err := column.Ball(ballPicture(p, -0.8, balls, 9), noiseModel(0.8), p, telecentric(13.3), 0)
	if err != nil {
		t.Fatal(err)
	}
	var e2, z2, c2, n float64
	for _, s := range r.Array.Sites {
		b := balls[s.Name]
		e := s.DiameterUm - 890 - b.grow
		if math.Abs(e) > 20 || s.UDiameterUm > 10 {
			t.Errorf("%s: diameter %.1f ± %.1f µm, want %.1f", s.Name, s.DiameterUm, s.UDiameterUm, 890+b.grow)
		}
		e2 += e * e
		z2 += e * e / (s.UDiameterUm * s.UDiameterUm)
		c2 += ((s.DXUm-b.x)*(s.DXUm-b.x) + (s.DYUm-b.y)*(s.DYUm-b.y)) / 2
		n++
	}
	t.Logf("diameter %.2f µm RMS, error over u %.2f; centres %.2f µm per axis", math.Sqrt(e2/n), math.Sqrt(z2/n), math.Sqrt(c2/n))
	if rms := math.Sqrt(e2 / n); rms > 0.5*13.3 {
		t.Errorf("diameters %.2f µm RMS, want half a pixel", rms)
	}
	// The drawn shadow ends within half a pixel of the limbs, which nothing tells from them.
	if z := math.Sqrt(z2 / n); z > 1.8 {
		t.Errorf("error over stated uncertainty %.2f, want about 1", z)
	}
}

// An array placed off its sites is off: no ball is taken to be where its site is because something
// in it shines there.
func TestBallsOffTogether(t *testing.T) {
	p := ballPart()
	balls := beads(p, 12)
	for name, b := range balls {
		b.x, b.y = b.x+60, b.y-40
		balls[name] = b
	}
	r, err := column.Ball(ballPicture(p, 1.7, balls, 12), noiseModel(0.8), p, telecentric(13.3), 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range r.Array.Sites {
		b := balls[s.Name]
		if e := math.Hypot(s.DXUm-b.x, s.DYUm-b.y); s.State == reading.Missing || e > 0.7*13.3 {
			t.Errorf("%s is %s, %.1f µm off", s.Name, s.State, e)
		}
	}
	if math.Abs(r.Array.XUm-60) > 5 || math.Abs(r.Array.YUm+40) > 5 {
		t.Errorf("the array is off by %.1f, %.1f µm, want 60, -40", r.Array.XUm, r.Array.YUm)
	}
}

// Nine balls teach what an edge looks like only just; where they differ as much as here, some of
// them aren't typical, and fewer are left than it takes.
func TestFewOddBalls(t *testing.T) {
	p := ballPart()
	p.Substrate.WidthMm, p.Substrate.HeightMm = 6, 5.6
	p.Array.Rows, p.Array.Columns, p.Array.Absent = 3, 3, nil
	for _, seed := range []uint64{71, 93} {
		rng := rand.New(rand.NewPCG(seed, 1))
		list, err := p.Array.Sites()
		if err != nil {
			t.Fatal(err)
		}
		balls := beads(p, seed)
		for _, s := range list {
			b := balls[s.Name]
			b.grow = 45 * rng.NormFloat64()
			balls[s.Name] = b
		}
		r, err := column.Ball(ballPicture(p, 1.7, balls, 1), noiseModel(0.8), p, telecentric(13.3), 0)
		if err != nil {
			t.Errorf("seed %d: %v", seed, err)
			continue
		}
		for _, s := range r.Array.Sites {
			if s.State == reading.Missing || s.State == reading.Unseen {
				t.Errorf("seed %d: %s is %s", seed, s.Name, s.State)
			}
		}
	}
}

// Turning the fixture leaves the balls where they are on the substrate.
func TestBallIgnoresTheFixture(t *testing.T) {
	p := ballPart()
	balls := beads(p, 2)
	for _, turn := range []float64{-4, -1, 3} {
		r, err := column.Ball(ballPicture(p, turn, balls, 3), noiseModel(0.8), p, telecentric(13.3), 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range r.Array.Sites {
			b := balls[s.Name]
			if e := math.Hypot(s.DXUm-b.x, s.DYUm-b.y); s.State != reading.Present || e > 0.5*13.3 {
				t.Errorf("turned by %g°: %s is %s, %.1f µm off", turn, s.Name, s.State, e)
			}
		}
	}
}
