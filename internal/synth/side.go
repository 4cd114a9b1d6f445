package synth

import (
	"math"

	"plumbsquare/internal/geom"
)

// drawColumnSide draws the row of columns that faces the lens against a lit screen: unturned the
// camera looks along +Y, image right is +X; the columns point up. The picture's plane is that of the
// row; p runs along the substrate's surface, q is height.
func (st *stage) drawColumnSide() {
	f := st.cam.frame(geom.ScopePoint{X: geom.Length(st.FixtureXUm), Y: geom.Length(st.FixtureYUm)}, geom.Angle(st.FixtureDeg)*geom.Degree, 0)
	dark := opaque(st.Look.Substrate)
	wide := st.Part.Substrate.WidthMm
	if st.alongY() {
		wide = st.Part.Substrate.HeightMm
	}
	half, thick := wide*500*st.SubstrateScale, st.Part.Substrate.ThicknessMm*1000
	slab := f.at(0, -thick/2, 0)
	st.paint(&slab, st.pr.rectangle(&slab, half, thick/2), dark)
	pad := st.Part.Array.PadMm * 500 * st.SubstrateScale
	for i := range st.sites {
		s := &st.sites[i]
		foot := f.at(s.x+s.baseX, 0, 0)
		if s.Missing {
			if pad > 0 { // what is left of the paste, a flat mound
				bare := f.at(s.x, 0, 0)
				st.paint(&bare, st.mound(&bare, pad, 40+60*st.rng.Float64()), dark)
			}
			continue
		}
		if pad > 0 {
			st.paint(&foot, st.fillet(&foot, pad, s.diameterUm/2), dark)
		}
		st.paint(&foot, st.standing(&foot, s), dark)
	}
	st.drawDust()
}

// standing returns the outline of a column: a strip about its axis, which leans by its tilt and
// strays from the leaning line with the square of the height, cut square to it at the tip.
func (st *stage) standing(f *frame, s *site) shape {
	pr := st.pr
	sin := s.tiltX
	cos := math.Sqrt(1 - sin*sin)
	radius, length := s.diameterUm/2, s.lengthUm
	reachP := math.Abs(length*sin) + math.Abs(s.BendUm) + radius
	const sunk = 50 // µm into the substrate, so that the foot shows no seam
	axis := func(h float64) float64 {
		t := min(max(h/(length*cos), 0), 1.1)
		return h*sin/cos + s.BendUm*t*t
	}
	return shape{box{-reachP, -sunk, reachP, length + radius}, func(p, q, scale float64) float64 {
		g := 1 / (f.g * scale)
		k := f.direction(cos, sin)
		d := (p - axis(q)) * cos // distance from the axis, square to it
		c := pr.edge((radius-d)*g, k) + pr.edge((radius+d)*g, k) - 1
		if c <= 0 {
			return 0
		}
		along := q*cos + p*sin
		return c * pr.edge((length-along)*g, k) * pr.edge((q+sunk)*g, f.k)
	}}
}

// fillet returns the solder that climbs the foot of a column.
func (st *stage) fillet(f *frame, pad, radius float64) shape {
	height := 0.9 * (pad - radius) * (0.8 + 0.4*st.rng.Float64())
	return shape{box{-pad, -50, pad, 2 * height}, func(p, q, s float64) float64 {
		if height <= 0 {
			return 0
		}
		// A straight flank from the rim of the pad up to the column; it goes on below the surface,
		// so that no seam shows there.
		run, rise := pad-radius, height
		d := ((pad-math.Abs(p))*rise - q*run) / math.Hypot(run, rise)
		return st.pr.edge(d/(f.g*s), 0.75)
	}}
}

// mound returns a flat heap on a bare pad.
func (st *stage) mound(f *frame, pad, height float64) shape {
	return shape{box{-pad, -50, pad, 2 * height}, func(p, q, s float64) float64 {
		t := min(math.Abs(p)/pad, 1)
		return st.pr.edge(min(height*(1-t*t)-q, pad-math.Abs(p))/(f.g*s), 0.75)
	}}
}
