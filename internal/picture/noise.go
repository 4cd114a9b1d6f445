package picture

import (
	"slices"
)

// Noise is the noise model of a picture: the variance of a pixel at grey level I, in DN², is
// ReadVar + Gain·I. Rounding to the camera's steps is part of it.
type Noise struct{ ReadVar, Gain float64 }

// Var returns the variance at a grey level, DN².
func (n Noise) Var(dn float64) float64 { return n.ReadVar + n.Gain*max(dn, 0) }

const (
	// noiseBlock is the side of a block, px: small against what the light does across a picture,
	// large enough that a block's variance is known to some 15 %.
	noiseBlock = 16
	noiseTaps  = 5
	noiseInner = noiseBlock - noiseTaps + 1 // residuals across a block

	// noiseBlocks is how many blocks are looked at; with them the noise of a picture that is all
	// one level is known to a fraction of a percent.
	noiseBlocks = 2500

	// noiseQuantile is which block of one grey level counts. Edges, dust and texture only ever
	// add variance, so the calmer blocks tell the noise; chiSquareQuartile is where that quantile
	// lies in blocks that hold nothing but noise, as a fraction of the mean.
	noiseQuantile = 0.25

	noiseLevels = 12 // groups of blocks of like grey level, for variance against level
)

// A block is a small part of a picture: its mean grey level and the variance of its noise.
type block struct{ level, variance float64 }

// EstimateNoise tells the noise from the picture alone.
//
// Optics blur a picture and leave next to nothing at the finest pattern a sensor can hold, while
// noise is equally strong there. So the noise is what answers to the fourth difference in x of
// the fourth difference in y, weights (1 -4 6 -4 1)⊗(1 -4 6 -4 1): the idea of Immerkær,
// Computer Vision and Image Understanding 64 (1996) 300, one order higher. Its mean square over
// 70² is the variance of a block; of the blocks of like grey level a low quantile counts, and a
// line with no negative coefficient is fitted through the levels.
//
// Variance is never less than step²/12, step being the coarsest that all levels of the file are
// multiples of: 16 where a 16-bit file holds 12-bit data. Lossy compression, which removes
// just that finest pattern, makes the estimate too small.
func EstimateNoise(g *Gray) Noise {
	step := float64(levelStep(g))
	floor := step * step / 12
	blocks := noiseSample(g)
	if len(blocks) == 0 {
		return Noise{ReadVar: floor}
	}
	slices.SortFunc(blocks, func(a, b block) int {
		switch {
		case a.level < b.level:
			return -1
		case a.level > b.level:
			return 1
		}
		return 0
	})
	var groups []block
	n := max(1, min(noiseLevels, len(blocks)/20))
	for i := range n {
		groups = append(groups, calm(blocks[i*len(blocks)/n:(i+1)*len(blocks)/n]))
	}
	noise := fitNoise(groups)
	noise.ReadVar = max(noise.ReadVar, floor)
	return noise
}

// noiseSample measures blocks spread evenly over the picture, leaving out those that are clipped
// at either end of the scale, where noise is cut off.
func noiseSample(g *Gray) []block {
	across, down := g.W/noiseBlock, g.H/noiseBlock
	all := across * down
	n := min(all, noiseBlocks)
	white := saturation(g)
	out := make([]block, 0, n)
	for k := range n {
		at := (2*k + 1) * all / (2 * n)
		if b, ok := measureBlock(g, at%across*noiseBlock, at/across*noiseBlock, white); ok {
			out = append(out, b)
		}
	}
	return out
}

