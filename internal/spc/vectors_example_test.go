package spc_test

import (
	"fmt"

	"plumbsquare/internal/spc"
)

// X, Y and θ of placed dies against a process known from long experience: the last die is turned
// although its X and Y are in order.
func ExampleT2Individuals() {
	offsets := [][]float64{{1.2, -0.4, 0.01}, {-0.8, 0.9, -0.02}, {0.3, -1.1, 0.03}, {0.6, 0.2, 0.16}}
	chart, err := spc.T2Individuals(offsets, spc.VectorOptions{
		Names: []string{"X", "Y", "θ"},
		Phases: []spc.VectorPhase{{
			Mean:       []float64{0, 0, 0},
			Covariance: [][]float64{{1.44, 0.2, 0}, {0.2, 1.21, 0}, {0, 0, 0.0009}},
		}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, h := range chart.Hits {
		fmt.Println(chart.Explain(h))
	}
	// Output:
	// Nelson 1 at point 4: T² 28.71 is beyond its limit 14.16; θ is off by itself (+5.3 standard deviations)
}
