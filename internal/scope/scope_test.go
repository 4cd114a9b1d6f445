package scope_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/scope"
)

// Not square, and different scales in x and y, so that the axes can't be mixed up.
const width, height = 1280, 960

func TestToObjectByHand(t *testing.T) {
	flat := &scope.Scope{UmPerPxX: 10, UmPerPxY: 8, Camera: scope.Telecentric}
	near := &scope.Scope{UmPerPxX: 10, UmPerPxY: 8, Camera: scope.Perspective, WorkingDistanceMm: 100}
	bent := &scope.Scope{UmPerPxX: 10, UmPerPxY: 8, Camera: scope.Telecentric, K1: 0.01}
	for _, tt := range []struct {
		name     string
		s        *scope.Scope
		heightMm float64
		at       geom.ImagePoint
		x, y     float64 // µm
	}{
		// Pixel (0,0) is the centre of the top-left pixel, so the optical axis of an even
		// number of pixels lies half a pixel before pixel W/2.
		{"axis", flat, 0, geom.ImagePoint{X: 639.5, Y: 479.5}, 0, 0},
		{"half a pixel", flat, 0, geom.ImagePoint{X: 640, Y: 480}, 5, -4},
		{"top left is left and up", flat, 0, geom.ImagePoint{X: 0, Y: 0}, -6395, 3836},
		{"bottom right is right and down", flat, 0, geom.ImagePoint{X: 1279, Y: 959}, 6395, -3836},
		{"telecentric ignores height", flat, 2, geom.ImagePoint{X: 1139.5, Y: 479.5}, 5000, 0},
		// WD/(WD-h) = 100/98: a pixel shows less on a higher plane.
		{"perspective", near, 2, geom.ImagePoint{X: 1139.5, Y: 479.5}, 5000 * 0.98, 0},
		{"perspective at height 0", near, 0, geom.ImagePoint{X: 1139.5, Y: 479.5}, 5000, 0},
		// r_d = 320 px is half of half the width: 1 + 0.01·0.5².
		{"distortion along x", bent, 0, geom.ImagePoint{X: 959.5, Y: 479.5}, 3200 * 1.0025, 0},
		{"distortion along y", bent, 0, geom.ImagePoint{X: 639.5, Y: 159.5}, 0, 2560 * 1.0025},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got := tt.s.Plane(width, height, tt.heightMm).ToObject(tt.at)
			if math.Abs(got.X.Um()-tt.x) > 1e-9 || math.Abs(got.Y.Um()-tt.y) > 1e-9 {
				t.Errorf("got (%g, %g) µm, want (%g, %g)", got.X.Um(), got.Y.Um(), tt.x, tt.y)
			}
		})
	}
}

func TestToImageUndoesToObject(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := &scope.Scope{
			UmPerPxX: rapid.Float64Range(0.5, 50).Draw(t, "um_per_px_x"), UmPerPxY: rapid.Float64Range(0.5, 50).Draw(t, "um_per_px_y"),
			Camera: rapid.SampledFrom([]scope.Camera{scope.Telecentric, scope.Perspective}).Draw(t, "camera"),
			// Calibrated lenses; the file takes up to -0.15, where a corner's slope is still above 0.
			WorkingDistanceMm: 100, K1: rapid.Float64Range(-0.15, 0.5).Draw(t, "k1"),
		}
		plane := s.Plane(width, height, rapid.Float64Range(0, 5).Draw(t, "height_mm"))
		want := geom.ImagePoint{X: rapid.Float64Range(-0.5, width-0.5).Draw(t, "x"), Y: rapid.Float64Range(-0.5, height-0.5).Draw(t, "y")}
		got := plane.ToImage(plane.ToObject(want))
		if d := math.Hypot(got.X-want.X, got.Y-want.Y); !(d < 1e-6) {
			t.Errorf("off by %g px at %v", d, want)
		}
	})
}

func TestCheck(t *testing.T) {
	for _, s := range []scope.Scope{
		{},
		{UmPerPxX: 1, UmPerPxY: 1},
		{UmPerPxX: 1, UmPerPxY: 1, Camera: "fisheye"},
		{UmPerPxX: 1, UmPerPxY: 1, Camera: scope.Perspective},
		{UmPerPxX: math.NaN(), UmPerPxY: 1, Camera: scope.Telecentric},
	} {
		if s.Check() == nil {
			t.Errorf("no error for %+v", s)
		}
	}
}

// By hand: an axis that leans by 0.1° towards +x shows a plane 0.87 mm up 870·tan 0.1° = 1.5184 µm
// too far right, one half as high half as much.
func TestBiasByHand(t *testing.T) {
	s := &scope.Scope{BiasXUm: 1.5184, BiasYUm: -0.8, UBiasXUm: 0.1, UBiasYUm: 0.2, BiasHeightMm: 0.87}
	got, ok := s.Bias(0.435)
	want := scope.Bias{X: 0.7592, Y: -0.4, UX: 0.05, UY: 0.1}
	if d := math.Hypot(got.X-want.X, got.Y-want.Y) + math.Hypot(got.UX-want.UX, got.UY-want.UY); !ok || d > 1e-12 {
		t.Errorf("got %+v %v, want %+v", got, ok, want)
	}
	if got, ok := (&scope.Scope{}).Bias(1); ok {
		t.Errorf("got %+v from a scope without reversal", got)
	}
	if got, ok := s.WithoutBias().Bias(1); ok {
		t.Errorf("got %+v of a scope freed of its bias", got)
	}
}
