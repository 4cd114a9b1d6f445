package spc_test

import (
	"fmt"

	"plumbsquare/internal/spc"
)

// Die offsets in X, µm, of units in the order placed: the level moves after the eighth unit.
func ExampleIndividuals() {
	x := []float64{0.4, -1.1, 0.9, 1.6, -0.7, 0.2, 1.3, -0.5, 3.9, 4.6, 3.1, 5.2, 4.0}
	rules, err := spc.ParseRules("western")
	if err != nil {
		fmt.Println(err)
		return
	}
	charts, err := spc.Individuals(x, spc.Options{
		Rules:  rules,
		Phases: []spc.Phase{{Baseline: spc.Span{From: 0, To: 8}}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	c := charts[0]
	p := c.Points[0]
	fmt.Printf("centre %.2f, limits %.2f and %.2f\n", p.Center, p.LCL, p.UCL)
	fmt.Println(len(c.Hits), "hits, the first two:")
	for _, h := range c.Hits[:2] {
		fmt.Println(c.Explain(h))
	}
	// Output:
	// centre 0.26, limits -3.65 and 4.17
	// 8 hits, the first two:
	// Western Electric 1 at point 10: one point beyond a control limit (above); something sudden and large happened to this point, or the process moved by much
	// Western Electric 2 at points 9 and 10: two out of three points in a row beyond 2 sigma on one side (above); the level has moved by a medium amount, or the spread has grown
}

// Column tilts in degrees, three columns measured on a sample of each lot.
func ExampleXbarR() {
	tilt := []float64{0.31, 0.42, 0.38, 0.29, 0.51, 0.33, 0.40, 0.36, 0.47, 0.35, 0.44, 0.30}
	lot := []string{"K1", "K1", "K1", "K2", "K2", "K2", "K3", "K3", "K3", "K4", "K4", "K4"}
	groups, err := spc.GroupBy(tilt, lot)
	if err != nil {
		fmt.Println(err)
		return
	}
	charts, err := spc.XbarR(spc.Values(groups), spc.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, c := range charts {
		p := c.Points[0]
		fmt.Printf("%s: centre %.3f, limits %.3f and %.3f\n", c.Statistic, p.Center, p.LCL, p.UCL)
	}
	fmt.Println(groups[1].Key, "mean", fmt.Sprintf("%.3f", charts[0].Points[1].Value))
	// Output:
	// x̄: centre 0.380, limits 0.232 and 0.528
	// R: centre 0.145, limits 0.000 and 0.373
	// K2 mean 0.377
}
