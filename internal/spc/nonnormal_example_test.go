package spc_test

import (
	"fmt"
	"math"
	"math/rand/v2"

	"plumbsquare/internal/spc"
)

// Offsets of a die in X and Y, in µm, in a position tolerance of diameter 50 µm.
func ExampleAssessPosition() {
	x := []float64{6.1, -2.4, 9.8, 4.2, 1.7, 7.5, 3.9, -0.8, 5.6, 8.3}
	y := []float64{-3.2, 1.1, -6.0, -1.9, 2.4, -4.4, 0.6, 3.0, -2.7, -5.1}
	p, err := spc.AssessPosition(x, y, 25, spc.PositionOptions{}, rand.New(rand.NewPCG(1, 2)))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("predicted outside %.1g, index %.2f, with 95 %% confidence at least %.2f\n", p.FractionOutside, p.Index, p.IndexAtLeast)
	fmt.Printf("%d of %d outside: by the count alone at most %.0f %% are\n", p.CountOutside, p.N, 100*p.CountAtMost)
	// Output:
	// predicted outside 2e-05, index 1.37, with 95 % confidence at least 0.74
	// 0 of 10 outside: by the count alone at most 26 % are
}

// Radial offsets are never normal: the law that fits best is chosen, then tested.
func ExampleBestFits() {
	var r []float64
	for i := range 40 {
		r = append(r, 8*math.Sqrt(-2*math.Log((float64(i)+0.5)/40)))
	}
	fits, err := spc.BestFits(r)
	if err != nil {
		fmt.Println(err)
		return
	}
	c, err := spc.AssessNonnormal(r, fits[0].Family, spc.AtMost(40), spc.NonnormalOptions{}, rand.New(rand.NewPCG(1, 2)))
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%s of scale %.1f µm, fit not rejected: %t\n", fits[0].Family, fits[0].Scale, c.FitP > 0.05)
	fmt.Printf("Ppk %.2f\n", c.Indices.K)
	// Output:
	// rayleigh of scale 8.0 µm, fit not rejected: true
	// Ppk 1.56
}

// Skewed values made normal by a power; the limit goes through the same power.
func ExampleFitBoxCox() {
	x := []float64{1.2, 3.4, 2.1, 9.8, 4.4, 1.9, 6.3, 2.7, 14.2, 3.8, 5.1, 2.4, 7.7, 1.5, 4.9, 3.1}
	b, err := spc.FitBoxCox(x)
	if err != nil {
		fmt.Println(err)
		return
	}
	// Any power in the interval does as well; a plain one is easier to explain.
	const lambda = 0
	for i := range x {
		x[i] = spc.BoxCoxOf(x[i], lambda)
	}
	c, err := spc.AssessCapability(spc.Singles(x), spc.AtMost(spc.BoxCoxOf(40, lambda)), spc.CapabilityOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("power %.2f (%.2f to %.2f); by logarithms Ppk %.2f\n", b.Lambda, b.Low, b.High, c.Overall.K.Value)
	// Output:
	// power -0.16 (-0.90 to 0.55); by logarithms Ppk 1.16
}
