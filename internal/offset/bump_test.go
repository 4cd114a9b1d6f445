package offset_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/offset"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// By hand: 3 rows of 5 bumps, 1 mm apart. A turn of 0.1° moves the bump 2 mm right and 1 mm up of
// the centre by (-1.745, 3.491) µm, less 2nd-order terms of 3 nm; ceramic that shrank by 0.1 %
// brings its pad 2 µm and 1 µm nearer.
func TestBumpsByHand(t *testing.T) {
	d := &part.Die{Bumps: &part.Bumps{Rows: 3, Columns: 5, PitchMm: 1}}
	o := &reading.Offset{XUm: 10, YUm: -4, ThetaDeg: 0.1, Cov: [3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 0}}}
	all := offset.Bumps(d, o, 0.999)
	if len(all) != 15 {
		t.Fatalf("got %d bumps", len(all))
	}
	right := all[4]
	if right.Row != 1 || right.Column != 5 || math.Abs(right.XUm-(10-1.745+2)) > 0.004 || math.Abs(right.YUm-(-4+3.491+1)) > 0.004 {
		t.Errorf("got %+v", right)
	}
	if mid := all[7]; mid.Row != 2 || mid.Column != 3 || mid.XUm != 10 || mid.YUm != -4 || math.Abs(mid.UUm-1) > 1e-12 {
		t.Errorf("the bump in the middle has the die's own offset, got %+v", mid)
	}
	// A die drawn turned by 90°: its first row's last bump lies 1 mm left and 2 mm up.
	d.ThetaDeg = 90
	if b := offset.Bumps(d, o, 0.999)[4]; math.Abs(b.XUm-(10-3.491-1)) > 0.004 || math.Abs(b.YUm-(-4-1.745+2)) > 0.004 {
		t.Errorf("turned by 90°, got %+v", b)
	}
}

// However the die lies, no bump is worse than the worst of the four in the corners.
func TestWorstBumpIsInACorner(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rows, cols := rapid.IntRange(1, 9).Draw(t, "rows"), rapid.IntRange(1, 9).Draw(t, "columns")
		d := &part.Die{ThetaDeg: rapid.Float64Range(-180, 180).Draw(t, "drawn"), Bumps: &part.Bumps{Rows: rows, Columns: cols, PitchMm: 0.3}}
		o := &reading.Offset{
			XUm: rapid.Float64Range(-50, 50).Draw(t, "x"), YUm: rapid.Float64Range(-50, 50).Draw(t, "y"),
			ThetaDeg: rapid.Float64Range(-1, 1).Draw(t, "theta"),
		}
		corner, worst := 0.0, 0.0
		for _, b := range offset.Bumps(d, o, rapid.Float64Range(0.99, 1.01).Draw(t, "scale")) {
			worst = max(worst, b.MissUm)
			if (b.Row == 1 || b.Row == rows) && (b.Column == 1 || b.Column == cols) {
				corner = max(corner, b.MissUm)
			}
		}
		if corner < worst-1e-9 {
			t.Errorf("worst %g µm, worst in a corner %g", worst, corner)
		}
	})
}
