package cv_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/picture"

	"pgregory.net/rapid"
)

func TestShrinkIsTheRoundedMeanOfBlocks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w, h := rapid.IntRange(1, 23).Draw(t, "w"), rapid.IntRange(1, 17).Draw(t, "h")
		factor := rapid.IntRange(1, 9).Draw(t, "factor")
		g := picture.New(w, h, 65535)
		for i := range g.Pix {
			g.Pix[i] = rapid.Uint16().Draw(t, "level")
		}
		got := cv.Shrink(g, factor)
		if got.W != w/factor || got.H != h/factor || got.FullScale != 65535 {
			t.Fatalf("got %d×%d of %d, want %d×%d of 65535", got.W, got.H, got.FullScale, w/factor, h/factor)
		}
		for y := range got.H {
			for x := range got.W {
				sum := 0.0
				for j := range factor {
					for i := range factor {
						sum += g.At(x*factor+i, y*factor+j)
					}
				}
				if mean := sum / float64(factor*factor); got.At(x, y)-mean > 0.5 || mean-got.At(x, y) > 0.5 {
					t.Fatalf("pixel (%d, %d) is %v, want the mean %v to half a level", x, y, got.At(x, y), mean)
				}
			}
		}
	})
}

// On a ramp along x the grey level says where a pixel's centre lies.
func TestShrinkPlacesPixelCentres(t *testing.T) {
	g := picture.New(60, 24, 65535)
	for i := range g.Pix {
		g.Pix[i] = uint16(1000 * (i % g.W))
	}
	for _, factor := range []int{1, 2, 3, 4, 5} {
		s := cv.Shrink(g, factor)
		for x := range s.W {
			want := 1000 * (float64(factor*x) + float64(factor-1)/2)
			if got := s.At(x, 1); got != want {
				t.Errorf("factor %d: pixel %d is %v, want %v", factor, x, got, want)
			}
		}
	}
}

func BenchmarkShrink(b *testing.B) {
	g := noise(2048, 2048, 255)
	for _, factor := range []int{2, 3, 4, 8} {
		b.Run(fmt.Sprintf("2048x2048by%d", factor), func(b *testing.B) {
			for b.Loop() {
				cv.Shrink(g, factor)
			}
		})
	}
}

func noise(w, h, fullScale int) *picture.Gray {
	rng := rand.New(rand.NewPCG(1, 2))
	g := picture.New(w, h, fullScale)
	for i := range g.Pix {
		g.Pix[i] = uint16(rng.IntN(fullScale + 1))
	}
	return g
}
