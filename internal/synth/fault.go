package synth

import (
	"math"

	"plumbsquare/internal/geom"
)

// befall changes the scene so that it has its fault, as far as that shows before the picture
// is exposed.
func (st *stage) befall() {
	switch st.Fault {
	case Defocus:
		st.Optics.BlurPx = 7 + 3*st.rng.Float64()
	case MarkOut:
		st.moveMarkOut()
	case MarksHidden:
		keep := st.rng.IntN(len(st.Part.Marks.At))
		st.Marks = nil
		for i, m := range st.Part.Marks.At {
			if i != keep {
				st.Marks = append(st.Marks, MarkState{Name: m.Name, Cover: 1})
			}
		}
	case NoDie:
		st.Die.None = true
	}
}

// moveMarkOut shifts the fixture so far that a mark lies beyond the nearest border.
func (st *stage) moveMarkOut() {
	marks := st.Part.Marks
	m := marks.At[st.rng.IntN(len(marks.At))]
	cam := newCamera(st.Scope, st.WidthPx, st.HeightPx, 0, 0)
	sin, cos := math.Sincos(st.FixtureDeg * math.Pi / 180)
	x := st.SubstrateScale * 1000 * (cos*m.XMm - sin*m.YMm)
	y := st.SubstrateScale * 1000 * (sin*m.XMm + cos*m.YMm)
	out := 0.6 * marks.SizeMm() * 1000
	halfX, halfY := float64(st.WidthPx)/2*cam.umX+out, float64(st.HeightPx)/2*cam.umY+out
	byX, byY := math.Copysign(halfX, x)-x, math.Copysign(halfY, y)-y
	if math.Abs(byX) < math.Abs(byY) {
		st.FixtureXUm = byX
	} else {
		st.FixtureYUm = byY
	}
}

// smear averages the canvas along a line, as a sample does that moves while it is exposed.
func (c *canvas) smear(lengthPx float64, direction geom.Angle) {
	sin, cos := math.Sincos(direction.Rad())
	n := int(math.Ceil(lengthPx))
	sum := make([]float32, len(c.pix))
	for i := range n {
		t := float64(i) - float64(n-1)/2
		dx, dy := int(math.Round(t*cos)), int(math.Round(t*sin))
		for y := range c.h {
			from := c.pix[min(max(y+dy, 0), c.h-1)*c.w:][:c.w]
			to := sum[y*c.w:][:c.w]
			for x := range to {
				to[x] += from[min(max(x+dx, 0), c.w-1)]
			}
		}
	}
	for i := range sum {
		c.pix[i] = sum[i] / float32(n)
	}
}
