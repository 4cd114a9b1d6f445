package spc_test

import (
	"fmt"

	"plumbsquare/internal/spc"
)

// A placer whose X offset has crept up by one standard deviation: single points stay inside their
// limits, the cumulative sum does not.
func ExampleCUSUM_Charts() {
	x := []float64{0.2, -0.9, 1.1, 0.4, -0.6, 1.3, 0.7, 1.9, 0.5, 1.6, 1.2, 0.9, 1.8}
	opt := spc.Options{Phases: []spc.Phase{{Center: new(0.0), Sigma: new(1.0)}}}
	singles, err := spc.Individuals(x, opt)
	if err != nil {
		fmt.Println(err)
		return
	}
	sums, err := spc.CUSUM{K: 0.5, H: 4}.Charts(x, opt)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println("single points beyond limits:", len(singles[0].Hits))
	fmt.Println(sums[0].Explain(sums[0].Hits[0]))
	// Output:
	// single points beyond limits: 0
	// Nelson 1 at point 11: one point beyond a control limit (above); the level has risen; the sum left zero about when it began
}

// The moving average of the same placer, with limits that open from the first point.
func ExampleEWMA_Chart() {
	x := []float64{0.2, -0.9, 1.1, 0.4, -0.6, 1.3, 0.7, 1.9, 0.5, 1.6, 1.2, 0.9, 1.8}
	chart, err := spc.EWMA{Lambda: 0.2, Width: 2.9}.Chart(x, spc.Options{
		Phases: []spc.Phase{{Center: new(0.0), Sigma: new(1.0)}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, i := range chart.OutOfControl()[:1] {
		p := chart.Points[i]
		fmt.Printf("point %d: average %.2f, limit %.2f\n", p.Index+1, p.Value, p.UCL)
	}
	// Output:
	// point 13: average 1.08, limit 0.97
}
