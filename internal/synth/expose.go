package synth

import (
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/picture"
)

// expose turns the drawn scene into what a camera delivers: light, noise, whole steps.
func (st *stage) expose() *picture.Gray {
	gain := 1.0
	switch st.Fault {
	case MotionBlur:
		st.canvas.smear(14+10*st.rng.Float64(), geom.Angle(st.rng.Float64()*math.Pi))
	case Saturated:
		gain = 1.3 / st.canvas.mean()
	case NearlyBlack:
		gain = 0.03
	}
	g := st.quantise(gain)
	if st.Fault == HalfMissing {
		from := int((0.35 + 0.35*st.rng.Float64()) * float64(g.H))
		clear(g.Pix[from*g.W:])
	}
	for range st.Optics.DeadPixels {
		i := st.rng.IntN(len(g.Pix))
		g.Pix[i] = uint16(st.rng.IntN(2) * g.FullScale)
	}
	return g
}

func (c *canvas) mean() float64 {
	var sum float64
	for _, v := range c.pix {
		sum += float64(v)
	}
	return sum / float64(len(c.pix))
}

// quantise lights the scene, adds noise and rounds to the camera's steps.
func (st *stage) quantise(gain float64) *picture.Gray {
	fullScale, steps, shift := 255, 255.0, 0
	if st.Bits == 12 {
		fullScale, steps, shift = 65535, 4095, 4
	}
	g := picture.New(st.WidthPx, st.HeightPx, fullScale)
	o := &st.Optics
	w, h := float64(g.W), float64(g.H)
	corner := (w*w + h*h) / 4
	read2, shot2 := o.ReadNoise*o.ReadNoise, o.ShotNoise*o.ShotNoise
	noisy := read2+shot2 > 0
	for y := range g.H {
		dy := float64(y) - st.cam.cy
		row, out := st.canvas.pix[y*g.W:][:g.W], g.Pix[y*g.W:][:g.W]
		for x, v := range row {
			dx := float64(x) - st.cam.cx
			light := gain * (1 + o.SlopeX*dx/w + o.SlopeY*dy/h) * (1 - o.Vignette*(dx*dx+dy*dy)/corner)
			level := float64(v)*light + o.BlackLevel
			if noisy {
				level += st.rng.NormFloat64() * math.Sqrt(read2+shot2*max(level, 0))
			}
			out[x] = uint16(min(max(level*steps+0.5, 0), steps)) << shift
		}
	}
	return g
}
