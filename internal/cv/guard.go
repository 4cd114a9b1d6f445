package cv

/*
#cgo pkg-config: opencv4
#cgo CXXFLAGS: -std=c++11 -O2
#include "guard.h"
*/
import "C"

import (
	"fmt"
	"strings"
	"unsafe"

	"gocv.io/x/gocv"
)

// SetThreads sets how many threads OpenCV uses inside one call. Whatever measures calls it with 1
// first: work is spread over pictures, and the order of sums inside one must not depend on timing.
func SetThreads(n int) error {
	var e C.cv_error
	C.cv_set_threads(C.int(n), &e)
	return guarded("set threads", &e)
}

// Version is that of the OpenCV library in use, such as "4.6.0".
func Version() string { return gocv.OpenCVVersion() }

// guarded turns what a guarded call left into an error that names the call.
func guarded(call string, e *C.cv_error) error {
	if e.failed == 0 {
		return nil
	}
	return fmt.Errorf("cv: %s: OpenCV: %s", call, strings.TrimSpace(C.GoString(&e.text[0])))
}

// mats owns every Mat of one call. Take Mats from it; close it once, deferred.
type mats []*gocv.Mat

func (s *mats) close() {
	for _, m := range *s {
		m.Close()
	}
}

// empty returns a Mat without pixels, for a call to fill.
func (s *mats) empty() *gocv.Mat {
	m := gocv.NewMat()
	*s = append(*s, &m)
	return &m
}

// float returns a 32-bit float Mat of w × h and its pixels, row by row; the slice must not
// outlive the Mat.
func (s *mats) float(w, h int) (*gocv.Mat, []float32, error) {
	m := s.empty()
	var e C.cv_error
	C.cv_create_float(ptr(m), C.int(h), C.int(w), &e)
	if err := guarded("allocate", &e); err != nil {
		return nil, nil, err
	}
	pix, err := pixelsOf(m, w, h)
	return m, pix, err
}

// pixelsOf returns the pixels of a continuous 32-bit float Mat that must be w × h.
func pixelsOf(m *gocv.Mat, w, h int) ([]float32, error) {
	if m.Type() != gocv.MatTypeCV32F || m.Cols() != w || m.Rows() != h {
		return nil, fmt.Errorf("cv: matrix is %d×%d of type %v, want %d×%d of 32-bit floats", m.Cols(), m.Rows(), m.Type(), w, h)
	}
	return m.DataPtrFloat32()
}

// matchCCoeff fills scores with the normalised correlation coefficient of tmpl at each place of image.
func matchCCoeff(image, tmpl, scores *gocv.Mat) error {
	var e C.cv_error
	C.cv_match_ccoeff(ptr(image), ptr(tmpl), ptr(scores), &e)
	return guarded("match template", &e)
}

func ptr(m *gocv.Mat) unsafe.Pointer { return unsafe.Pointer(m.Ptr()) }
