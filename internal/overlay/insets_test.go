package overlay

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// The worst defects are shown enlarged: missing ones first, leaning ones by their lean. What lies in
// the middle of a site lies in the middle of its inset.
func TestInsets(t *testing.T) {
	p := &part.Part{Name: "p", Substrate: part.Substrate{WidthMm: 10, HeightMm: 10}, Array: &part.Array{Kind: "columns", Rows: 3, Columns: 3, PitchMm: 1, DiameterMm: 0.5}}
	s := &scope.Scope{Name: "s", UmPerPxX: 10, UmPerPxY: 10, Camera: scope.Telecentric}
	g := picture.New(1000, 1000, 255)
	for y := 480; y < 520; y++ {
		for x := 580; x < 620; x++ {
			g.Pix[y*g.W+x] = 200
		}
	}
	r := &reading.Reading{Verdict: reading.Verdict{Decision: reading.Reject}, Substrate: &reading.Substrate{OriginXPx: 500, OriginYPx: 500, Scale: 1},
		Array: &reading.Array{Kind: "columns", Missing: 1, Tilted: 2, Sites: []reading.Site{
			{Name: "A1", State: reading.Tilted, TiltDeg: 2.5, XPx: 400, YPx: 400}, {Name: "A2", State: reading.Present, XPx: 500, YPx: 400},
			{Name: "B1", State: reading.Off, DXUm: 200, XPx: 400, YPx: 500}, {Name: "B3", State: reading.Missing, XPx: 600, YPx: 500},
			{Name: "C2", State: reading.Tilted, TiltDeg: 4, XPx: 500, YPx: 600}, {Name: "C3", State: reading.Unseen}}}}
	var order []string
	for _, d := range defects(r) {
		order = append(order, defectWords(d))
	}
	if d := cmp.Diff([]string{"B3 missing", "C2 tilted 4.0°", "A1 tilted 2.5°", "B1 off 200 µm"}, order); d != "" {
		t.Error(d)
	}
	m, err := Draw(g, r, p, s)
	if err != nil {
		t.Fatal(err)
	}
	r.Array.Sites = r.Array.Sites[1:2]
	plain, err := Draw(g, r, p, s)
	if err != nil {
		t.Fatal(err)
	}
	if more := m.Bounds().Dy() - plain.Bounds().Dy(); more != insetRow {
		t.Errorf("insets take %d rows, want %g", more, float64(insetRow))
	}
	grey := func(x, y int) uint32 { v, _, _, _ := m.At(x, y).RGBA(); return v >> 8 }
	middle, corner := grey(8+insetSide/2, 1000+8+insetSide/2), grey(8+5, 1000+8+5)
	if middle < 200 || corner > 30 {
		t.Errorf("inset of B3: %d in the middle, %d in the corner; want it bright and dark", middle, corner)
	}
}
