package picture_test

import (
	"math"
	"strings"
	"testing"

	"plumbsquare/internal/picture"
)

// smeared is a scene that moves lengthPx along deg, counter-clockwise from right as seen, during
// the exposure.
func smeared(s scene, lengthPx, deg float64) scene {
	const samples = 12
	sin, cos := math.Sincos(deg * math.Pi / 180)
	return func(x, y float64) float64 {
		sum := 0.0
		for i := range samples {
			t := ((float64(i)+0.5)/samples - 0.5) * lengthPx
			sum += s(x+t*cos, y-t*sin)
		}
		return sum / samples
	}
}

// discs are bright pads, whose edges face every way.
func discs(sigmaPx float64) scene {
	return func(x, y float64) float64 {
		r := math.Hypot(math.Mod(x+1000, 71)-35, math.Mod(y+1000, 67)-33)
		return slope(x, y) * (1 + 0.5*math.Erfc((r-22)/(sigmaPx*math.Sqrt2)))
	}
}

// dusty lays grains of dust on the camera's window, sharp whatever the scene is.
func dusty(s scene) scene {
	return func(x, y float64) float64 {
		if math.Hypot(math.Mod(x+1000, 61)-11, math.Mod(y+1000, 53)-14) < 2 {
			return 0.3 * s(x, y)
		}
		return s(x, y)
	}
}

// times is a scene in more or less light.
func times(s scene, k float64) scene {
	return func(x, y float64) float64 { return k * s(x, y) }
}

// shoot makes an 8-bit picture with the noise of an ordinary camera.
func shoot(s scene) *picture.Gray { return expose(s, 300, 220, 255, 1, 0.6, 0.01, 4) }

// lose overwrites what lies in the rectangle.
func lose(g *picture.Gray, x0, y0, x1, y1 int, level uint16) *picture.Gray {
	for y := y0; y < y1; y++ {
		for x := x0; x < x1; x++ {
			g.Pix[y*g.W+x] = level
		}
	}
	return g
}

func TestCheck(t *testing.T) {
	stuck := shoot(discs(1.2)) // the lower part repeats one row
	for y := 132; y < stuck.H; y++ {
		copy(stuck.Pix[y*stuck.W:(y+1)*stuck.W], stuck.Pix[131*stuck.W:132*stuck.W])
	}
	twelve := expose(times(discs(1.2), 2.2), 300, 220, 65535, 16, 100, 3, 1)
	for i, v := range twelve.Pix {
		twelve.Pix[i] = min(v, 65520) // what a 12-bit camera's full scale becomes
	}
	lowBits := expose(times(discs(1.2), 1./16), 300, 220, 65535, 1, 6, 0.2, 1)
	for i, v := range lowBits.Pix {
		lowBits.Pix[i] = min(v, 4095)
	}
	tests := []struct {
		name string
		g    *picture.Gray
		gate string // empty: passes
		says string // part of the instruction
	}{
		{"sharp discs", shoot(discs(0.7)), "", ""},
		{"soft discs", shoot(discs(2)), "", ""},
		{"sharp dies", shoot(squares(0.8)), "", ""},
		{"low contrast", shoot(func(x, y float64) float64 { return 0.4 + 0.06*discs(1.5)(x, y) }), "", ""},
		{"16 bit", expose(discs(1.2), 300, 220, 65535, 16, 100, 3, 1), "", ""},
		{"some glints", lose(shoot(discs(1.2)), 200, 100, 220, 110, 255), "", ""},
		{"thin lost strip", lose(shoot(discs(1.2)), 0, 217, 300, 220, 0), "", ""},
		{"black die at a black level of 0", lose(shoot(discs(1.2)), 70, 60, 220, 160, 0), "", ""},

		{"out of focus", shoot(discs(5)), "defocus", "refocus"},
		{"far out of focus", shoot(squares(9)), "defocus", "refocus"},
		{"out of focus behind dust", shoot(dusty(squares(7))), "defocus", "refocus"},
		{"in focus behind dust", shoot(dusty(squares(1.5))), "", ""},
		{"moved sideways", shoot(smeared(discs(1.2), 16, 0)), "motion-blur", "side to side"},
		{"moved up and down", shoot(smeared(discs(1.2), 16, 90)), "motion-blur", "up and down"},
		{"moved up to the right", shoot(smeared(discs(1.2), 20, 45)), "motion-blur", "up to the right"},
		{"moved up to the left", shoot(smeared(discs(1.2), 20, 135)), "motion-blur", "up to the left"},
		{"too much light", shoot(times(discs(1.2), 2.2)), "saturated", "% of the picture"},
		{"too much light, 12 bit", twelve, "saturated", "% of the picture"},
		{"too little light", shoot(times(discs(1.2), 0.08)), "nearly-black", "times"},
		{"12 bits low in 16", lowBits, "nearly-black", "12 bits"},
		{"no light", picture.New(300, 220, 255), "nearly-black", "light on"},
		{"lower half black", lose(shoot(discs(1.2)), 0, 110, 300, 220, 0), "half-missing", "49 %"},
		{"upper third grey", lose(shoot(discs(1.2)), 0, 0, 300, 88, 128), "half-missing", "40 %"},
		{"right half black", lose(shoot(discs(1.2)), 150, 0, 300, 220, 0), "half-missing", "50 %"},
		{"a quarter black", lose(shoot(discs(1.2)), 0, 0, 150, 110, 3), "half-missing", "25 %"},
		{"row repeated", stuck, "half-missing", "40 %"},
		{"nothing there", shoot(slope), "empty-fixture", "nothing"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			q, r := picture.Check(tt.g, picture.EstimateNoise(tt.g))
			switch {
			case tt.gate == "" && r != nil:
				t.Fatalf("refused, %v; quality %+v", r, q)
			case tt.gate == "":
				if q.BlurPx <= 0 || q.NoiseDN <= 0 {
					t.Errorf("quality %+v, want blur and noise", q)
				}
			case r == nil:
				t.Fatalf("passed with %+v, want %s", q, tt.gate)
			case r.Gate != tt.gate || !strings.Contains(r.Instruction, tt.says):
				t.Fatalf("got %v, want %s that says %q", r, tt.gate, tt.says)
			}
		})
	}
}

