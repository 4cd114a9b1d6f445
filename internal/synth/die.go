package synth

import (
	"cmp"
	"math"

	"plumbsquare/internal/geom"
)

// drawDiePlan draws a die on its substrate from above.
func (st *stage) drawDiePlan() {
	st.drawSubstrate(0.03)
	d := st.Part.Die
	foot := st.placed(d.XMm, d.YMm, d.ThetaDeg, 0)
	halfW, halfH := st.dieHalf()
	st.drawBoard(&foot, halfW, halfH)
	if !st.Die.None {
		if st.Dirt.ContactShadow > 0 {
			st.drawContactShadow(&foot, halfW, halfH)
		}
		if st.Dirt.FluxRim {
			st.drawFluxRim(&foot, halfW, halfH)
		}
	}
	st.drawMarks()
	if !st.Die.None {
		top := st.placed(d.XMm, d.YMm, d.ThetaDeg, d.TopMm)
		st.drawDie(top, halfW, halfH)
		if s := st.Die.Second; s != nil {
			second := top.at(s.XUm, s.YUm, geom.Angle(s.ThetaDeg)*geom.Degree)
			st.drawDie(second, halfW, halfH)
		}
		st.drawAcrossEdges(&top, halfW, halfH)
	}
	st.drawDust()
}

// dieHalf returns half the sides of the die, µm, along its own axes as it lies.
func (st *stage) dieHalf() (w, h float64) {
	d := st.Part.Die
	w, h = d.WidthMm*500+st.Die.SizeXUm/2, d.HeightMm*500+st.Die.SizeYUm/2
	if st.Die.QuarterTurned {
		w, h = h, w
	}
	return w, h
}

func (st *stage) drawDie(f frame, halfW, halfH float64) {
	outline := st.sawn(&f, halfW, halfH)
	i := opaque(st.Look.Die)
	if t := st.Look.Texture; t > 0 {
		s := newStreak(st.rng, 40, st.blurUm(), st.rng.Float64()*math.Pi, 2e-6)
		i = i.with(func(p, q float64) float64 { return 1 + 0.06*t*s.at(p, q) })
	}
	st.paint(&f, outline, i)
	if st.Die.UpsideDown {
		st.drawBumpsUp(&f, halfW, halfH)
	}
}

// drawBumpsUp draws the face of a die that lies on its back.
func (st *stage) drawBumpsUp(f *frame, halfW, halfH float64) {
	pitch, radius := 250.0, 60.0
	if b := st.Part.Die.Bumps; b != nil {
		pitch, radius = b.PitchMm*1000, cmp.Or(b.DiameterMm*500, b.PitchMm*250)
	}
	nx, ny := int((halfW-radius)/pitch), int((halfH-radius)/pitch)
	for i := -nx; i <= nx; i++ {
		for j := -ny; j <= ny; j++ {
			g := f.at(float64(i)*pitch, float64(j)*pitch, 0)
			st.paint(&g, st.pr.disc(&g, radius), opaque(min(3*st.Look.Die+0.2, 0.9)))
		}
	}
}

// sawn returns the outline of a die with the roughness that the saw left and its chips. The
// roughness is a shift of the edge, of mean 0 along each, smoothed as the blur smooths it.
func (st *stage) sawn(f *frame, halfW, halfH float64) shape {
	pr, k, gp, gq := st.pr, f.k, 1/f.gp, 1/f.gq
	var rough [4]*roughEdge // +p, -p, +q, -q
	if st.Die.RoughUm > 0 {
		for i, half := range [4]float64{halfH, halfH, halfW, halfW} {
			rough[i] = st.rough(half, f.g)
		}
	}
	chips := st.chips(f, halfW, halfH)
	chipReach := max(3*cmp.Or(st.Die.ChipUm, 40), 1.5*st.Die.CornerUm)
	plain := func(p, q, s float64) float64 {
		s = 1 / s
		dp, dm := halfW-p, halfW+p
		dq, dn := halfH-q, halfH+q
		if rough[0] != nil {
			dp, dm = dp+rough[0].at(q), dm+rough[1].at(q)
			dq, dn = dq+rough[2].at(p), dn+rough[3].at(p)
		}
		c := pr.edge(dp*gp*s, k) + pr.edge(dm*gp*s, k) - 1
		if c <= 0 {
			return 0
		}
		return c * max(pr.edge(dq*gq*s, k)+pr.edge(dn*gq*s, k)-1, 0)
	}
	return shape{around(halfW+4*st.Die.RoughUm, halfH+4*st.Die.RoughUm), func(p, q, s float64) float64 {
		c := plain(p, q, s)
		if len(chips) == 0 || c == 0 || min(halfW-math.Abs(p), halfH-math.Abs(q)) > chipReach {
			return c
		}
		for _, chip := range chips {
			x, y := chip.frame.from(f, p, q)
			c *= 1 - chip.cover(x, y, s)
		}
		return c
	}}
}

