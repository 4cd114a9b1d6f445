package spc_test

import (
	"fmt"

	"plumbsquare/internal/spc"
)

// Offsets in X, in µm: which of head and shift explains their spread?
func ExampleRankFactors() {
	x := []float64{4.1, 0.3, 5.2, -0.8, 3.7, 1.1, 4.9, 0.2, 5.5, -0.4, 4.4, 0.9}
	head := spc.Factor{Name: "head"}
	shift := spc.Factor{Name: "shift"}
	for i := range x {
		head.Levels = append(head.Levels, []string{"A", "B"}[i%2])
		shift.Levels = append(shift.Levels, []string{"day", "late", "night"}[i/4])
	}
	effects, err := spc.RankFactors(x, []spc.Factor{shift, head}, spc.FactorOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, e := range effects {
		fmt.Printf("%s explains %.0f %% of the variance, q = %.1g\n", e.Name, 100*e.Alone.Omega2, e.Q)
	}
	// Output:
	// head explains 91 % of the variance, q = 2e-06
	// shift explains 0 % of the variance, q = 1
}
