package column

import "math"

// levelsAround holds a level for each sector, the first repeated at the end.
type levelsAround [sectors + 1]float64

// measureAround measures the levels of the ground just beyond the edge's light and, for uneven
// faces, of the face just inside it, by every stride-th pixel.
func (f *discFitter) measureAround(ground, face *levelsAround, cx, cy, cr, lx, ly float64, stride int) {
	gap := levelGap * f.sigma
	if f.flat {
		var sum, count float64
		near, far := cr+flatGap*f.sigma, cr+levelGap*f.sigma+f.groundPx
		for i := 0; i < len(f.px); i += stride {
			p := &f.px[i]
			if rho := p.distance(cx, cy); rho >= near && rho <= far {
				sum += p.z / (1 + lx*(p.rho*p.cos-cx) + ly*(p.rho*p.sin-cy))
				count++
			}
		}
		for k := range ground {
			ground[k] = sum / max(count, 1)
		}
		return
	}
	outside := ring{near: cr + gap, far: cr + gap + f.groundPx}
	inside := ring{near: max(0, cr-gap-f.groundPx), far: cr - gap}
	for i := 0; i < len(f.px); i += stride {
		p := &f.px[i]
		rho := p.distance(cx, cy)
		if rho >= outside.near && rho <= outside.far {
			outside.add(p)
		} else if f.uneven && rho >= inside.near && rho <= inside.far {
			inside.add(p)
		}
	}
	outside.levels(ground)
	if f.uneven {
		inside.levels(face)
	}
}

// A ring sums the pixels between two radii by sectors.
type ring struct {
	near, far float64
	n, sum    [sectors]float64
}

func (r *ring) add(p *facePixel) {
	k := int(p.around) & (sectors - 1)
	r.n[k]++
	r.sum[k] += p.z
}

// levels sets the mean of each sector; an empty one takes that of the next.
func (r *ring) levels(b *levelsAround) {
	for k := range r.sum {
		b[k] = math.NaN()
		if r.n[k] > 0 {
			b[k] = r.sum[k] / r.n[k]
		}
	}
	for k := range r.sum {
		for i := 1; i < sectors && b[k] != b[k]; i++ {
			b[k] = b[(k+i)&(sectors-1)]
		}
	}
	b[sectors] = b[0]
}

// middles returns between which two sectors' middles a direction lies, given in sectors from +u: k
// and k+1, and how far from the one to the other.
func middles(around float64) (k int, w float64) {
	p := around - 0.5
	if p < 0 {
		p += sectors
	}
	k = int(p)
	if k >= sectors { // p+16 rounds up to 16 for a p just below 0
		k = sectors - 1
	}
	return k, p - float64(k)
}

// at interpolates between the middles of the sectors.
func (b *levelsAround) at(around float64) float64 {
	k, w := middles(around)
	return b[k] + w*(b[k+1]-b[k])
}

// diamond is the cheap stand-in for the angle of (u, v): 0 to 4 counter-clockwise from +u, rising with
// the angle. It takes v over |u| + |v|.
func diamond(u, over float64) float64 {
	switch {
	case u < 0:
		return 2 - over
	case over < 0:
		return 4 + over
	}
	return over
}
