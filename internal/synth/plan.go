package synth

import (
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
)

// drawSubstrate draws the ceramic or laminate.
func (st *stage) drawSubstrate(contrast float64) {
	w, h := st.Part.Substrate.WidthMm*500*st.SubstrateScale, st.Part.Substrate.HeightMm*500*st.SubstrateScale
	i := opaque(st.Look.Substrate).with(st.grain.texture(contrast * st.Look.Texture))
	st.paint(&st.substrate, st.pr.rectangle(&st.substrate, w, h), i)
	for range st.Dirt.Residue {
		f := st.anywhere()
		st.paint(&f, st.pr.blob(&f, 80+200*st.rng.Float64(), 1, st.wobble(0.06, 2, 5), 0), filter(0.8+0.1*st.rng.Float64()))
	}
}

// drawMarks draws the marks of the substrate and what tells which way round it lies.
func (st *stage) drawMarks() {
	m := st.Part.Marks
	if m == nil {
		return
	}
	plane := st.plane(m.PlaneMm)
	for _, at := range m.At {
		f := plane.at(at.XMm*1000*st.SubstrateScale, at.YMm*1000*st.SubstrateScale, 0)
		state := st.markState(at.Name)
		st.truth.addMark(at.Name, f.image(0, 0), state)
		if state.Absent {
			continue
		}
		st.paint(&f, st.pr.mark(&f, m, st.SubstrateScale), st.metal(&f, st.Look.Mark))
		if state.Cover > 0 {
			st.drawResidueOver(&f, m.SizeMm()*1000, state.Cover)
		}
	}
	if o := st.Part.Orientation; o.By == "disc" {
		f := plane.at(o.XMm*1000*st.SubstrateScale, o.YMm*1000*st.SubstrateScale, 0)
		st.paint(&f, st.pr.disc(&f, o.DiameterMm*500*st.SubstrateScale), st.metal(&f, st.Look.Mark))
	}
	for _, i := range st.rng.Perm(len(m.At))[:min(st.Dirt.FluxOverMarks, len(m.At))] {
		f := plane.at(m.At[i].XMm*1000*st.SubstrateScale, m.At[i].YMm*1000*st.SubstrateScale, 0)
		st.drawFluxOver(&f, m.SizeMm()*1000)
		if t := &st.truth.Marks[i]; t.State == "ok" {
			t.State = "filmed"
		}
	}
}

// drawArrayMarks draws the marks that an array is measured from; of others nothing is known on its side.
func (st *stage) drawArrayMarks() {
	if st.Part.Array.Datum == "marks" {
		st.drawMarks()
	}
}

func (st *stage) markState(name string) MarkState {
	for _, s := range st.Marks {
		if s.Name == name {
			return s
		}
	}
	return MarkState{Name: name}
}

// metal is an ink for a frame with the faint grain of printed metal, which is another at each place.
func (st *stage) metal(f *frame, level float64) ink {
	t := st.grain.texture(0.015 * st.Look.Texture)
	if t == nil {
		return opaque(level)
	}
	x, y := float64(f.origin.X), float64(f.origin.Y)
	return opaque(level).with(func(p, q float64) float64 { return t(p+x, q+y) })
}

// mark returns the shape of a mark about (0, 0).
func (pr *profile) mark(f *frame, m *part.Marks, scale float64) shape {
	half := 500 * scale // mm to half of µm
	switch m.Shape {
	case part.Cross:
		return pr.cross(f, m.LengthMm*half, m.ArmWidthMm*half)
	case part.Ring:
		return pr.ring(f, m.DiameterMm*half, m.InnerMm*half)
	case part.Square:
		return pr.rectangle(f, m.LengthMm*half, m.LengthMm*half)
	}
	return pr.disc(f, m.DiameterMm*half)
}

// drawResidueOver hides a share of something of a given size under an opaque crust.
func (st *stage) drawResidueOver(f *frame, sizeUm, share float64) {
	radius := 1.2 * sizeUm
	// The crust's edge crosses where the share of the size ends; 1 hides all, corners too.
	off := radius + sizeUm*(0.5-share)
	if share >= 1 {
		off = 0
	}
	g := f.at(0, 0, geom.Angle(st.rng.Float64()*2*math.Pi))
	g = g.at(off, 0, 0)
	st.paint(&g, st.pr.blob(&g, radius, 1, st.wobble(0.05, 2, 6), 0), opaque(0.1*st.Look.Substrate))
}

// drawFluxOver lays clear, glossy film over part of something of a given size.
func (st *stage) drawFluxOver(f *frame, sizeUm float64) {
	g := f.at(0, 0, geom.Angle(st.rng.Float64()*2*math.Pi))
	radius := sizeUm * (0.7 + 0.5*st.rng.Float64())
	g = g.at(radius*(0.5+0.5*st.rng.Float64()), 0, 0)
	w := st.wobble(0.08, 2, 5)
	bright := min(1.8*st.Look.Substrate, 0.95)
	st.paint(&g, st.pr.blob(&g, radius, 0.85, w, 0), film(bright, 0.25+0.25*st.rng.Float64()).with(st.grain.texture(0.1)))
	st.paint(&g, st.pr.rim(&g, radius, 0.85, w, 25), glow(0.25*st.Look.Substrate))
}

// rim returns the outline of a blob as a line of a width, µm.
func (pr *profile) rim(f *frame, radius, aspect float64, w wobble, width float64) shape {
	reach := radius*1.6 + width
	return shape{around(reach, reach), func(p, q, s float64) float64 {
		q /= aspect
		d := radius*(1+w.at(math.Atan2(q, p))) - math.Hypot(p, q)
		g := 1 / (f.g * s)
		return pr.line(math.Abs(d)*g, width/2*g, 0.75)
	}}
}

// wobble returns a random outline of waves numbered first to last with the given strength in all.
func (st *stage) wobble(strength float64, first, last int) wobble {
	w := wobble{first: first}
	for n := first; n <= last; n++ {
		w.amplitude = append(w.amplitude, strength*st.rng.NormFloat64()/math.Sqrt(float64(n-first+1)))
		w.phase = append(w.phase, st.rng.Float64()*2*math.Pi)
	}
	for i := range w.amplitude { // an outline must not cross itself
		w.amplitude[i] = min(max(w.amplitude[i], -0.15), 0.15)
	}
	return w
}

// anywhere returns a frame at a random place of the picture, turned at random.
func (st *stage) anywhere() frame {
	x := (st.rng.Float64() - 0.5) * float64(st.WidthPx) * st.cam.umX
	y := (st.rng.Float64() - 0.5) * float64(st.HeightPx) * st.cam.umY
	return st.flat.at(x, y, geom.Angle(st.rng.Float64()*2*math.Pi))
}
