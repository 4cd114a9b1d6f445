package synth

import (
	"math"

	"plumbsquare/internal/part"
)

// drawDieIR draws a die seen through in the infrared: metal below it bright, its own marks and
// bumps dark, its face a shade darker than the laminate, fringes where light is thrown back
// and forth between its faces.
func (st *stage) drawDieIR() {
	st.drawSubstrate(0.06)
	d := st.Part.Die
	halfW, halfH := st.dieHalf()
	for range st.Dirt.Traces {
		f := st.anywhere()
		length := 400 + 1500*st.rng.Float64()
		st.paint(&f, st.pr.rectangle(&f, length, 20+20*st.rng.Float64()), glow(0.03+0.03*st.rng.Float64()))
	}
	st.drawMarks()
	if !st.Die.None {
		face := st.placed(d.XMm, d.YMm, d.ThetaDeg, d.Marks.PlaneMm)
		st.drawSilicon(halfW, halfH)
		st.drawBumpShadows(&face)
		for _, at := range d.Marks.At {
			x, y := at.XMm*1000, at.YMm*1000
			if st.Die.UpsideDown {
				x = -x
			}
			if st.Die.QuarterTurned {
				x, y = -y, x
			}
			f := face.at(x, y, 0)
			st.truth.addMark(at.Name, f.image(0, 0), MarkState{})
			st.paint(&f, st.pr.mark(&f, d.Marks, 1), filter(0.72))
		}
	}
	st.drawDust()
}

// drawSilicon dims all that the die covers and draws its outline, a dark line.
func (st *stage) drawSilicon(halfW, halfH float64) {
	d := st.Part.Die
	f := st.placed(d.XMm, d.YMm, d.ThetaDeg, d.TopMm)
	outline := st.sawn(&f, halfW, halfH)
	line := st.pr.rectangle(&f, halfW-12, halfH-12)
	dim := st.Look.Die / st.Look.Substrate
	p0, q0 := 0.3*halfW*st.rng.NormFloat64(), 0.3*halfH*st.rng.NormFloat64()
	wavelength, bow := 160+120*st.rng.Float64(), st.rng.Float64()
	blur2 := st.blurUm() * st.blurUm()
	st.canvas.each(&f, outline.box, st.pr.reach, func(p, q, s, under float64) float64 {
		c := outline.cover(p, q, s)
		if c == 0 {
			return under
		}
		t := dim
		if st.Dirt.Fringes > 0 {
			r := math.Hypot(p-p0, (q-q0)*(0.7+0.5*bow))
			k := (4*math.Pi*r/8000 + 1) / wavelength // rad per µm, which the blur dampens
			t *= 1 + st.Dirt.Fringes*math.Exp(-k*k*blur2/2)*math.Cos(2*math.Pi*r*r/(wavelength*8000)+r/wavelength)
		}
		t *= 1 - 0.25*max(c-line.cover(p, q, s), 0)
		return under * (1 + c*(t-1))
	})
}

// drawBumpShadows draws the solder bumps under the die, soft because they are out of focus.
func (st *stage) drawBumpShadows(face *frame) {
	b := st.Part.Die.Bumps
	if b == nil || b.DiameterMm <= 0 {
		return
	}
	// Out of focus a bump grows fainter, too: a Gaussian leaves 1 − exp(−r²/2σ²) of a disc's middle.
	radius, soft := b.DiameterMm*500, b.DiameterMm*60
	sigma := math.Hypot(fadeSigma*soft, math.Sqrt(st.pr.variance)*face.g)
	left := (1 - math.Exp(-radius*radius/(2*sigma*sigma))) / fade(radius*fadeSigma/sigma)
	for _, at := range bumpPlaces(b) {
		f := face.at(at[0], at[1], 0)
		shade := filter(1 - min(left, 1)*(0.2+0.08*st.rng.Float64()))
		st.paint(&f, st.pr.blob(&f, radius, 1, wobble{}, soft), shade)
	}
}

// bumpPlaces returns the bumps' places from the die's centre, µm.
func bumpPlaces(b *part.Bumps) [][2]float64 {
	var places [][2]float64
	for row := range b.Rows {
		for column := range b.Columns {
			places = append(places, [2]float64{
				float64(2*column+1-b.Columns) / 2 * b.PitchMm * 1000,
				float64(b.Rows-1-2*row) / 2 * b.PitchMm * 1000,
			})
		}
	}
	return places
}
