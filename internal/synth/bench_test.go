package synth

import (
	"fmt"
	"testing"

	"plumbsquare/internal/reading"
)

func BenchmarkDraw(b *testing.B) {
	for _, v := range reading.Views {
		for _, width := range []int{512, 2048} {
			b.Run(fmt.Sprintf("%s/%d", v, width), func(b *testing.B) {
				p := showing(v)
				if p.Array.Rows = 30; v != reading.DiePlan {
					p.Array.Columns, p.Array.PitchMm, p.Array.DiameterMm, p.Array.PadMm = 30, 0.18, 0.09, 0.13
				}
				sc := bench()
				sc.UmPerPxX = FittingScale(p, v, width)
				sc.UmPerPxY = sc.UmPerPxX
				s := Random(p, sc, v, seeded(1))
				i := uint64(0)
				for b.Loop() {
					i++
					if _, _, err := Draw(s, seeded(i)); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
