package overlay_test

import (
	"image"
	"image/color"
	"math"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/overlay"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// Colours of Okabe and Ito, "Color Universal Design" (2008).
var (
	yellow     = color.RGBA{240, 228, 66, 255}
	skyBlue    = color.RGBA{86, 180, 233, 255}
	vermillion = color.RGBA{213, 94, 0, 255}
	orange     = color.RGBA{230, 159, 0, 255}
)

const (
	width, height = 1200, 900
	umPerPx       = 10.0
)

func grey(w, h int, level uint16) *picture.Gray {
	g := picture.New(w, h, 255)
	for i := range g.Pix {
		g.Pix[i] = level
	}
	return g
}

var bench = &scope.Scope{Name: "bench", UmPerPxX: umPerPx, UmPerPxY: umPerPx, Camera: scope.Telecentric}

func die() (*part.Part, *reading.Reading) {
	p := &part.Part{Name: "p", Die: &part.Die{WidthMm: 6, HeightMm: 4, XMm: 0.5},
		Marks:  &part.Marks{Shape: part.Disc, DiameterMm: 0.4, At: []part.Place{{Name: "F1", XMm: -4, YMm: 3}, {Name: "F2", XMm: 4, YMm: -3}}},
		Limits: part.Limits{OffsetXUm: 50, OffsetYUm: 50, ThetaDeg: 0.5}}
	r := &reading.Reading{Shot: reading.Shot{View: reading.DiePlan}}
	r.Verdict.Decision = reading.Accept
	r.Substrate = &reading.Substrate{OriginXPx: 600, OriginYPx: 450, TurnDeg: 90, Scale: 1, Marks: []reading.Mark{
		{Name: "F1", Used: true, XPx: 300, YPx: 50}, {Name: "F2", XPx: 900, YPx: 850, Note: "hidden"},
	}}
	r.Offset = &reading.Offset{Of: "die", XUm: 30, YUm: -20, ThetaDeg: 0.2, UXUm: 1, UYUm: 1, UTheta: 0.01}
	return p, r
}

// share returns which part of the canvas near (x, y) has about a colour.
func share(m image.Image, x, y, reach float64, want color.RGBA) float64 {
	n, hit := 0, 0
	for j := int(y - reach); j <= int(y+reach); j++ {
		for i := int(x - reach); i <= int(x+reach); i++ {
			r, g, b, _ := m.At(i, j).RGBA()
			d := math.Abs(float64(r>>8)-float64(want.R)) + math.Abs(float64(g>>8)-float64(want.G)) + math.Abs(float64(b>>8)-float64(want.B))
			n++
			if d < 60 {
				hit++
			}
		}
	}
	return float64(hit) / float64(n)
}

func mustDraw(t *testing.T, g *picture.Gray, r *reading.Reading, p *part.Part) image.Image {
	t.Helper()
	m, err := overlay.Draw(g, r, p, bench)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// The nominal outline must lie where the drawing puts it: turned with the substrate, here by 90°,
// its centre 0.5 mm along the drawing's +X, which is up in the picture.
func TestNominalOutline(t *testing.T) {
	p, r := die()
	m := mustDraw(t, grey(width, height, 100), r, p)
	for _, c := range []struct {
		what string
		x, y float64
		want bool
	}{
		// 6 mm along the drawing's X stand upright: from 450-50-300 to 450-50+300; 4 mm lie across.
		{"upper side", 600, 100, true}, {"lower side", 600, 700, true}, {"left side", 400, 400, true}, {"right side", 800, 400, true},
		{"where the upper side would be unturned", 600, 250, false}, {"outside", 1000, 400, false},
	} {
		reach := 14.0 // more than a dash and its gap
		if got := share(m, c.x, c.y, reach, yellow) > 0.01; got != c.want {
			t.Errorf("%s at (%g, %g): nominal line there: %v, want %v", c.what, c.x, c.y, got, c.want)
		}
	}
}

func TestMarks(t *testing.T) {
	p, r := die()
	m := mustDraw(t, grey(width, height, 100), r, p)
	const radius = 25 // 1.25 × 0.2 mm
	if share(m, 300-radius, 50, 4, skyBlue) < 0.1 {
		t.Error("the used mark has no ring")
	}
	if share(m, 900, 850, radius+4, orange) < 0.01 {
		t.Error("the unused mark has no ring")
	}
	if share(m, 900, 850, radius+4, skyBlue) > 0.01 {
		t.Error("the unused mark looks like a used one")
	}
}

func array() (*part.Part, *reading.Reading) {
	p := &part.Part{Name: "p", Array: &part.Array{Kind: "columns", Rows: 2, Columns: 3, PitchMm: 2, DiameterMm: 0.5}}
	r := &reading.Reading{Shot: reading.Shot{View: reading.ColumnPlan}}
	r.Verdict.Decision = reading.Reject
	r.Substrate = &reading.Substrate{OriginXPx: 600, OriginYPx: 450, Scale: 1}
	r.Array = &reading.Array{Kind: "columns", Present: 2, Missing: 1, Tilted: 1, Sites: []reading.Site{
		{Name: "A1", State: reading.Present, XPx: 300, YPx: 300, DXUm: 10},
		{Name: "A2", State: reading.Missing, XPx: 600, YPx: 300},
		{Name: "A3", State: reading.Tilted, XPx: 900, YPx: 300, TiltDeg: 5, AzimuthDeg: 90},
	}}
	return p, r
}

func TestArraySigns(t *testing.T) {
	p, r := array()
	m := mustDraw(t, grey(width, height, 100), r, p)
	if share(m, 600, 300, 40, vermillion) < 0.02 {
		t.Error("the missing site has no sign")
	}
	if share(m, 900, 300, 40, orange) < 0.02 {
		t.Error("the tilted site has no sign")
	}
	for _, c := range []color.RGBA{vermillion, orange} {
		if share(m, 300, 300, 40, c) > 0 {
			t.Error("the good site has a sign")
		}
	}
	// The arrow of a column that leans along +Y points up in a picture that isn't turned.
	if up, down := share(m, 900, 230, 20, orange), share(m, 900, 370, 20, orange); up <= down {
		t.Errorf("arrow up %g, down %g", up, down)
	}
}

// From the side a tilt below 0 leans toward -X, which is left; with the sample turned by 90°, one
// above 0 leans toward +Y, which is left.
func TestLeanToTheLeft(t *testing.T) {
	for _, c := range []struct{ turn, tilt, azimuth float64 }{{0, -5, 0}, {90, 5, 90}} {
		p, r := array()
		r.Shot.View, r.Shot.TurnDeg = reading.ColumnSide, c.turn
		r.Array.Sites[2].TiltDeg, r.Array.Sites[2].AzimuthDeg = c.tilt, c.azimuth
		m := mustDraw(t, grey(width, height, 100), r, p)
		if left, right := share(m, 830, 300, 20, orange), share(m, 970, 300, 20, orange); left <= right {
			t.Errorf("turned by %g°: arrow left %g, right %g", c.turn, left, right)
		}
	}
}

func TestRetake(t *testing.T) {
	p, r := die()
	r.Verdict.Decision = reading.Retake
	r.Offset, r.Substrate = nil, nil
	r.Refusal = &reading.Refusal{Gate: "saturated", Instruction: "lower the light or the exposure"}
	m := mustDraw(t, grey(width, height, 200), r, p)
	if share(m, 600, 450, 250, color.RGBA{255, 255, 255, 255}) < 0.05 {
		t.Error("no large letters in the middle")
	}
	if v, _, _, _ := m.At(5, 5).RGBA(); v>>8 > 130 {
		t.Errorf("the picture isn't dimmed: grey %d", v>>8)
	}
}

func TestSize(t *testing.T) {
	p, r := die()
	for _, c := range []struct{ w, h, want int }{{2048, 1500, 2048}, {512, 400, 1024}, {1, 1, 1000}, {999, 10, 1998}} {
		if got := mustDraw(t, grey(c.w, c.h, 9), r, p).Bounds().Dx(); got != c.want {
			t.Errorf("%d px wide: overlay is %d wide, want %d", c.w, got, c.want)
		}
	}
	if _, err := overlay.Draw(&picture.Gray{}, r, p, bench); err == nil {
		t.Error("an empty picture must be an error")
	}
}

// Whatever a reading holds, drawing it must end, and the same reading must give the same overlay.
func TestAnyReading(t *testing.T) {
	g := grey(1000, 40, 7)
	rapid.Check(t, func(t *rapid.T) {
		p, r := die()
		if rapid.Bool().Draw(t, "array") {
			p, r = array()
		}
		number := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-1000, 1000), rapid.Just(math.NaN()), rapid.Just(math.Inf(1)))
		r.Substrate.OriginXPx, r.Substrate.TurnDeg, r.Substrate.Scale = number.Draw(t, "x"), number.Draw(t, "turn"), number.Draw(t, "scale")
		for i := range r.Substrate.Marks {
			r.Substrate.Marks[i].XPx = number.Draw(t, "mark")
		}
		if o := r.Offset; o != nil {
			o.XUm, o.ThetaDeg, o.UXUm, o.Cov[0][0] = number.Draw(t, "offset"), number.Draw(t, "theta"), number.Draw(t, "u"), number.Draw(t, "cov")
			o.Edges = []reading.Edge{{X1Px: number.Draw(t, "edge"), X2Px: number.Draw(t, "edge"), Used: number.Draw(t, "used")}}
		}
		if a := r.Array; a != nil {
			for i := range a.Sites {
				a.Sites[i].XPx, a.Sites[i].DXUm, a.Sites[i].TiltDeg = number.Draw(t, "site"), number.Draw(t, "dx"), number.Draw(t, "tilt")
			}
		}
		a, err := overlay.Draw(g, r, p, bench)
		if err != nil {
			t.Fatal(err)
		}
		b, err := overlay.Draw(g, r, p, bench)
		if err != nil {
			t.Fatal(err)
		}
		if string(a.(*image.RGBA).Pix) != string(b.(*image.RGBA).Pix) {
			t.Error("drawn twice, different")
		}
	})
}
