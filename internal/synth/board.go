package synth

import (
	"math"

	"plumbsquare/internal/geom"
)

// drawBoard draws what is printed and soldered around the die: traces that come out from under
// it and capacitors on their pads. Nothing touches a mark.
func (st *stage) drawBoard(foot *frame, halfW, halfH float64) {
	for range st.Dirt.Traces {
		st.drawTrace(foot, halfW, halfH)
	}
	var taken []geom.ScopePoint
	for range st.Dirt.Components {
		st.drawComponent(foot, halfW, halfH, &taken)
	}
}

// freeOfMarks reports whether a circle about (p, q) of f, µm, touches no mark.
func (st *stage) freeOfMarks(f *frame, p, q, radius float64) bool {
	at := f.scopePoint(p, q)
	keepOff := func(xMm, yMm, sizeMm float64) bool {
		m := st.substrate.scopePoint(xMm*1000*st.SubstrateScale, yMm*1000*st.SubstrateScale)
		return math.Hypot(float64(at.X-m.X), float64(at.Y-m.Y)) > radius+sizeMm*710
	}
	if m := st.Part.Marks; m != nil {
		for _, a := range m.At {
			if !keepOff(a.XMm, a.YMm, m.SizeMm()) {
				return false
			}
		}
		// The fourth corner tells which way round the sample lies by being empty.
		if o := st.Part.Orientation; o.By == "absent-mark" && !keepOff(o.XMm, o.YMm, m.SizeMm()) {
			return false
		}
	}
	o := st.Part.Orientation
	return o.By != "disc" || keepOff(o.XMm, o.YMm, o.DiameterMm)
}

// besides returns a frame at the foot of a die's edge, q outward, at a random place along it.
func (st *stage) besides(foot *frame, halfW, halfH, share float64) frame {
	side := st.rng.IntN(4)
	halfAlong, halfOut := halfW, halfH
	if side%2 == 1 {
		halfAlong, halfOut = halfH, halfW
	}
	f := foot.at(0, 0, geom.Angle(side)*math.Pi/2)
	return f.at((st.rng.Float64()*2-1)*share*halfAlong, halfOut, 0)
}

// drawTrace draws a conductor that starts under the die, some ending in a round land.
func (st *stage) drawTrace(foot *frame, halfW, halfH float64) {
	f := st.besides(foot, halfW, halfH, 0.93)
	length, half := 300+700*st.rng.Float64(), 25+15*st.rng.Float64()
	if !st.freeOfMarks(&f, 0, length, 150) || !st.freeOfMarks(&f, 0, length/2, 150) {
		return
	}
	metal := st.metal(&f, st.Look.Mark)
	strip := f.at(0, length/2-100, 0)
	st.paint(&strip, st.pr.rectangle(&strip, half, length/2+100), metal)
	if st.rng.IntN(3) > 0 {
		land := f.at(0, length, 0)
		st.paint(&land, st.pr.disc(&land, 90+40*st.rng.Float64()), metal)
	}
}

// drawComponent draws a capacitor on two pads beside the die.
func (st *stage) drawComponent(foot *frame, halfW, halfH float64, taken *[]geom.ScopePoint) {
	const length, width = 1000, 500 // µm, of a body
	f := st.besides(foot, halfW, halfH, 1)
	out, turn := 650+500*st.rng.Float64(), geom.Angle(0)
	if st.rng.IntN(3) == 0 {
		turn = math.Pi / 2
		out += 300
	}
	if !st.freeOfMarks(&f, 0, out, 900) {
		return
	}
	f = f.at(0, out, turn+geom.Angle(0.02*st.rng.NormFloat64()))
	for _, t := range *taken {
		if math.Hypot(float64(t.X-f.origin.X), float64(t.Y-f.origin.Y)) < 1600 {
			return
		}
	}
	*taken = append(*taken, f.origin)
	for _, side := range [2]float64{-1, 1} {
		pad := f.at(side*0.52*length, 0, 0)
		st.paint(&pad, st.pr.rectangle(&pad, 0.3*length, 0.62*width), st.metal(&pad, st.Look.Mark))
	}
	dark, bright := 0.5*st.Look.Substrate, min(1.6*max(st.Look.Mark, st.Look.Substrate), 0.97)
	st.paint(&f, st.pr.roundedRectangle(&f, 0.68*length, 0.56*width, 0.4*width), opaque(0.4*dark))
	st.paint(&f, st.pr.roundedRectangle(&f, 0.66*length, 0.5*width, 0.36*width), opaque(1.5*dark).with(func(p, _ float64) float64 {
		return 0.5 + 0.8*math.Abs(math.Sin(6*p/length)) // solder fillets catch the light in bands
	}))
	st.paint(&f, st.pr.rectangle(&f, 0.5*length, 0.5*width), opaque(bright).with(st.grain.texture(0.05)))
	st.paint(&f, st.pr.rectangle(&f, 0.28*length, 0.5*width), opaque(0.6*dark).with(st.grain.texture(0.05)))
}

// outside returns how far a point lies outside a rectangle with rounded corners.
func outside(p, q, halfW, halfH, radius float64) float64 {
	dp, dq := math.Abs(p)-halfW+radius, math.Abs(q)-halfH+radius
	return math.Hypot(max(dp, 0), max(dq, 0)) + min(max(dp, dq), 0) - radius
}

// drawContactShadow darkens the substrate along the die, most where they meet. The die's edge is laid
// over it later, blurred, and the blur of a product is not the product of the blurs: the shadow is
// drawn so that both together are exp(-x/width) up to the edge, blurred, which is an exponentially
// modified Gaussian. That holds where the die's edge is seen over its foot.
func (st *stage) drawContactShadow(foot *frame, halfW, halfH float64) {
	const width = 120 // µm
	sigma := math.Sqrt(st.pr.variance) * foot.g
	q := sigma / width
	b := around(halfW+5*width, halfH+5*width)
	st.canvas.each(foot, b, 0, func(p, r, _, under float64) float64 {
		d := outside(p, r, halfW, halfH, 0)
		if d > 5*width {
			return under
		}
		share := 1.0
		if t := d / sigma; t > -5 {
			share = math.Exp(q*q/2-d/width) * normalCDF(t-q) / normalCDF(t)
		}
		return under * (1 - st.Dirt.ContactShadow*share)
	})
}

// drawFluxRim draws a film of flux that has crept out from under the die, its rim glossy.
func (st *stage) drawFluxRim(foot *frame, halfW, halfH float64) {
	mean := 120 + 180*st.rng.Float64()
	w := st.wobble(0.35, 3, 9)
	reach := 3 * mean
	cover, gloss := 0.15+0.2*st.rng.Float64(), 0.2+0.25*st.rng.Float64()
	bright := min(1.5*st.Look.Substrate, 0.9)
	st.canvas.each(foot, around(halfW+reach, halfH+reach), st.pr.reach, func(p, q, s, under float64) float64 {
		out := outside(p, q, halfW, halfH, 150)
		if out > reach {
			return under
		}
		d := mean*(1+min(max(w.at(math.Atan2(q*halfW, p*halfH)), -0.7), 1.5)) - out
		g := 1 / (foot.g * s)
		c := st.pr.edge(d*g, 0.75)
		under += c * cover * (bright*(1+0.08*st.grain.at(p, q)) - under)
		return under + gloss*st.Look.Substrate*st.pr.line(math.Abs(d)*g, 14*g, 0.75)
	})
}
