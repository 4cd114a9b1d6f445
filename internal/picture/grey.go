package picture

import (
	"errors"
	"image"
	"image/color"
)

// Weights of red, green and blue in 1/65536, after ITU-R BT.601-7; they add up to 65536.
const (
	redWeight   = 19595
	greenWeight = 38470
	blueWeight  = 7471
)

// luma is the grey level of a colour, rounded, on the scale of its three levels (0 to 65535).
func luma(r, g, b uint32) uint16 {
	return uint16((redWeight*uint64(r) + greenWeight*uint64(g) + blueWeight*uint64(b) + 1<<15) >> 16)
}

var errColour = errors.New("its colours are not grey, RGB or YCbCr")

// grey copies what a decoder made into grey levels.
func grey(m image.Image) (*Gray, error) {
	w, h := m.Bounds().Dx(), m.Bounds().Dy()
	switch m := m.(type) {
	case *image.Gray:
		return widen(w, h, m.Pix, m.Stride), nil
	case *image.YCbCr: // its luma is the weighted mean already
		return widen(w, h, m.Y, m.YStride), nil
	case *image.Gray16:
		return gather(w, h, 65535, m.Pix, m.Stride, 2, func(p []byte) uint16 { return be16(p) }), nil
	case *image.RGBA:
		return gather(w, h, 255, m.Pix, m.Stride, 4, luma8), nil
	case *image.NRGBA:
		return gather(w, h, 255, m.Pix, m.Stride, 4, luma8), nil
	case *image.RGBA64:
		return gather(w, h, 65535, m.Pix, m.Stride, 8, luma16), nil
	case *image.NRGBA64:
		return gather(w, h, 65535, m.Pix, m.Stride, 8, luma16), nil
	case *image.Paletted:
		levels := paletteLevels(m.Palette)
		return gather(w, h, 255, m.Pix, m.Stride, 1, func(p []byte) uint16 { return levels[p[0]] }), nil
	}
	return nil, errColour
}

// widen copies 8-bit pixels, the common case, as fast as memory allows.
func widen(w, h int, pix []byte, stride int) *Gray {
	g := New(w, h, 255)
	for y := range h {
		src := pix[y*stride:][:w]
		dst := g.Pix[y*w:][:len(src)]
		for x, v := range src {
			dst[x] = uint16(v)
		}
	}
	return g
}

// gather makes each pixel from its size bytes.
func gather(w, h, fullScale int, pix []byte, stride, size int, level func([]byte) uint16) *Gray {
	g := New(w, h, fullScale)
	for y := range h {
		row := pix[y*stride:][:w*size]
		for x := range w {
			g.Pix[y*w+x] = level(row[x*size : (x+1)*size])
		}
	}
	return g
}

func be16(p []byte) uint16 { return uint16(p[0])<<8 | uint16(p[1]) }

func luma8(p []byte) uint16 { return luma(uint32(p[0]), uint32(p[1]), uint32(p[2])) }

func luma16(p []byte) uint16 {
	return luma(uint32(be16(p)), uint32(be16(p[2:])), uint32(be16(p[4:])))
}

// paletteLevels gives the 8-bit grey level of each palette entry.
func paletteLevels(p color.Palette) (levels [256]uint16) {
	for i, c := range p {
		n := color.NRGBAModel.Convert(c).(color.NRGBA)
		levels[i] = luma8([]byte{n.R, n.G, n.B})
	}
	return levels
}
