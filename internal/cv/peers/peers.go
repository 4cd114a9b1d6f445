// Package peers holds what somebody at home in OpenCV would script in an afternoon: threshold and
// minimum-area rectangle, contour moments, the circle transform. They stand beside the program's
// own methods in docs/performance.md; nothing is measured with them. Template matching with a
// parabola is [plumbsquare/internal/cv.Peaks].
package peers

/*
#cgo pkg-config: opencv4
#cgo CXXFLAGS: -std=c++11 -O2
#include <stdlib.h>
#include "peers.h"
*/
import "C"

import (
	"image"
	"math/bits"
	"unsafe"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/picture"
)

// A Rectangle is the smallest one round what was thresholded, image frame, px. Direction is that
// of its width, clockwise as seen, degrees, any of the four that a rectangle has.
type Rectangle struct {
	Centre                          geom.ImagePoint
	WidthPx, HeightPx, DirectionDeg float64
}

// MinAreaRectangle returns the rectangle round the thing within a part of the picture whose area
// is nearest to areaPx, px²; false when nothing comes within 30 %.
func MinAreaRectangle(g *picture.Gray, in image.Rectangle, areaPx float64) (Rectangle, bool) {
	p, free := crop(g, &in)
	defer free()
	var r [5]C.double
	if p.w < 8 || p.h < 8 || C.peer_min_area_rect(p, C.double(areaPx), &r[0]) != 1 {
		return Rectangle{}, false
	}
	return Rectangle{
		geom.ImagePoint{X: float64(r[0]) + float64(in.Min.X), Y: float64(r[1]) + float64(in.Min.Y)},
		float64(r[2]), float64(r[3]), float64(r[4]),
	}, true
}

// most is how many places a call gives at most.
const most = 10_000

// ContourMoments returns the centroids of all contours within a part of the picture whose area
// lies between least and most px².
func ContourMoments(g *picture.Gray, in image.Rectangle, leastPx, mostPx float64) []geom.ImagePoint {
	p, free := crop(g, &in)
	defer free()
	if p.w < 8 || p.h < 8 {
		return nil
	}
	xy := make([]C.double, 2*most)
	n := C.peer_contour_moments(p, C.double(leastPx), C.double(mostPx), &xy[0], most)
	return points(xy, int(n), in)
}

// Circles returns the centres of circles of a radius between least and most, px, at least
// distancePx apart.
func Circles(g *picture.Gray, in image.Rectangle, distancePx, leastPx, mostPx float64) []geom.ImagePoint {
	p, free := crop(g, &in)
	defer free()
	if p.w < 8 || p.h < 8 {
		return nil
	}
	xy := make([]C.double, 2*most)
	n := C.peer_circle_transform(p, C.double(distancePx), C.int(leastPx), C.int(mostPx+1), &xy[0], most)
	return points(xy, int(n), in)
}

func points(xy []C.double, n int, in image.Rectangle) []geom.ImagePoint {
	var out []geom.ImagePoint
	for i := range n { // none for -1
		out = append(out, geom.ImagePoint{X: float64(xy[2*i]) + float64(in.Min.X), Y: float64(xy[2*i+1]) + float64(in.Min.Y)})
	}
	return out
}

// crop copies a part of the picture, clipped to it, into 8-bit pixels outside Go's memory.
func crop(g *picture.Gray, in *image.Rectangle) (C.peer_picture, func()) {
	*in = in.Intersect(image.Rect(0, 0, g.W, g.H))
	w, h := in.Dx(), in.Dy()
	if w == 0 || h == 0 {
		return C.peer_picture{}, func() {}
	}
	mem := C.malloc(C.size_t(w * h))
	pix := unsafe.Slice((*byte)(mem), w*h)
	shift := max(bits.Len(uint(g.FullScale))-8, 0)
	for y := range h {
		for x, v := range g.Pix[(in.Min.Y+y)*g.W+in.Min.X:][:w] {
			pix[y*w+x] = byte(v >> shift)
		}
	}
	return C.peer_picture{(*C.uchar)(mem), C.int(w), C.int(h)}, func() { C.free(mem) }
}
