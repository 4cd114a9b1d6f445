package synth

import (
	"fmt"
	"math"
	"testing"
)

// pixelMean averages f over the unit square about (x, y) by the midpoint rule.
func pixelMean(x, y float64, f func(x, y float64) float64) float64 {
	const n = 40
	var sum float64
	for i := range n {
		for j := range n {
			sum += f(x+(float64(i)+0.5)/n-0.5, y+(float64(j)+0.5)/n-0.5)
		}
	}
	return sum / (n * n)
}

// A straight edge through Gaussian blur and a square pixel, against the double integral of the
// definition.
func TestEdgeIsThePixelMean(t *testing.T) {
	for _, c := range []struct{ sigma, tolerance float64 }{{0.4, 6e-4}, {0.6, 1e-4}, {1, 3e-5}, {2.5, 3e-5}} {
		pr := newProfile(c.sigma)
		for _, degrees := range []float64{0, 3, 17, 31, 45} {
			sin, cos := math.Sincos(degrees * math.Pi / 180)
			for d := -3.0; d <= 3; d += 0.173 {
				got := pr.edge(d, quartic(cos, sin))
				want := pixelMean(0, 0, func(x, y float64) float64 { return normalCDF((d + x*cos + y*sin) / c.sigma) })
				if math.Abs(got-want) > c.tolerance {
					t.Errorf("σ %g, %g°, d %.3f: got %.6f want %.6f", c.sigma, degrees, d, got, want)
				}
			}
		}
	}
}

// blurredDisc is the Gaussian blur of a disc at distance r from its centre, by integrating the
// closed form of each strip.
func blurredDisc(r, radius, sigma float64) float64 {
	const n = 800
	var sum float64
	for i := range n { // y = R sin t
		t := math.Pi * ((float64(i)+0.5)/n - 0.5)
		half := radius * math.Cos(t)
		z := radius * math.Sin(t) / sigma
		sum += normalPDF(z) / sigma * (normalCDF((r+half)/sigma) - normalCDF((r-half)/sigma)) * half
	}
	return sum * math.Pi / n
}

func TestDiscIsThePixelMean(t *testing.T) {
	for _, c := range []struct{ radius, sigma, tolerance float64 }{
		{8, 0.7, 4e-4}, {8, 1.3, 1.5e-3}, {15, 1, 3e-4}, {24, 0.8, 1e-4}, {40, 2, 3e-4},
	} {
		t.Run(fmt.Sprintf("R %g σ %g", c.radius, c.sigma), func(t *testing.T) {
			pr := newProfile(c.sigma)
			for _, degrees := range []float64{0, 20, 45} {
				sin, cos := math.Sincos(degrees * math.Pi / 180)
				for d := -3.0; d <= 3; d += 0.37 {
					r := c.radius - d
					got := pr.round(d, quartic(cos, sin), pr.curvature(c.radius))
					want := pixelMeanCoarse(r*cos, r*sin, func(x, y float64) float64 { return blurredDisc(math.Hypot(x, y), c.radius, c.sigma) })
					if math.Abs(got-want) > c.tolerance {
						t.Errorf("%g°, d %.3f: got %.6f want %.6f", degrees, d, got, want)
					}
				}
			}
		})
	}
}

// pixelMeanCoarse is pixelMean by Gauss–Legendre points of third order, for smooth functions.
func pixelMeanCoarse(x, y float64, f func(x, y float64) float64) float64 {
	at := [3]float64{-math.Sqrt(0.6) / 2, 0, math.Sqrt(0.6) / 2}
	weight := [3]float64{5.0 / 18, 8.0 / 18, 5.0 / 18}
	var sum float64
	for i := range at {
		for j := range at {
			sum += weight[i] * weight[j] * f(x+at[i], y+at[j])
		}
	}
	return sum
}

func TestRoughEdgesHaveMeanZeroAndTheirSpread(t *testing.T) {
	st := &stage{Scene: Scene{Die: DieState{RoughUm: 2, RoughLengthUm: 80}, Optics: Optics{BlurPx: 0.5}}, rng: seeded(3)}
	r := st.rough(5000, 8)
	var sum, sum2 float64
	for _, v := range r.out {
		sum += float64(v)
		sum2 += float64(v) * float64(v)
	}
	n := float64(len(r.out))
	if mean := sum / n; math.Abs(mean) > 0.01 {
		t.Errorf("mean %g µm, want 0", mean)
	}
	// The blur of 4 µm hardly touches what is correlated over 80 µm.
	if sd := math.Sqrt(sum2 / n); math.Abs(sd-2) > 0.1 {
		t.Errorf("standard deviation %g µm, want 2", sd)
	}
}
