package spc_test

import (
	"fmt"

	"plumbsquare/internal/spc"
)

// Die offsets in X of eight lots of three samples, in µm, against ±25 µm.
func ExampleAssessCapability() {
	lots := [][]float64{
		{3.1, -2.0, 4.4}, {6.0, 1.2, -0.7}, {-3.8, 2.5, 5.1}, {0.4, 7.2, 3.3},
		{2.9, -4.1, 1.8}, {8.0, 3.6, 2.2}, {-1.5, 0.9, 6.3}, {4.7, 2.0, -2.6},
	}
	c, err := spc.AssessCapability(lots, spc.Tolerance{Lower: -25, Upper: 25}, spc.CapabilityOptions{Required: 2})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("Cp %.2f, Cpk %.2f (%v)\n", c.Within.P.Value, c.Within.K.Value, c.Method)
	fmt.Println(c.Summary())
	// Output:
	// Cp 2.26, Cpk 2.07 (pooled s)
	// Ppk 2.28 from 24 values; with 95 % confidence it lies between 1.60 and 2.95: 2.00 is not shown, at this Ppk that would take 98 values
}
