package overlay_test

import (
	"testing"

	"plumbsquare/internal/overlay"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// bumpy is a die of 10 × 8 mm, 1.06 px to 10 µm in the picture, with 9 × 11 bumps whose worst is the
// one at the lower left: shifted down, turned counter-clockwise.
func bumpy() (*part.Part, *reading.Reading) {
	p := &part.Part{Name: "p", Die: &part.Die{WidthMm: 10, HeightMm: 8, Bumps: &part.Bumps{Rows: 9, Columns: 11, PitchMm: 0.8, PadMm: 0.1}}}
	r := &reading.Reading{
		Substrate: &reading.Substrate{Scale: 1},
		Offset:    &reading.Offset{Of: "die", XUm: 0, YUm: -20, ThetaDeg: 0.3, Bump: &reading.Bump{Row: 9, Column: 1, XUm: 16.7, YUm: -40.9, MissUm: 44.2, UUm: 0.3}},
	}
	return p, r
}

// Arrows of bumps beyond the limit are of another colour; those of the others aren't. The left end
// of the field is off by 41 µm, the right, far below its middle, by 13.
func TestBumpsBeyondTheLimitStandOut(t *testing.T) {
	p, r := bumpy()
	for _, tt := range []struct {
		name        string
		limits      part.Limits
		left, right bool
	}{
		{"no limit", part.Limits{}, false, false},
		{"µm", part.Limits{BumpUm: 30}, true, false},
		{"share of the pad", part.Limits{BumpPadPercent: 30}, true, false},
		{"the stricter of two", part.Limits{BumpUm: 10, BumpPadPercent: 30}, true, true},
		{"wide", part.Limits{BumpUm: 60}, false, false},
	} {
		p.Limits = tt.limits
		m, err := overlay.DrawBumps(r, p)
		if err != nil {
			t.Fatal(err)
		}
		// The field's middle lies 96 + 70 + 424 px down; columns 1 and 11 stand 424 px beside it, row 8 255 px below.
		for side, want := range map[float64]bool{-424: tt.left, 424: tt.right} {
			if got := share(m, 600+side, 850, 50, vermillion) > 0.005; got != want {
				t.Errorf("%s: at %+g px the limit's colour shows: %v, want %v", tt.name, side, got, want)
			}
		}
	}
}

func TestWorstBumpIsRinged(t *testing.T) {
	p, r := bumpy()
	m, err := overlay.DrawBumps(r, p)
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		name string
		x, y float64
		want bool
	}{{"lower left", 176, 930, true}, {"lower right", 1024, 930, false}, {"upper left", 176, 251, false}} {
		if got := share(m, tt.x, tt.y, 75, yellow) > 0.005; got != tt.want {
			t.Errorf("%s ringed: %v, want %v", tt.name, got, tt.want)
		}
	}
}

func TestBumpsThatCannotBeDrawn(t *testing.T) {
	p, r := bumpy()
	r.Offset.Bump = nil
	if _, err := overlay.DrawBumps(r, p); err == nil {
		t.Error("no error without bumps")
	}
	// A field of a million bumps is thinned out.
	p, r = bumpy()
	p.Die.Bumps.Rows, p.Die.Bumps.Columns, p.Die.Bumps.PitchMm = 1000, 1000, 0.008
	r.Offset.Bump.Row = 1000
	if _, err := overlay.DrawBumps(r, p); err != nil {
		t.Error(err)
	}
}
