package spc_test

import (
	"fmt"

	"plumbsquare/internal/spc"
)

// Missing columns a lot; lots differ in the number of sites looked at.
func ExampleUChart() {
	missing := []float64{3, 2, 4, 1, 2, 3, 18, 2, 4, 3}
	sites := []float64{1752, 1752, 3504, 1752, 1752, 3504, 3504, 1752, 3504, 1752}
	c, err := spc.UChart(missing, sites, spc.Options{Robust: true})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(c.Phases[0].Source)
	for _, i := range c.OutOfControl() {
		fmt.Printf("lot %d: %.2f a thousand sites, limit %.2f\n", i+1, 1000*c.Points[i].Value, 1000*c.Points[i].UCL)
	}
	// Output:
	// centre: 24 in 21024; 1 beyond the limits left out
	// lot 7: 5.14 a thousand sites, limit 2.85
}