// measureBlock returns mean level and noise variance of the block at (x0, y0), false when a
// pixel is black or white.
func measureBlock(g *Gray, x0, y0 int, white uint16) (block, bool) {
	var across [noiseBlock][noiseInner]int32 // fourth differences along each row
	var sum int64
	for y := range noiseBlock {
		p := (*[noiseBlock]uint16)(g.Pix[(y0+y)*g.W+x0:])
		for _, v := range p {
			if v == 0 || v >= white {
				return block{}, false
			}
			sum += int64(v)
		}
		d := &across[y]
		for x := range d {
			d[x] = int32(p[x]) + int32(p[x+4]) - 4*(int32(p[x+1])+int32(p[x+3])) + 6*int32(p[x+2])
		}
	}
	var squares float64
	for y := range noiseInner {
		a, b, c, d, e := &across[y], &across[y+1], &across[y+2], &across[y+3], &across[y+4]
		for x := range noiseInner {
			r := float64(a[x] + e[x] - 4*(b[x]+d[x]) + 6*c[x])
			squares += r * r
		}
	}
	const gain = 70 * 70 // Σ weights²
	return block{
		level:    float64(sum) / (noiseBlock * noiseBlock),
		variance: squares / (noiseInner * noiseInner * gain),
	}, true
}

// chiSquareQuartile is the lower quartile of χ²/ν. The residuals of a block overlap: with the
// autocorrelation ρ of the weights, (70 -56 28 -8 1)/70 to either side, ν = N⁴/Σ(N-|i|)(N-|j|)ρᵢ²ρⱼ²
// = 23.8 for N = 12 (Satterthwaite), and the quartile follows from Wilson and Hilferty's
// approximation, Abramowitz and Stegun 26.4.17.
const chiSquareQuartile = 0.792

// calm returns the mean level of a group of blocks and the variance that its calmer ones tell.
func calm(group []block) block {
	v := make([]float64, len(group))
	var level float64
	for i, b := range group {
		v[i] = b.variance
		level += b.level
	}
	slices.Sort(v)
	return block{
		level:    level / float64(len(group)),
		variance: v[int(noiseQuantile*float64(len(v)))] / chiSquareQuartile,
	}
}

// fitNoise fits variance = a + b·level with a, b ≥ 0 to groups whose variances are all known to
// the same relative precision. Groups far above the line, where nothing is calm, lose weight.
func fitNoise(groups []block) Noise {
	v := make([]float64, len(groups))
	for i, b := range groups {
		v[i] = b.variance
	}
	slices.Sort(v)
	n := Noise{ReadVar: v[len(v)/2]}
	for range 20 {
		var w, wx, wxx, wy, wxy float64
		for _, b := range groups {
			fit := max(n.Var(b.level), 1e-12)
			z := (b.variance/fit - 1) / 0.15
			k := 1 / (fit * fit * (1 + z*z))
			w, wx, wxx = w+k, wx+k*b.level, wxx+k*b.level*b.level
			wy, wxy = wy+k*b.variance, wxy+k*b.level*b.variance
		}
		n = Noise{ReadVar: wy / w}
		if det := w*wxx - wx*wx; det > 1e-9*w*wxx {
			a, b := (wxx*wy-wx*wxy)/det, (w*wxy-wx*wy)/det
			switch {
			case b < 0: // a constant is the best there is
			case a < 0:
				n = Noise{Gain: wxy / wxx}
			default:
				n = Noise{ReadVar: a, Gain: b}
			}
		}
	}
	return n
}

// saturation is the grey level from which a pixel counts as saturated: full scale less one step,
// for a 12-bit camera in a 16-bit file never writes more than 65520.
func saturation(g *Gray) uint16 {
	return uint16(g.FullScale + 1 - levelStep(g))
}

// levelStep returns the power of two that the levels of a 16-bit picture are multiples of, full
// scale left out; 1 for an 8-bit one.
func levelStep(g *Gray) int {
	if g.FullScale < 256 {
		return 1
	}
	bits := uint16(0)
	for i := 0; i < len(g.Pix); i += 1 + len(g.Pix)/100_000 {
		if v := g.Pix[i]; int(v) != g.FullScale {
			bits |= v
		}
	}
	step := 1
	for step < 256 && bits != 0 && int(bits)&step == 0 {
		step *= 2
	}
	return step
}
