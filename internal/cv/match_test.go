package cv_test

import (
	"math"
	"testing"

	"plumbsquare/internal/cv"
)

// What a template finds near a place is what the correlation of the whole picture has there.
func TestTemplateNearIsPeaks(t *testing.T) {
	img := grey(60, 45, 30000)
	blob(img, 20.3, 17.8, 2.5, 20000)
	blob(img, 41.6, 25.2, 2.5, -20000)
	all, err := cv.Peaks(img, blobTemplate(), cv.PeakOptions{Max: 2, MinScore: 0.9})
	if err != nil || len(all) != 2 {
		t.Fatalf("got %d peaks, error %v, want 2", len(all), err)
	}
	near := cv.NewTemplate(blobTemplate())
	for _, want := range all {
		got, ok := near.Near(img, want.X+0.7, want.Y-0.9, 2, want.Score)
		if !ok || math.Hypot(got.X-want.X, got.Y-want.Y) > 1e-3 || math.Abs(got.Score-want.Score) > 1e-5 {
			t.Errorf("got %+v, want %+v", got, want)
		}
	}
	if p, ok := near.Near(img, 1, 20, 2, 1); ok {
		t.Errorf("at the border, where it doesn't fit: %+v", p)
	}
	if p, ok := near.Near(grey(60, 45, 7), 30, 20, 2, 1); !ok || p.Score != 0 {
		t.Errorf("on a flat picture: %+v, %v, want a score of 0", p, ok)
	}
}
