package synth

import (
	"math"
	"testing"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
)

// blurDown blurs a canvas by sigma px and returns the mean of each n × n px.
func blurDown(c *canvas, sigma float64, n int) *canvas {
	rows := newCanvas(c.w, c.h, 0)
	line := make([]float64, max(c.w, c.h))
	for y := range c.h {
		for x := range c.w {
			line[x] = float64(c.pix[y*c.w+x])
		}
		for x, v := range smoothed(line[:c.w], sigma) {
			rows.pix[y*c.w+x] = float32(v)
		}
	}
	small := newCanvas(c.w/n, c.h/n, 0)
	for x := range c.w {
		for y := range c.h {
			line[y] = float64(rows.pix[y*c.w+x])
		}
		for y, v := range smoothed(line[:c.h], sigma) {
			small.pix[y/n*small.w+x/n] += float32(v) / float32(n*n)
		}
	}
	return small
}

// Columns with their shadows, leaning and seen through a lens, against the same scene drawn
// nearly sharp on a grid eight times as fine, then blurred: laying shapes over each other after
// the blur must not move a tip.
func TestShadowsAndFlanksMoveNoTip(t *testing.T) {
	const fine, blur, sharp = 8, 1.1, 0.5
	for _, oblique := range []bool{false, true} {
		p := dipper()
		p.Array.Rows, p.Array.Columns, p.Array.Absent = 2, 2, nil
		s := Scene{
			Part: p, Scope: lens(), View: reading.ColumnPlan, WidthPx: 136, HeightPx: 130, FixtureDeg: 2, Optics: Optics{BlurPx: blur},
			Array: ArrayState{Shadow: 0.8, Oblique: oblique, LightAzimuthDeg: 30, Sites: []SiteState{{Site: "A1", TiltDeg: 4, AzimuthDeg: 210}}},
		}
		s.Scope.UmPerPxX, s.Scope.UmPerPxY, s.Scope.K1 = 17, 17, 0
		draw := func(s Scene) *stage {
			st, err := newStage(&s, seeded(1))
			if err != nil {
				t.Fatal(err)
			}
			st.drawColumnPlan()
			st.fillTruth()
			return st
		}
		coarse := draw(s)
		s.Scope.UmPerPxX, s.Scope.UmPerPxY = 17./fine, 17./fine
		s.WidthPx, s.HeightPx, s.Optics.BlurPx = 136*fine, 130*fine, sharp
		want := blurDown(draw(s).canvas, math.Sqrt(blur*blur*fine*fine-sharp*sharp), fine)
		for _, site := range coarse.truth.Sites {
			dx, dy := displacement(coarse.canvas, want, geom.ImagePoint{X: *site.XPx, Y: *site.YPx}, 15, coarse.Look.Tip-coarse.Look.Flank)
			if d := math.Hypot(dx, dy); d > 0.015 { // what terms of higher order leave
				t.Errorf("oblique %v, %s: the tip moved by (%.4f, %.4f) px", oblique, site.Site, dx, dy)
			}
		}
	}
}

// displacement returns how far a disc of a radius and contrast in got must move, px, to differ
// least from that in want: the fit of the difference to the derivative of the disc.
func displacement(got, want *canvas, at geom.ImagePoint, radius, contrast float64) (dx, dy float64) {
	var xx, x, yy, y float64
	for v := int(at.Y - radius - 5); v <= int(at.Y+radius+5); v++ {
		for u := int(at.X - radius - 5); u <= int(at.X+radius+5); u++ {
			ex, ey := float64(u)-at.X, float64(v)-at.Y
			r := math.Hypot(ex, ey)
			slope := contrast * normalPDF((radius-r)/1.14) / 1.14 / max(r, 1)
			d := float64(got.pix[v*got.w+u] - want.pix[v*got.w+u])
			x, xx = x+d*slope*ex, xx+slope*slope*ex*ex
			y, yy = y+d*slope*ey, yy+slope*slope*ey*ey
		}
	}
	return x / xx, y / yy
}
