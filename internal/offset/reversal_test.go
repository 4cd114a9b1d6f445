package offset_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/offset"
	"plumbsquare/internal/reading"
)

// seen is the reading of a die at (x, y) µm under a scope that shifts it by (bx, by), the sample
// turned by deg: worked out in the scope frame and turned back, not as the code does it.
func seen(x, y, theta, bx, by, deg float64) *reading.Reading {
	s, c := math.Sincos(deg * math.Pi / 180)
	sx, sy := c*x-s*y+bx, s*x+c*y+by
	u := 0.1
	return &reading.Reading{
		Substrate: &reading.Substrate{TurnDeg: deg},
		Offset: &reading.Offset{
			XUm: c*sx + s*sy, YUm: -s*sx + c*sy, ThetaDeg: theta, UXUm: u, UYUm: u, UTheta: 0.001,
			Cov: [3][3]float64{{u * u, 0, 0}, {0, u * u, 0}, {0, 0, 1e-6}},
		},
	}
}

// By hand: the die sits at (10, -4); the scope shows it 1.5 too far right and 0.8 too low. Turned
// by 180° the drawing's axes run the other way, so the bias enters with the other sign.
func TestReverseByHand(t *testing.T) {
	a, b := seen(10, -4, 0.2, 1.5, -0.8, 0), seen(10, -4, 0.2, 1.5, -0.8, 180)
	for i, want := range [2][2]float64{{11.5, -4.8}, {8.5, -3.2}} {
		o := [2]*reading.Offset{a.Offset, b.Offset}[i]
		if math.Hypot(o.XUm-want[0], o.YUm-want[1]) > 1e-9 {
			t.Fatalf("the test's own reading is (%g, %g), want %v", o.XUm, o.YUm, want)
		}
	}
	r, err := offset.Reverse(a, b)
	if err != nil {
		t.Fatal(err)
	}
	if d := math.Hypot(r.BiasXUm-1.5, r.BiasYUm+0.8) + math.Hypot(r.XUm-10, r.YUm+4); d > 1e-9 {
		t.Errorf("got bias (%g, %g), offset (%g, %g)", r.BiasXUm, r.BiasYUm, r.XUm, r.YUm)
	}
	// Half the difference of two independent values of u 0.1 has u 0.1/√2; the mean of two that
	// err together has u 0.1.
	if u := math.Sqrt(r.BiasCov[0][0]); math.Abs(u-0.1/math.Sqrt2) > 1e-12 {
		t.Errorf("u of the bias is %g", u)
	}
	if u := math.Sqrt(r.Cov[1][1]); math.Abs(u-0.1) > 1e-12 {
		t.Errorf("u of the offset is %g", u)
	}
}

// However the fixture lies, sample and scope are told apart, and swapping the two shots changes
// nothing.
func TestReverseSeparates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, most float64) float64 { return rapid.Float64Range(-most, most).Draw(t, name) }
		x, y, bx, by := draw("x", 200), draw("y", 200), draw("bx", 20), draw("by", 20)
		first := draw("first", 180)
		second := first + rapid.Float64Range(61, 299).Draw(t, "between")
		a, b := seen(x, y, 0.1, bx, by, first), seen(x, y, 0.1, bx, by, second)
		r, err := offset.Reverse(a, b)
		if err != nil {
			t.Fatal(err)
		}
		swapped, err := offset.Reverse(b, a)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range []*offset.Reversal{r, swapped} {
			if d := math.Hypot(r.BiasXUm-bx, r.BiasYUm-by) + math.Hypot(r.XUm-x, r.YUm-y); d > 1e-9 {
				t.Errorf("off by %g µm", d)
			}
		}
	})
}

func TestReverseRefuses(t *testing.T) {
	for _, tt := range []struct {
		name string
		a, b *reading.Reading
		want string
	}{
		{"not turned", seen(1, 2, 0, 0, 0, 1), seen(1, 2, 0, 0, 0, -2), "turned by only 3.0°"},
		{"another sample", seen(1, 2, 0.1, 0, 0, 0), seen(1, 2, 0.2, 0, 0, 180), "don't show the same sample"},
		{"a retake", seen(1, 2, 0, 0, 0, 0), &reading.Reading{}, "two pictures that could be measured"},
	} {
		if _, err := offset.Reverse(tt.a, tt.b); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: got %v, want %q", tt.name, err, tt.want)
		}
	}
}

// The stated uncertainty of the bias is that of its errors: with normal noise of the stated size
// (bias − truth)/u has standard deviation 1. 4000 draws give it to 1/√8000, 3 of which are 3.4 %.
func TestBiasCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 1))
	const n = 4000
	var sum float64
	for range n {
		a, b := seen(30, -20, 0, 2, -1, 0.4), seen(30, -20, 0, 2, -1, 179.1)
		for _, o := range []*reading.Offset{a.Offset, b.Offset} {
			o.XUm += 0.1 * rng.NormFloat64()
			o.YUm += 0.1 * rng.NormFloat64()
		}
		r, err := offset.Reverse(a, b)
		if err != nil {
			t.Fatal(err)
		}
		z := (r.BiasYUm + 1) / math.Sqrt(r.BiasCov[1][1])
		sum += z * z
	}
	if sd := math.Sqrt(sum / n); math.Abs(sd-1) > 0.034 {
		t.Errorf("errors over stated uncertainty have standard deviation %.3f, want 1", sd)
	}
}

// By hand: values 1 and 3 of variance 1 have mean 2 and u 1/√2; their chi-square of 2 on one
// degree of freedom makes that 1.
func TestMeanBias(t *testing.T) {
	one := func(x float64) *offset.Reversal {
		return &offset.Reversal{BiasXUm: x, BiasYUm: 5, BiasCov: [2][2]float64{{1, 0}, {0, 4}}}
	}
	x, y, ux, uy := offset.MeanBias([]*offset.Reversal{one(1), one(3)})
	if math.Abs(x-2)+math.Abs(y-5)+math.Abs(ux-1)+math.Abs(uy-math.Sqrt2) > 1e-12 {
		t.Errorf("got (%g ± %g, %g ± %g)", x, ux, y, uy)
	}
}