// The blur that is reported is the one the picture was made with.
func TestCheckMeasuresBlur(t *testing.T) {
	for _, sigma := range []float64{1.2, 1.6, 2, 2.5} { // what is sharper reads up to 0.4 px too soft
		for name, s := range map[string]scene{"discs": discs(sigma), "dies": squares(sigma)} {
			g := shoot(s)
			q, r := picture.Check(g, picture.EstimateNoise(g))
			if r != nil || math.Abs(q.BlurPx-sigma) > 0.25 {
				t.Errorf("%s blurred by %v px: got %.2f px, refusal %v", name, sigma, q.BlurPx, r)
			}
		}
	}
}

// A refusal holds the length of a motion to a quarter.
func TestCheckMeasuresMotion(t *testing.T) {
	for _, want := range []float64{12, 16, 24} {
		g := shoot(smeared(discs(1), want, 30))
		_, r := picture.Check(g, picture.EstimateNoise(g))
		if r == nil || r.Gate != "motion-blur" || math.Abs(r.Got/want-1) > 0.25 {
			t.Errorf("moved by %v px: got %+v", want, r)
		}
	}
}

// Turning or mirroring a picture doesn't change what is wrong with it.
func TestCheckIgnoresOrientation(t *testing.T) {
	pictures := []*picture.Gray{
		shoot(discs(1.2)), shoot(discs(5)), shoot(smeared(discs(1.2), 18, 25)),
		shoot(times(discs(1.2), 2.2)), lose(shoot(discs(1.2)), 0, 110, 300, 220, 0),
	}
	gate := func(g *picture.Gray) string {
		if _, r := picture.Check(g, picture.EstimateNoise(g)); r != nil {
			return r.Gate
		}
		return ""
	}
	for i, g := range pictures {
		want := gate(g)
		for k := range 8 { // the eight ways to lay a rectangle down
			swap, flipX, flipY := k&4 != 0, k&2 != 0, k&1 != 0
			turned := picture.New(g.W, g.H, g.FullScale)
			if swap {
				turned = picture.New(g.H, g.W, g.FullScale)
			}
			for y := range turned.H {
				for x := range turned.W {
					u, v := x, y
					if swap {
						u, v = y, x
					}
					if flipX {
						u = g.W - 1 - u
					}
					if flipY {
						v = g.H - 1 - v
					}
					turned.Pix[y*turned.W+x] = g.Pix[v*g.W+u]
				}
			}
			if got := gate(turned); got != want {
				t.Errorf("picture %d, swapped %v, flipped %v %v: got %q, want %q", i, swap, flipX, flipY, got, want)
			}
		}
	}
}

func TestCheckOfOddPictures(t *testing.T) {
	for _, size := range [][2]int{{1, 1}, {1, 500}, {500, 1}, {7, 7}, {33, 40}} {
		for _, level := range []uint16{0, 100, 255} {
			g := lose(picture.New(size[0], size[1], 255), 0, 0, size[0], size[1], level)
			if _, r := picture.Check(g, picture.EstimateNoise(g)); r == nil || r.Instruction == "" {
				t.Errorf("%v pixels of level %d: got %v, want a refusal that says what to do", size, level, r)
			}
		}
	}
}

// Noise and gates together.
func BenchmarkCheck(b *testing.B) {
	g := expose(times(discs(1.2), 0.25), 2048, 2048, 255, 1, 0.6, 0.01, 1)
	for b.Loop() {
		if _, r := picture.Check(g, picture.EstimateNoise(g)); r != nil {
			b.Fatal(r)
		}
	}
}
