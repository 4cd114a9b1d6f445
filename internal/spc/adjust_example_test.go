package spc_test

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat"

	"plumbsquare/internal/spc"
)

// Offsets in X of one nozzle since its last correction, in µm, measured minus nominal.
func ExampleAdviseLevel() {
	tol := spc.Tolerance{Lower: -25, Upper: 25}
	offsets := []float64{9.2, 12.1, 7.4, 10.8, 13.0, 8.1, 11.6, 9.9}
	mean, sd := stat.MeanStdDev(offsets, nil)
	n := float64(len(offsets))
	level := spc.Level{Offset: mean, U: sd / math.Sqrt(n), DF: n - 1, Sigma: sd, N: len(offsets)}
	a, err := spc.AdviseLevel(level, spc.AdjustOptions{Deadband: 2, Tolerance: &tol})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(a.Reason)
	fmt.Printf("Cpk %.1f now, %.1f expected\n", a.Before.K.Value, a.After.K.Value)
	// Output:
	// add -10.3 to the setting: parts sit at 10.3 ± 1.6 (measured minus nominal)
	// Cpk 2.5 now, 4.0 expected
}

// A placer that drifts, adjusted only when its forecast leaves ±3 µm.
func ExampleFeedback() {
	f := spc.Feedback{Lambda: 0.3, Limit: 3}
	for _, z := range []float64{1, 4, 6, 5, 9, 8} { // where parts would sit if nothing were done
		deviation := z + f.Total
		var move float64
		var err error
		if f, move, err = f.Next(deviation); err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("observed %.2f, move %.2f\n", deviation, move)
	}
	// Output:
	// observed 1.00, move 0.00
	// observed 4.00, move 0.00
	// observed 6.00, move 0.00
	// observed 5.00, move -3.45
	// observed 5.55, move 0.00
	// observed 4.55, move 0.00
}
