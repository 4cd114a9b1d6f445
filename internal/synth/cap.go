package synth

import (
	"math"

	"plumbsquare/internal/geom"
)

// drawCapPlan draws a machined metal cap glued over the die.
func (st *stage) drawCapPlan() {
	st.drawSubstrate(0.03)
	c := st.Part.Cap
	foot := st.placed(c.XMm, c.YMm, c.ThetaDeg, 0)
	halfW, halfH := c.WidthMm*500+st.Die.SizeXUm/2, c.HeightMm*500+st.Die.SizeYUm/2
	if st.Die.QuarterTurned {
		halfW, halfH = halfH, halfW
	}
	radius := c.CornerRadiusMm * 1000
	st.drawBoard(&foot, halfW, halfH)
	if !st.Die.None && st.Dirt.FluxRim {
		st.drawAdhesive(&foot, halfW, halfH, radius)
	}
	st.drawMarks()
	if !st.Die.None {
		top := st.placed(c.XMm, c.YMm, c.ThetaDeg, c.TopMm)
		st.drawCap(&top, halfW, halfH, radius)
		if s := st.Die.Second; s != nil {
			second := top.at(s.XUm, s.YUm, geom.Angle(s.ThetaDeg)*geom.Degree)
			st.drawCap(&second, halfW, halfH, radius)
		}
		st.drawAcrossEdges(&top, halfW, halfH)
	}
	st.drawDust()
}

func (st *stage) drawCap(f *frame, halfW, halfH, radius float64) {
	chips := st.chips(f, halfW, halfH)
	outline := st.pr.roundedRectangle(f, halfW, halfH, radius)
	i := opaque(st.Look.Die)
	if t := st.Look.Texture; t > 0 {
		s := newStreak(st.rng, 60, st.blurUm(), 0.1*st.rng.NormFloat64(), 3e-7)
		i = i.with(func(p, q float64) float64 { return 1 + 0.1*t*s.at(p, q) })
	}
	whole := shape{outline.box, func(p, q, s float64) float64 {
		c := outline.cover(p, q, s)
		if c == 0 || min(halfW-math.Abs(p), halfH-math.Abs(q)) > 300 {
			return c
		}
		for _, chip := range chips {
			x, y := chip.frame.from(f, p, q)
			c *= 1 - chip.cover(x, y, s)
		}
		return c
	}}
	if st.Look.Texture == 0 {
		st.paint(f, whole, i)
		return
	}
	// The chamfer runs along the edge, inside it, and mirrors the dark around or a lamp. Drawn in
	// one piece with the face, as columns are, so that no seam shows where their edges meet.
	const chamfer = 150 // µm
	inner := st.pr.roundedRectangle(f, halfW-chamfer, halfH-chamfer, max(radius-chamfer, 0))
	light := st.Look.Flank * (0.7 + 0.6*st.rng.Float64())
	st.canvas.each(f, whole.box, st.pr.reach, func(p, q, scale, under float64) float64 {
		c := whole.cover(p, q, scale)
		if c == 0 {
			return under
		}
		face := min(inner.cover(p, q, scale), c)
		return under*(1-c) + light*(c-face) + face*i.b*i.texture(p, q)
	})
}

// drawAdhesive draws the ragged bead of glue outside the cap.
func (st *stage) drawAdhesive(foot *frame, halfW, halfH, radius float64) {
	mean := 120 + 60*st.rng.Float64()
	w := st.wobble(0.4, 5, 25)
	reach := 3 * mean
	level := st.Look.Substrate * (0.35 + 0.2*st.rng.Float64())
	st.canvas.each(foot, around(halfW+reach, halfH+reach), st.pr.reach, func(p, q, s, under float64) float64 {
		out := outside(p, q, halfW, halfH, radius)
		if out > reach || out < -2*mean {
			return under
		}
		d := mean*(1+min(max(w.at(math.Atan2(q, p)), -0.8), 1.5)) - out
		return under + st.pr.edge(d/(foot.g*s), 0.75)*(level-under)
	})
}
