package design_test

import (
	"fmt"

	"plumbsquare/internal/design"
)

// Charts that see a lasting move by one sigma, with a false alarm every 500 points.
func ExampleForShift() {
	d, err := design.ForShift(design.Wish{Shift: 1, Every: 500})
	if err != nil {
		panic(err)
	}
	fmt.Printf("EWMA with λ %.2f: seen after %.1f points\n", d.EWMA.Lambda, d.EWMAAfter.Mean)
	fmt.Printf("CUSUM with k %.1f, h %.2f: after %.1f\n", d.CUSUM.K, d.CUSUM.H, d.CUSUMAfter.Mean)
	fmt.Printf("means of %d: after %.2f\n", d.SampleSize, d.MeansAfter)
	// Output:
	// EWMA with λ 0.13: seen after 10.2 points
	// CUSUM with k 0.5, h 5.07: after 10.5
	// means of 10: after 1.89
}
