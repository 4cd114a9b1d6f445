package picture_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/picture"
)

// A scene gives the light at a pixel, 0 to 1 of full scale.
type scene func(x, y float64) float64

// expose makes a picture of a scene: Gaussian noise of variance read² + gain·level (DN of the
// file), rounded to steps, clipped.
func expose(s scene, w, h, fullScale int, step, read, gain float64, seed uint64) *picture.Gray {
	rng := rand.New(rand.NewPCG(seed, 77))
	g := picture.New(w, h, fullScale)
	for i := range g.Pix {
		level := s(float64(i%w), float64(i/w)) * float64(fullScale)
		v := level + rng.NormFloat64()*math.Sqrt(read*read+gain*level)
		g.Pix[i] = uint16(max(0, min(float64(fullScale), step*math.Round(v/step))))
	}
	return g
}

// slope is uneven light and nothing else; squares are dark dies with soft edges on it.
func slope(x, y float64) float64 { return 0.25 + 0.0004*x + 0.0003*y }

func squares(sigmaPx float64) scene {
	edge := func(d float64) float64 { return 0.5 * math.Erfc(d/(sigmaPx*math.Sqrt2)) }
	return func(x, y float64) float64 {
		u, v := x+0.05*y, y-0.05*x // turned, so that edges cross the pixel grid
		du, dv := math.Abs(math.Mod(u+1000, 97)-48)-29, math.Abs(math.Mod(v+1000, 83)-41)-24
		return slope(x, y) * (1 - 0.8*edge(du)*edge(dv))
	}
}

func TestNoiseOfKnownPictures(t *testing.T) {
	grain := picture.New(700, 500, 255)
	rng := rand.New(rand.NewPCG(3, 3))
	for i := range grain.Pix {
		grain.Pix[i] = uint16(rng.IntN(256))
	}
	// Ceramic: grain of ±6 % seen through optics of 1 px sigma, which is all the texture there can be.
	var kernel [9]float64
	for i := range kernel {
		kernel[i] = math.Exp(-0.5*float64(i-4)*float64(i-4)) / 2.5066
	}
	ceramic := func(x, y float64) float64 {
		sum := 0.0
		for j, kj := range kernel {
			for i, ki := range kernel {
				sum += kj * ki * grain.At((int(x)+i)%grain.W, (int(y)+j)%grain.H)
			}
		}
		return slope(x, y) * (1 + 0.12*(sum/255-0.5)*3)
	}
	tests := []struct {
		name       string
		s          scene
		full       int
		step       float64
		read, gain float64
		tolerance  float64 // relative, of the standard deviation, at levels the picture has
	}{
		{"constant, 8 bit", slope, 255, 1, 2, 0, 0.03},
		{"shot, 8 bit", slope, 255, 1, 0.6, 0.02, 0.03},
		{"finer than a step", slope, 255, 1, 0.36, 0, 0.05},
		{"shot, 12 bit in 16", slope, 65535, 16, 60, 3, 0.03},
		{"constant, 10 bit in 16", slope, 65535, 64, 150, 0, 0.03},
		{"sharp edges", squares(0.8), 255, 1, 0.6, 0.02, 0.06},
		{"soft edges", squares(2), 255, 1, 0.6, 0.02, 0.04},
		{"ceramic", ceramic, 255, 1, 0.5, 0.01, 0.06},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			n := picture.EstimateNoise(expose(tt.s, 700, 500, tt.full, tt.step, tt.read, tt.gain, 1))
			for _, at := range []float64{0.3, 0.45, 0.6} {
				level := at * float64(tt.full)
				want := math.Sqrt(tt.read*tt.read + tt.gain*level + tt.step*tt.step/12)
				got := math.Sqrt(n.Var(level))
				if math.Abs(got/want-1) > tt.tolerance {
					t.Errorf("at %.0f: got %.4g, want %.4g DN: ratio %.3f", level, got, want, got/want)
				}
			}
		})
	}
}

// A picture without noise still is rounded to its steps.
func TestNoiseIsNeverLessThanRounding(t *testing.T) {
	for _, tt := range []struct {
		full int
		step float64
	}{{255, 1}, {65535, 16}, {65535, 64}} {
		g := expose(func(x, y float64) float64 { return 0.3 + 0.3*math.Floor(x/100) }, 200, 90, tt.full, tt.step, 0, 0, 1)
		n := picture.EstimateNoise(g)
		if got, want := n.Var(0), tt.step*tt.step/12; math.Abs(got/want-1) > 1e-9 {
			t.Errorf("step %v: variance %v, want step²/12 = %v", tt.step, got, want)
		}
	}
}

func TestNoiseOfOddPictures(t *testing.T) {
	for _, tt := range []struct {
		name string
		g    *picture.Gray
	}{
		{"one pixel", picture.New(1, 1, 255)},
		{"narrow", picture.New(3, 4000, 65535)},
		{"black", picture.New(300, 200, 255)},
		{"white", expose(func(x, y float64) float64 { return 1 }, 300, 200, 65535, 1, 0, 0, 1)},
		{"one block", expose(slope, 16, 16, 255, 1, 1, 0, 1)},
	} {
		n := picture.EstimateNoise(tt.g)
		if v := n.Var(100); !(v > 0) || math.IsInf(v, 0) || n.ReadVar < 0 || n.Gain < 0 {
			t.Errorf("%s: %+v, want a positive variance", tt.name, n)
		}
	}
}

func BenchmarkEstimateNoise(b *testing.B) {
	g := expose(squares(1.2), 2048, 2048, 255, 1, 0.6, 0.02, 1)
	for b.Loop() {
		picture.EstimateNoise(g)
	}
}
