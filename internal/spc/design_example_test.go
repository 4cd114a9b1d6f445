package spc_test

import (
	"fmt"

	"plumbsquare/internal/spc"
)

// A lasting move of one standard deviation matters; one false alarm in 370 points is bearable.
func ExampleDesignEWMA() {
	ewma, after, err := spc.DesignEWMA(1, 370)
	if err != nil {
		fmt.Println(err)
		return
	}
	single, err := spc.Shewhart{}.RunLength(1, nil, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("lambda %.2f, limits at ± %.2f sigma: seen after %.1f points\n", ewma.Lambda, ewma.Width, after.Mean)
	fmt.Printf("single points at ± 3 sigma: seen after %.1f\n", single.Mean)
	// Output:
	// lambda 0.14, limits at ± 2.79 sigma: seen after 9.6 points
	// single points at ± 3 sigma: seen after 43.9
}
