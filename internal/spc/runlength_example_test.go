package spc_test

import (
	"fmt"

	"plumbsquare/internal/spc"
)

// How often do the four zone rules raise a false alarm, and how soon do they see a move?
func ExampleShewhart_RunLength() {
	rules, err := spc.ParseRules("western")
	if err != nil {
		fmt.Println(err)
		return
	}
	chart := spc.Shewhart{Rules: rules}
	for _, shift := range []float64{0, 0.5, 1} {
		r, err := chart.RunLength(shift, nil, 0)
		if err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("shift %.1f sigma: one signal every %.0f points\n", shift, r.Mean)
	}
	// Output:
	// shift 0.0 sigma: one signal every 92 points
	// shift 0.5 sigma: one signal every 27 points
	// shift 1.0 sigma: one signal every 9 points
}
