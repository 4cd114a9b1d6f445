package synth

import (
	"math"

	"plumbsquare/internal/geom"
)

// drawAcrossEdges lays light and scratches across and along the edges of a die or cap.
func (st *stage) drawAcrossEdges(f *frame, halfW, halfH float64) {
	for range st.Dirt.Scratches {
		g := st.onEdge(f, halfW, halfH)
		off := (40 + 160*st.rng.Float64()) * float64(2*st.rng.IntN(2)-1)
		long := 0.25*min(halfW, halfH) + 0.4*min(halfW, halfH)*st.rng.Float64()
		g = g.at(0, off, geom.Angle(0.01*st.rng.NormFloat64()))
		st.paint(&g, st.pr.path(&g, [][2]float64{{-long, 0}, {long, 0}}, 4+8*st.rng.Float64()), film(0.3+0.5*st.rng.Float64(), 0.6))
	}
	for range st.Dirt.Glare {
		g := st.onEdge(f, halfW, halfH)
		g = g.at(0, 150*st.rng.NormFloat64(), geom.Angle(st.rng.Float64()*math.Pi))
		radius := 150 + 350*st.rng.Float64()
		st.paint(&g, st.pr.blob(&g, radius, 0.3+0.7*st.rng.Float64(), st.wobble(0.1, 2, 4), radius/3), glow(0.3+0.6*st.rng.Float64()))
	}
	for range st.Dirt.Streaks {
		g := st.onEdge(f, halfW, halfH)
		g = g.at(0, 0, geom.Angle(math.Pi/2+0.6*st.rng.NormFloat64()))
		st.paint(&g, st.pr.blob(&g, 500+900*st.rng.Float64(), 0.03+0.05*st.rng.Float64(), wobble{}, 60), glow(0.2+0.5*st.rng.Float64()))
	}
}

// drawDust scatters dust and fibres.
func (st *stage) drawDust() {
	px := st.cam.umX
	for range st.Dirt.Dust {
		f := st.anywhere()
		level := 0.05 + 0.1*st.rng.Float64()
		if st.rng.IntN(3) == 0 {
			level = 0.7 + 0.25*st.rng.Float64()
		}
		size := px * (1 + 3*st.rng.ExpFloat64())
		st.paint(&f, st.pr.blob(&f, min(size, 12*px), 0.5+0.5*st.rng.Float64(), st.wobble(0.15, 2, 4), 0), film(level, 0.5+0.4*st.rng.Float64()))
	}
	for range st.Dirt.Fibres {
		st.drawFibre()
	}
}

// drawFibre draws a curl of lint: an arc whose curvature changes along it.
func (st *stage) drawFibre() {
	f := st.anywhere()
	length := 300 + 900*st.rng.Float64()
	bend, more := 3*st.rng.NormFloat64(), 4*st.rng.NormFloat64()
	const n = 24
	points := make([][2]float64, 0, n+1)
	p, q, heading := 0.0, 0.0, 0.0
	for i := range n + 1 {
		points = append(points, [2]float64{p, q})
		heading += (bend + more*float64(i)/n) / n
		p += length / n * math.Cos(heading)
		q += length / n * math.Sin(heading)
	}
	level := 0.75
	if st.rng.IntN(2) == 0 {
		level = 0.06
	}
	st.paint(&f, st.pr.path(&f, points, 10+8*st.rng.Float64()), film(level, 0.5+0.3*st.rng.Float64()))
}

// drawDebris drops crumbs of solder or ceramic between the sites.
func (st *stage) drawDebris() {
	a := st.Part.Array
	half := a.PitchMm * 1000 * float64(min(a.Rows, a.Columns)-1) / 2
	for range st.Array.Debris {
		f := st.substrate.at((st.rng.Float64()*2-1)*half, (st.rng.Float64()*2-1)*half, 0)
		size := a.PitchMm * (60 + 120*st.rng.Float64())
		level := st.Look.Substrate * (0.3 + 2.2*st.rng.Float64())
		st.paint(&f, st.pr.blob(&f, size, 0.4+0.6*st.rng.Float64(), st.wobble(0.18, 2, 6), 0), opaque(min(level, 0.95)).with(st.grain.texture(0.15)))
	}
}
