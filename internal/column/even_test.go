package column

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/picture"
	"plumbsquare/internal/scope"
)

// Whether ground is even doesn't depend on how much noise lies over it.
func TestEvenGround(t *testing.T) {
	const size, pitch, radius, step = 480, 48, 11.0, 80.0
	sc := &scope.Scope{Name: "flat", UmPerPxX: 17, UmPerPxY: 17, Camera: scope.Telecentric}
	for _, tt := range []struct {
		name   string
		uneven float64 // of the step, about its mean
		sd     float64 // of the noise
		want   bool
	}{
		{"even, calm", 0, 0.7, true},
		{"even, noisy", 0, 7, true},
		{"shadows, calm", 0.03, 0.7, false},
		{"shadows, noisy", 0.03, 5, false},
	} {
		rng := rand.New(rand.NewPCG(9, 4))
		g := picture.New(size, size, 255)
		for i := range g.Pix {
			x, y := math.Mod(float64(i%size), pitch)-pitch/2, math.Mod(float64(i/size), pitch)-pitch/2
			rho := math.Hypot(x, y)
			face, _ := normal(radius - rho)
			ground := 60 + step*tt.uneven*math.Copysign(1, x)
			g.Pix[i] = uint16(math.Round(ground + face*(60+step-ground) + tt.sd*rng.NormFloat64()))
		}
		noise := picture.Noise{ReadVar: tt.sd*tt.sd + 1.0/12}
		f := &discFitter{g: g, noise: noise, plane: sc.Plane(size, size, 0), sigma: 1, groundPx: 2, every: 2, edge: sharpProfile(1), sharp: sharpnessOf(noise, 255)}
		var some []disc
		for y := pitch / 2.0; y < size; y += pitch {
			for x := pitch / 2.0; x < size; x += pitch {
				if d, ok := f.near(x, y, radius); ok {
					some = append(some, d)
				}
			}
		}
		if len(some) < 60 {
			t.Fatalf("%s: %d faces", tt.name, len(some))
		}
		if got := f.even(some); got != tt.want {
			t.Errorf("%s: even %t", tt.name, got)
		}
	}
}
