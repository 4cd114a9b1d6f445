package synth

import (
	"math"

	"plumbsquare/internal/geom"
)

// drawBallPlan draws the balls from above as a ring light shows them.
func (st *stage) drawBallPlan() {
	st.drawSubstrate(0.05)
	st.drawArrayMarks()
	if st.Array.Shadow > 0 {
		for i := range st.sites {
			st.drawBallShadow(&st.sites[i])
		}
	}
	for i := range st.sites {
		if st.sites[i].Missing {
			st.drawPad(&st.sites[i])
		}
	}
	st.drawDebris()
	byName := map[string]*site{}
	for i := range st.sites {
		byName[st.sites[i].Name] = &st.sites[i]
	}
	for i := range st.sites {
		s := &st.sites[i]
		// Each bridge is named by both its ends; the later one draws it.
		if to := byName[s.BridgedTo]; to != nil && !s.Missing && !to.Missing && to.Name != s.Name && (to.Row < s.Row || to.Row == s.Row && to.Column < s.Column || to.BridgedTo != s.Name) {
			st.drawBridge(s, to)
		}
	}
	for i := range st.sites {
		s := &st.sites[i]
		if s.Missing {
			continue
		}
		if s.Doubled {
			f := st.equator(s)
			f = f.at(0, 0, geom.Angle(2*math.Pi*st.rng.Float64()))
			f = f.at(0.45*s.diameterUm, 0, 0)
			st.drawBall(&f, 0.4*s.diameterUm)
		}
		f := st.equator(s)
		st.drawBall(&f, s.diameterUm/2)
	}
	st.drawDust()
}

// equator returns the frame of a ball's widest section.
func (st *stage) equator(s *site) frame {
	plane := st.plane(st.Part.Array.EquatorMm)
	return plane.at(s.x+s.baseX, s.y+s.baseY, 0)
}

func (st *stage) drawBallShadow(s *site) {
	if s.Missing {
		return
	}
	f := st.substrate.at(s.x+s.baseX, s.y+s.baseY, 0)
	radius, soft := s.diameterUm*0.6, s.diameterUm*0.08
	st.canvas.each(&f, around(radius+3*soft, radius+3*soft), 0, func(p, q, _, under float64) float64 {
		return under * (1 - st.Array.Shadow*fade((radius-math.Hypot(p, q))/soft))
	})
}

// drawBall draws a ball: bright where its slope throws the lamps' light up the lens, which a
// ring light makes a ring, with a second row of lamps as separate glints outside of it.
func (st *stage) drawBall(f *frame, radius float64) {
	level, gloss := st.Look.Tip, st.Look.Texture
	lamps, phase := 12.0, 2*math.Pi*st.rng.Float64()
	bump := func(t, at, width float64) float64 {
		z := (t - at) / width
		if z > 4 || z < -4 {
			return 0
		}
		return math.Exp(-z * z / 2)
	}
	softest := st.pr.variance * f.g * f.g / (radius * radius) // the blur, in radii squared
	width := math.Sqrt(0.03*0.03 + softest)
	i := opaque(level).with(func(p, q float64) float64 {
		t := math.Hypot(p, q) / radius
		light := 1.0
		if gloss > 0 {
			glints := 0.5 + 0.5*math.Cos(lamps*math.Atan2(q, p)+phase)
			light += gloss * (0.9*bump(t, 0, 0.16) + 1.6*bump(t, 0.2, width)*0.03/width*2 + 0.5*glints*bump(t, 0.72, width) - 0.55*smooth(min(max((t-0.3)/0.7, 0), 1)))
		}
		return max(light, 0.05)
	})
	st.paint(f, st.pr.disc(f, radius), i)
}

// drawBridge draws the solder that joins two balls.
func (st *stage) drawBridge(a, b *site) {
	f, g := st.equator(a), st.equator(b)
	dx, dy := float64(g.origin.X-f.origin.X), float64(g.origin.Y-f.origin.Y)
	half := math.Hypot(dx, dy) / 2
	m := st.cam.frame(geom.ScopePoint{X: f.origin.X + geom.Length(dx/2), Y: f.origin.Y + geom.Length(dy/2)}, geom.Angle(math.Atan2(dy, dx)), f.heightUm)
	wide := 0.3 * min(a.diameterUm, b.diameterUm)
	level := st.Look.Tip
	st.paint(&m, st.pr.rectangle(&m, half, wide), opaque(level).with(func(_, q float64) float64 {
		return 0.6 + 0.6*st.Look.Texture*math.Exp(-q*q/(2*wide*wide*0.04))
	}))
}
