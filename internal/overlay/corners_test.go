package overlay_test

import (
	"image/color"
	"math"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/overlay"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
)

// corners returns two shots of 5 × 4 mm whose axes point at (3, 2) and (-3, -2) mm of the drawing,
// the second by a stage that shows 0.5 mm too much.
func corners() ([]*picture.Gray, *reading.Reading) {
	_, r := die()
	r.Substrate.TurnDeg, r.Substrate.Marks = 0, nil
	r.Looks = []reading.Look{
		{Picture: "lot/a.png", Corner: &reading.Corner{
			Stage: reading.Stage{XMm: 43, YMm: -8}, OriginXPx: 249.5 - 300, OriginYPx: 199.5 + 200,
			Marks: []reading.Mark{{Name: "F2", Used: true, XPx: 349.5, YPx: 99.5}}, // (4, 3) mm
			Edges: []reading.Edge{{Side: "+y", X1Px: 0, Y1Px: 199.5, X2Px: 300, Y2Px: 199.5, Used: 1}},
		}},
		{Picture: "lot/b.png", Corner: &reading.Corner{
			Stage: reading.Stage{XMm: 37.5, YMm: -12}, StageOffXUm: 500, OriginXPx: 249.5 + 300, OriginYPx: 199.5 - 200,
			Marks: []reading.Mark{{Name: "F4", Used: true, XPx: 149.5, YPx: 299.5}}, // (-4, -3) mm
		}},
	}
	return []*picture.Gray{grey(500, 400, 100), grey(500, 400, 100)}, r
}

// Shots, marks, edges and the nominal outline lie where they lie on the sample: its middle is that
// of the picture, 10 µm a pixel.
func TestCornerShots(t *testing.T) {
	p, _ := die()
	gs, r := corners()
	m, err := overlay.DrawCorners(gs, r, p, bench)
	if err != nil {
		t.Fatal(err)
	}
	at := func(xMm, yMm float64) (x, y float64) {
		return float64(m.Bounds().Dx())/2 + 100*xMm, math.Round(1.06*800)/2 - 100*yMm
	}
	for _, c := range []struct {
		what     string
		xMm, yMm float64
		colour   color.RGBA
		want     bool
	}{
		{"ring of F2", 4 - 0.25, 3, skyBlue, true}, {"ring of F4", -4 - 0.25, -3, skyBlue, true},
		{"fitted edge", 1.5, 2, skyBlue, true}, {"no fitted edge", -1.5, 2, skyBlue, false},
		// The die of 6 × 4 mm stands 0.5 mm to the right.
		{"nominal left", -2.5, -1.5, yellow, true}, {"nominal right", 3.5, 1, yellow, true}, {"no nominal", -3.5, 0, yellow, false},
		{"picture a", 5.2, 3.7, color.RGBA{208, 208, 208, 255}, true}, {"picture b", -5.2, -3.7, color.RGBA{208, 208, 208, 255}, true},
		{"dark between", -4, 3, color.RGBA{0, 0, 0, 255}, true}, {"dark between", 4, -3, color.RGBA{0, 0, 0, 255}, true},
	} {
		x, y := at(c.xMm, c.yMm)
		if got := share(m, x, y, 12, c.colour); (got > 0.02) != c.want {
			t.Errorf("%s at (%g, %g) mm: share %.3f of its colour, want some: %v", c.what, c.xMm, c.yMm, got, c.want)
		}
	}
}

func TestCornerShotsRefused(t *testing.T) {
	p, _ := die()
	gs, r := corners()
	r.Verdict.Decision = reading.Retake
	r.Offset, r.Substrate = nil, nil
	r.Refusal = &reading.Refusal{Gate: "stage", Instruction: "check the stage coordinates in the traveler"}
	for k := range r.Looks {
		r.Looks[k].Corner = &reading.Corner{Stage: r.Looks[k].Corner.Stage}
	}
	m, err := overlay.DrawCorners(gs, r, p, bench)
	if err != nil {
		t.Fatal(err)
	}
	if b := m.Bounds(); share(m, float64(b.Dx())/2, float64(b.Dy())/2, 250, color.RGBA{255, 255, 255, 255}) < 0.05 {
		t.Error("no large letters in the middle")
	}
	if _, err := overlay.DrawCorners(gs[:1], r, p, bench); err == nil {
		t.Error("one picture of two must be an error")
	}
	r.Looks[1].Corner = nil
	if _, err := overlay.DrawCorners(gs, r, p, bench); err == nil {
		t.Error("a shot without a stage place must be an error")
	}
}

// Wherever the stage is said to have stood, drawing ends, and the picture stays of a size.
func TestCornerShotsAnywhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, _ := die()
		_, r := corners()
		gs := []*picture.Gray{grey(50, 40, 9), grey(40, 60, 9)}
		for k := range r.Looks {
			c := r.Looks[k].Corner
			c.Stage = reading.Stage{XMm: rapid.Float64().Draw(t, "x"), YMm: rapid.Float64().Draw(t, "y")}
			c.OriginXPx = rapid.Float64().Draw(t, "origin")
		}
		m, err := overlay.DrawCorners(gs, r, p, bench)
		if err != nil {
			return // far beyond any stage
		}
		if b := m.Bounds(); b.Dx() < 1000 || b.Dx() > 2500 || b.Dy() > 5000 {
			t.Fatalf("%v", b)
		}
	})
}
