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
	if factor == 2 {
		for y := range out.H {
			dst := out.Pix[y*out.W:][:out.W]
			a, b := g.Pix[2*y*g.W:][:2*len(dst)], g.Pix[(2*y+1)*g.W:][:2*len(dst)]
			for x := range dst {
				p, q := a[2*x:2*x+2:2*x+2], b[2*x:2*x+2:2*x+2]
				dst[x] = uint16((uint32(p[0]) + uint32(p[1]) + uint32(q[0]) + uint32(q[1]) + 2) / 4)
			}
		}
		return out
	}
	area := uint64(factor) * uint64(factor)
	sums := make([]uint64, out.W)
	for y := range out.H {
		clear(sums)
		for r := range factor {
			row := g.Pix[(y*factor+r)*g.W:][:out.W*factor]
			addBlocks(sums, row, factor)
		}
		dst := out.Pix[y*out.W:][:len(sums)]
		for x, s := range sums {
			dst[x] = uint16((s + area/2) / area)
		}
	}
	return out
}

// addBlocks adds to each sum the next factor pixels of row. The factors that pyramids use are
// spelled out: the sum of a block then needs no inner loop.
func addBlocks(sums []uint64, row []uint16, factor int) {
	switch factor {
	case 3:
		for x := range sums {
			b := row[3*x : 3*x+3 : 3*x+3]
			sums[x] += uint64(b[0]) + uint64(b[1]) + uint64(b[2])
		}
	case 4:
		for x := range sums {
			b := row[4*x : 4*x+4 : 4*x+4]
			sums[x] += uint64(b[0]) + uint64(b[1]) + uint64(b[2]) + uint64(b[3])
		}
	case 8:
		for x := range sums {
			b := row[8*x : 8*x+8 : 8*x+8]
			sums[x] += uint64(b[0]) + uint64(b[1]) + uint64(b[2]) + uint64(b[3]) + uint64(b[4]) + uint64(b[5]) + uint64(b[6]) + uint64(b[7])
		}
	default:
		for x := range sums {
			for _, v := range row[x*factor : (x+1)*factor] {
				sums[x] += uint64(v)
			}
		}
	}
}
