package cv_test

import (
	"image"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/picture"

	"pgregory.net/rapid"
)

// blob adds a Gaussian of the given height, dark when negative, centred at (x, y).
func blob(g *picture.Gray, x, y, sigmaPx, height float64) {
	for i := range g.Pix {
		dx, dy := float64(i%g.W)-x, float64(i/g.W)-y
		g.Pix[i] = uint16(math.Round(float64(g.Pix[i]) + height*math.Exp(-(dx*dx+dy*dy)/(2*sigmaPx*sigmaPx))))
	}
}

func grey(w, h int, level uint16) *picture.Gray {
	g := picture.New(w, h, 65535)
	for i := range g.Pix {
		g.Pix[i] = level
	}
	return g
}

func blobTemplate() *picture.Gray {
	t := grey(15, 13, 1000)
	blob(t, 7, 6, 2.5, 20000)
	return t
}

// A picture's own piece correlates with it as Σ(I-Ī)(T-T̄)/√(Σ(I-Ī)²Σ(T-T̄)²) says: the formula of
// TM_CCOEFF_NORMED in the OpenCV 4.6 documentation of matchTemplate, summed here in Go.
func TestPeaksScoreIsTheCorrelationCoefficient(t *testing.T) {
	img := noise(40, 31, 65535)
	tmpl := noise(90, 9, 65535).Crop(31, 0, 42, 9) // unlike anything in the picture
	peaks, err := cv.Peaks(img, tmpl, cv.PeakOptions{SeparationPx: 1})
	if err != nil || len(peaks) < 20 {
		t.Fatalf("got %d peaks, error %v, want many", len(peaks), err)
	}
	n := 0
	for y := 0; y+tmpl.H <= img.H; y++ {
		for x := 0; x+tmpl.W <= img.W; x++ {
			want := correlation(img.Crop(x, y, x+tmpl.W, y+tmpl.H), tmpl)
			for _, p := range peaks {
				if math.Abs(p.X-float64(x+5)) <= 0.5 && math.Abs(p.Y-float64(y+4)) <= 0.5 {
					n++
					if math.Abs(p.Score-want) > 1e-5 {
						t.Errorf("at (%d, %d): score %v, want %v", x, y, p.Score, want)
					}
				}
			}
		}
	}
	if n < len(peaks) {
		t.Errorf("compared %d of %d peaks", n, len(peaks))
	}
}

func correlation(a, b *picture.Gray) float64 {
	var ma, mb float64
	for i := range a.Pix {
		ma += float64(a.Pix[i]) / float64(len(a.Pix))
		mb += float64(b.Pix[i]) / float64(len(b.Pix))
	}
	var ab, aa, bb float64
	for i := range a.Pix {
		da, db := float64(a.Pix[i])-ma, float64(b.Pix[i])-mb
		ab, aa, bb = ab+da*db, aa+da*da, bb+db*db
	}
	return ab / math.Sqrt(aa*bb)
}

func TestPeaksFindsBothSignsToAFractionOfAPixel(t *testing.T) {
	tmpl := blobTemplate()
	rapid.Check(t, func(t *rapid.T) {
		x1, y1 := rapid.Float64Range(20, 40).Draw(t, "x1"), rapid.Float64Range(20, 60).Draw(t, "y1")
		x2, y2 := rapid.Float64Range(70, 90).Draw(t, "x2"), rapid.Float64Range(20, 60).Draw(t, "y2")
		img := grey(110, 80, 30000)
		blob(img, x1, y1, 2.5, 9000)
		blob(img, x2, y2, 2.5, -12000)
		peaks, err := cv.Peaks(img, tmpl, cv.PeakOptions{Max: 2, MinScore: 0.9})
		if err != nil || len(peaks) != 2 {
			t.Fatalf("got %v, %v, want two peaks", peaks, err)
		}
		if peaks[0].X > peaks[1].X {
			peaks[0], peaks[1] = peaks[1], peaks[0]
		}
		for i, want := range []cv.Peak{{X: x1, Y: y1, Score: 1}, {X: x2, Y: y2, Score: -1}} {
			got := peaks[i]
			// A sampled correlation peak of this width isn't quite a parabola.
			if math.Hypot(got.X-want.X, got.Y-want.Y) > 0.05 || math.Abs(got.Score-want.Score) > 0.05 {
				t.Errorf("got %+v, want %+v", got, want)
			}
		}
	})
}