// from returns the coordinates in f of a point of g, a frame of the same height.
func (f *frame) from(g *frame, p, q float64) (x, y float64) {
	at := g.scopePoint(p, q)
	dx, dy := float64(at.X-f.origin.X), float64(at.Y-f.origin.Y)
	return f.cos*dx + f.sin*dy, -f.sin*dx + f.cos*dy
}

// A chip is a piece broken off an edge.
type chip struct {
	frame frame
	shape
}

// chips breaks pieces off the edges: shallow bites, mostly longer than deep.
func (st *stage) chips(f *frame, halfW, halfH float64) []chip {
	var all []chip
	for range st.Die.Chips {
		g := st.onEdge(f, halfW, halfH)
		deep := cmp.Or(st.Die.ChipUm, 40) * (0.3 + 0.7*st.rng.Float64())
		long := deep * (1 + 1.5*st.rng.Float64())
		all = append(all, chip{g, st.pr.blob(&g, long, deep/long, st.wobble(0.08, 2, 6), 0)})
	}
	if r := st.Die.CornerUm; r > 0 {
		corner := st.rng.IntN(4)
		g := f.at(halfW*float64(1-2*(corner%2)), halfH*float64(1-2*(corner/2)), 0)
		all = append(all, chip{g, st.pr.blob(&g, r, 1, st.wobble(0.08, 2, 6), 0)})
	}
	return all
}

// onEdge returns a frame at a random place on the outline of a rectangle, p along the edge.
func (st *stage) onEdge(f *frame, halfW, halfH float64) frame {
	along := (st.rng.Float64()*2 - 1) * 0.95
	switch st.rng.IntN(4) {
	case 0:
		return f.at(halfW, along*halfH, math.Pi/2)
	case 1:
		return f.at(-halfW, along*halfH, math.Pi/2)
	case 2:
		return f.at(along*halfW, halfH, 0)
	}
	return f.at(along*halfW, -halfH, 0)
}

// A roughEdge is how far an edge lies outside its straight line, µm, at steps along it.
type roughEdge struct {
	start, perU float64
	out         []float32
}

func (r *roughEdge) at(q float64) float64 {
	t := (q - r.start) * r.perU
	if t <= 0 {
		return float64(r.out[0])
	}
	i := int(t)
	if i >= len(r.out)-1 {
		return float64(r.out[len(r.out)-1])
	}
	a, b := r.out[i], r.out[i+1]
	return float64(a + (b-a)*float32(t-float64(i)))
}

// rough returns a random edge of half length half, drawn at umPerPx.
func (st *stage) rough(half, umPerPx float64) *roughEdge {
	step := umPerPx / 2
	n := int(2*half/step) + 2
	noise := make([]float64, n)
	for i := range noise {
		noise[i] = st.rng.NormFloat64()
	}
	// White noise smoothed by a Gaussian of width a is correlated over about 2a.
	out := smoothed(noise, cmp.Or(st.Die.RoughLengthUm, 30)/2/step)
	var mean, s2 float64
	for _, v := range out {
		mean += v / float64(n)
		s2 += v * v / float64(n)
	}
	sd := math.Sqrt(max(s2-mean*mean, 1e-30))
	for i := range out {
		out[i] = (out[i] - mean) / sd * st.Die.RoughUm
	}
	out = smoothed(out, st.Optics.BlurPx*umPerPx/step)
	r := &roughEdge{start: -half, perU: 1 / step}
	for _, v := range out {
		r.out = append(r.out, float32(v))
	}
	return r
}

// smoothed convolves values with a Gaussian of width sigma, in steps; the ends are mirrored.
func smoothed(v []float64, sigma float64) []float64 {
	n := len(v)
	reach := int(math.Ceil(4 * sigma))
	if sigma < 0.1 {
		return v
	}
	weight := make([]float64, reach+1)
	total := -1.0
	for i := range weight {
		weight[i] = math.Exp(-float64(i*i) / (2 * sigma * sigma))
		total += 2 * weight[i]
	}
	mirrored := func(i int) float64 {
		i = ((i % (2 * n)) + 2*n) % (2 * n)
		if i >= n {
			i = 2*n - 1 - i
		}
		return v[i]
	}
	out := make([]float64, n)
	for i := range out {
		sum := weight[0] * v[i]
		for j := 1; j <= reach; j++ {
			sum += weight[j] * (mirrored(i-j) + mirrored(i+j))
		}
		out[i] = sum / total
	}
	return out
}
