package synth_test

import (
	"fmt"
	"math/rand/v2"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

func ExampleDraw() {
	p := &part.Part{
		Name:      "dunnock",
		Substrate: part.Substrate{WidthMm: 6, HeightMm: 6, ThicknessMm: 1},
		Marks: &part.Marks{Shape: part.Disc, DiameterMm: 0.4, At: []part.Place{
			{Name: "F1", XMm: -2.2, YMm: 2.2}, {Name: "F2", XMm: 2.2, YMm: -2.2},
		}},
		Die: &part.Die{WidthMm: 3, HeightMm: 2.5, TopMm: 0.5},
	}
	s := &scope.Scope{Name: "bench", UmPerPxX: 10, UmPerPxY: 10, Camera: scope.Telecentric}
	scene := &synth.Scene{Part: p, Scope: s, View: reading.DiePlan, WidthPx: 512, HeightPx: 512, OffsetXUm: 12}
	picture, truth, err := synth.Draw(scene, rand.New(rand.NewPCG(1, 1)))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("die %d, substrate %d, X %+.1f µm\n", picture.Pix[256*512+256], picture.Pix[30*512+256], *truth.DXUm)
	for _, m := range truth.Marks {
		fmt.Printf("mark %s at (%.1f, %.1f) px\n", m.Name, m.XPx, m.YPx)
	}
	// Output:
	// die 31, substrate 115, X +12.0 µm
	// mark F1 at (35.5, 35.5) px
	// mark F2 at (475.5, 475.5) px
}