func TestPeaksOrderLimitAndSeparation(t *testing.T) {
	img := grey(150, 60, 20000)
	blob(img, 30, 30, 2.5, 9000) // the template exactly
	blob(img, 75, 30, 3, -9000)  // wider
	blob(img, 120, 30, 4, 9000)  // wider still
	tests := []struct {
		name string
		o    cv.PeakOptions
		want []float64 // x of the peaks, best first
	}{
		{"all good ones", cv.PeakOptions{MinScore: 0.85}, []float64{30, 75, 120}},
		{"limited", cv.PeakOptions{MinScore: 0.8, Max: 2}, []float64{30, 75}},
		{"only the best score", cv.PeakOptions{MinScore: 0.995}, []float64{30}},
		{"far apart", cv.PeakOptions{MinScore: 0.8, SeparationPx: 60}, []float64{30, 120}},
		{"within a part", cv.PeakOptions{MinScore: 0.8, Within: image.Rect(60, 15, 500, 50)}, []float64{75, 120}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			peaks, err := cv.Peaks(img, blobTemplate(), tt.o)
			if err != nil || len(peaks) != len(tt.want) {
				t.Fatalf("got %v, %v, want x = %v", peaks, err, tt.want)
			}
			for i, p := range peaks {
				if math.Abs(p.X-tt.want[i]) > 0.02 || math.Abs(p.Y-30) > 0.02 {
					t.Errorf("peak %d at (%v, %v), want (%v, 30)", i, p.X, p.Y, tt.want[i])
				}
			}
		})
	}
}

func TestPeaksBadInput(t *testing.T) {
	tests := []struct {
		name      string
		img, tmpl *picture.Gray
		within    image.Rectangle
		want      string // of the error; empty means no peaks and no error
	}{
		{"flat template", noise(40, 30, 255), grey(9, 9, 77), image.Rectangle{}, "flat"},
		{"flat picture", grey(40, 30, 77), blobTemplate(), image.Rectangle{}, ""},
		{"template larger", noise(14, 30, 255), blobTemplate(), image.Rectangle{}, "larger"},
		{"template larger than part", noise(40, 30, 255), blobTemplate(), image.Rect(30, 0, 60, 30), "larger"},
		{"empty template", noise(40, 30, 255), picture.New(0, 0, 255), image.Rectangle{}, "empty"},
		{"part outside", noise(40, 30, 255), blobTemplate(), image.Rect(50, 50, 90, 90), "larger"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			peaks, err := cv.Peaks(tt.img, tt.tmpl, cv.PeakOptions{Within: tt.within})
			if len(peaks) != 0 || tt.want == "" && err != nil {
				t.Errorf("got %v, %v, want no peaks", peaks, err)
			}
			if tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
				t.Errorf("got error %v, want one that says %q", err, tt.want)
			}
		})
	}
}

// Around a mark most of a clean picture may be flat; there the coefficient is 0/0 and must score nothing.
func TestPeaksIgnoresFlatStretches(t *testing.T) {
	img := grey(400, 300, 65535)
	blob(img, 330, 51, 2.5, -30000)
	peaks, err := cv.Peaks(img, blobTemplate(), cv.PeakOptions{MinScore: 0.5})
	if err != nil || len(peaks) != 1 || math.Hypot(peaks[0].X-330, peaks[0].Y-51) > 0.01 || peaks[0].Score > -0.99 {
		t.Errorf("got %v, %v, want the one blob", peaks, err)
	}
}

// The same picture gives the same peaks, bit for bit.
func TestPeaksRepeats(t *testing.T) {
	if err := cv.SetThreads(1); err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(5, 6))
	img := noise(300, 200, 65535)
	tmpl := img.Crop(20, 30, 20+10+rng.IntN(10), 55)
	first, err := cv.Peaks(img, tmpl, cv.PeakOptions{Max: 50})
	if err != nil {
		t.Fatal(err)
	}
	for range 3 {
		again, err := cv.Peaks(img, tmpl, cv.PeakOptions{Max: 50})
		if err != nil || len(again) != len(first) {
			t.Fatalf("got %d peaks, %v, want %d", len(again), err, len(first))
		}
		for i := range first {
			if again[i] != first[i] {
				t.Fatalf("peak %d is %v, was %v", i, again[i], first[i])
			}
		}
	}
}

func BenchmarkPeaks(b *testing.B) {
	if err := cv.SetThreads(1); err != nil {
		b.Fatal(err)
	}
	img := noise(512, 512, 255)
	tmpl := img.Crop(100, 100, 133, 133)
	b.Run("512x512with33x33", func(b *testing.B) {
		for b.Loop() {
			if _, err := cv.Peaks(img, tmpl, cv.PeakOptions{Max: 20, MinScore: 0.5}); err != nil {
				b.Fatal(err)
			}
		}
	})
}
