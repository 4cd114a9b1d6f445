package cv

import "plumbsquare/internal/picture"

// Shrink returns the picture at 1/factor of its size: each pixel is the mean of a block of
// factor × factor pixels, rounded to the nearest grey level. Pixels right and below that don't
// fill a block are left out. Full scale stays. A factor below 2 gives a copy.
//
// The centre of pixel (x, y) of the result lies at factor·x + (factor-1)/2, and so in y, of g.
func Shrink(g *picture.Gray, factor int) *picture.Gray {
	factor = max(factor, 1)
	out := &picture.Gray{W: g.W / factor, H: g.H / factor, FullScale: g.FullScale}
	out.Pix = make([]uint16, out.W*out.H)
	if factor == 1 {
		copy(out.Pix, g.Pix)
		return out
	}
	switch factor {
	case 2:
		for y := range out.H {
			dst := out.Pix[y*out.W:][:out.W]
			a, b := g.Pix[2*y*g.W:][:2*len(dst)], g.Pix[(2*y+1)*g.W:][:2*len(dst)]
			for x := range dst {
				p, q := a[2*x:2*x+2:2*x+2], b[2*x:2*x+2:2*x+2]
				dst[x] = uint16((uint32(p[0]) + uint32(p[1]) + uint32(q[0]) + uint32(q[1]) + 2) / 4)
			}
		}
		return out
	case 3:
		for y := range out.H {
			dst := out.Pix[y*out.W:][:out.W]
			n := 3 * len(dst)
			a, b, c := g.Pix[3*y*g.W:][:n], g.Pix[(3*y+1)*g.W:][:n], g.Pix[(3*y+2)*g.W:][:n]
			for x := range dst {
				i := 3 * x
				p, q, r := a[i:i+3:i+3], b[i:i+3:i+3], c[i:i+3:i+3]
				dst[x] = uint16((uint32(p[0]) + uint32(p[1]) + uint32(p[2]) + uint32(q[0]) + uint32(q[1]) + uint32(q[2]) +
					uint32(r[0]) + uint32(r[1]) + uint32(r[2]) + 4) / 9)
			}
		}
		return out
	case 4:
		for y := range out.H {
			dst := out.Pix[y*out.W:][:out.W]
			n := 4 * len(dst)
			a, b, c, d := g.Pix[4*y*g.W:][:n], g.Pix[(4*y+1)*g.W:][:n], g.Pix[(4*y+2)*g.W:][:n], g.Pix[(4*y+3)*g.W:][:n]
			for x := range dst {
				i := 4 * x
				p, q, r, s := a[i:i+4:i+4], b[i:i+4:i+4], c[i:i+4:i+4], d[i:i+4:i+4]
				dst[x] = uint16((uint32(p[0]) + uint32(p[1]) + uint32(p[2]) + uint32(p[3]) + uint32(q[0]) + uint32(q[1]) + uint32(q[2]) + uint32(q[3]) +
					uint32(r[0]) + uint32(r[1]) + uint32(r[2]) + uint32(r[3]) + uint32(s[0]) + uint32(s[1]) + uint32(s[2]) + uint32(s[3]) + 8) / 16)
			}
		}
		return out
	}
	// The factors that pyramids use are spelled out above.
	area := uint64(factor) * uint64(factor)
	sums := make([]uint64, out.W)
	for y := range out.H {
		clear(sums)
		for r := range factor {
			row := g.Pix[(y*factor+r)*g.W:][:out.W*factor]
			for x := range sums {
				block := row[:factor]
				row = row[factor:]
				var sum uint64
				for _, v := range block {
					sum += uint64(v)
				}
				sums[x] += sum
			}
		}
		dst := out.Pix[y*out.W:][:len(sums)]
		for x, s := range sums {
			dst[x] = uint16((s + area/2) / area)
		}
	}
	return out
}
