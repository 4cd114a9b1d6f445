package synth

import (
	"cmp"
	"math"
	"slices"

	"plumbsquare/internal/geom"
)

// drawColumnPlan draws the columns from above: pads and shadows on the substrate, then each
// column with the flank that its lean or the lens shows, and its tip.
func (st *stage) drawColumnPlan() {
	st.drawSubstrate(0.04)
	st.drawArrayMarks()
	for i := range st.sites {
		st.drawPad(&st.sites[i])
	}
	st.drawDebris()
	if st.Array.Shadow > 0 {
		for i := range st.sites {
			st.drawColumnShadow(&st.sites[i])
		}
	}
	ground := &canvas{st.canvas.w, st.canvas.h, slices.Clone(st.canvas.pix)}
	for i := range st.sites {
		if s := &st.sites[i]; !s.Missing {
			st.drawColumn(s, ground)
		}
	}
	st.drawDust()
}

// drawPad draws the land under a site; bare, it shines nearly as a tip does.
func (st *stage) drawPad(s *site) {
	pad := st.Part.Array.PadMm * 500 * st.SubstrateScale
	if pad <= 0 {
		return
	}
	f := st.substrate.at(s.x, s.y, 0)
	if !s.Missing {
		st.paint(&f, st.pr.disc(&f, pad), opaque(1.15*st.Look.Substrate))
		inner := pad * filletShare
		x, y := st.filletOff(s, pad-inner)
		fillet := st.substrate.at(s.x+x, s.y+y, 0)
		st.paint(&fillet, st.pr.disc(&fillet, inner), opaque(0.75*st.Look.Substrate))
		return
	}
	level := cmp.Or(s.Pad, st.Look.Pad)
	st.paint(&f, st.pr.disc(&f, pad), opaque(0.6*level))
	st.paint(&f, st.pr.blob(&f, pad*0.85, 1, st.wobble(0.04, 2, 6), pad*0.08), opaque(level).with(st.grain.texture(0.08+0.1*st.Look.Texture)))
}

// filletShare is the radius of the solder's fillet over that of its pad.
const filletShare = 0.93

// filletOff returns how far the fillet lies from the middle of its pad: it follows the foot, and
// never leaves the pad.
func (st *stage) filletOff(s *site, roomUm float64) (x, y float64) {
	const follows = 0.8
	x, y = follows*s.baseX, follows*s.baseY
	if d := math.Hypot(x, y); d > roomUm {
		x, y = x*roomUm/d, y*roomUm/d
	}
	return x, y
}

// drawColumnShadow darkens the substrate where a column keeps the light off: to one side under
// oblique light, all round under a ring light.
func (st *stage) drawColumnShadow(s *site) {
	if s.Missing {
		return
	}
	radius := s.diameterUm / 2
	f := st.substrate.at(s.x+s.baseX, s.y+s.baseY, geom.Angle(st.Array.LightAzimuthDeg+180)*geom.Degree)
	soft := 0.12 * radius
	if !st.Array.Oblique {
		ring := radius * 1.75
		st.canvas.each(&f, around(ring+3*soft, ring+3*soft), 0, func(p, q, _, under float64) float64 {
			return under * (1 - st.Array.Shadow*fade((ring-math.Hypot(p, q))/soft))
		})
		return
	}
	length := 0.25 * s.lengthUm
	b := box{-radius - 3*soft, -radius - 3*soft, length + radius + 3*soft, radius + 3*soft}
	st.canvas.each(&f, b, 0, func(p, q, _, under float64) float64 {
		along := min(max(p, 0), length)
		d := radius - math.Hypot(p-along, q)
		// Light from an extended lamp: the shadow's edge fades the farther it is thrown.
		width := soft * (1 + 2*along/length)
		return under * (1 - st.Array.Shadow*fade(d/width))
	})
}

// drawColumn draws a column in one piece: light + (flank − light)·outline + (tip − flank)·tip,
// where the outline holds the tip. Laid one over the other, the edge they share would be drawn
// twice and seem to have moved.
//
// What is under it, ground, is blurred already, and the blur of a product is not the product of
// the blurs: with G for the blur of variance σ², G(fg) = Gf·Gg + σ² ∇Gf·∇Gg + …, of which the
// second term is added, for shadows slope steeply where tips end.
func (st *stage) drawColumn(s *site, ground *canvas) {
	tipX, tipY, h := s.tip()
	azimuth := math.Atan2(s.tiltY, s.tiltX)
	plane := st.plane(h / 1000)
	f := plane.at(s.x+tipX, s.y+tipY, geom.Angle(azimuth))
	radius := s.diameterUm / 2
	squeeze := math.Sqrt(1 - s.tiltX*s.tiltX - s.tiltY*s.tiltY) // the end face is seen aslant

	// The foot as it is seen against the tip's plane.
	foot := st.substrate.at(s.x+s.baseX, s.y+s.baseY, 0)
	footP, footQ := f.seen(foot.image(0, 0))
	footRadius := radius * f.g / foot.g
	reach := max(math.Abs(footP), math.Abs(footQ)) + radius

	tipLevel, flank := st.Look.Tip, st.Look.Flank
	if t := st.Look.Texture; t > 0 {
		tipLevel *= 1 + 0.12*t*(2*st.rng.Float64()-1)
	}
	if s.Shadowed {
		tipLevel *= 0.35
	}
	texture := st.grain.texture(0.04 * st.Look.Texture)
	disc := st.tipPr.disc(&f, radius)
	length2 := footP*footP + footQ*footQ
	cover := func(p, q, scale float64) (body, tip float64) {
		tip = disc.cover(p/squeeze, q, scale)
		body = tip
		if tip == 1 || length2 == 0 {
			return body, tip
		}
		t := min((p*footP+q*footQ)/length2, 1)
		if t > 0 {
			d := (radius + t*(footRadius-radius) - math.Hypot(p-t*footP, q-t*footQ)) / (f.g * scale)
			body = max(tip, st.tipPr.edge(d, 0.75))
		}
		return body, tip
	}
	st.canvas.eachAt(&f, around(reach, reach), st.tipPr.reach, func(p, q, scale, under float64, x, y int) float64 {
		body, tip := cover(p, q, scale)
		if body == 0 {
			return under
		}
		light := under*(1-body) + flank*(body-tip) + tipLevel*grainAt(texture, p, q)*tip
		if body == 1 {
			return light
		}
		gx, gy := ground.slope(x, y)
		if g := math.Hypot(gx, gy); g > 1e-4 {
			const step = 0.5 // px
			dp, dq := step*(f.ax*gx+f.bx*gy)/g, step*(f.ay*gx+f.by*gy)/g
			up, _ := cover(p+dp, q+dq, scale)
			down, _ := cover(p-dp, q-dq, scale)
			light -= min(st.pr.variance, st.tipPr.variance) * g * (up - down) / (2 * step)
		}
		return light
	})
}

func grainAt(texture func(p, q float64) float64, p, q float64) float64 {
	if texture == nil {
		return 1
	}
	return texture(p, q)
}

// seen returns the coordinates in f's plane of what is seen at a point of the picture.
func (f *frame) seen(at geom.ImagePoint) (p, q float64) {
	u, v := at.X-f.cam.cx, at.Y-f.cam.cy
	e := 1 + f.cam.k*(u*u+v*v)
	u, v = u*e, v*e
	return f.ax*u + f.bx*v + f.cp, f.ay*u + f.by*v + f.cq
}
