package spc_test

import (
	"fmt"

	"plumbsquare/internal/spc"
)

// How many units to pull so that a lot with 5 % bad ones passes at most once in ten.
func ExampleZeroAcceptance() {
	p, err := spc.ZeroAcceptance(0.05, 0.10)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("pull %d, accept with none bad; a lot with 0.5 %% bad passes in %.0f %% of cases\n", p.N, 100*p.Pa(0.005))
	// Output:
	// pull 45, accept with none bad; a lot with 0.5 % bad passes in 80 % of cases
}

func ExampleInspection() {
	i, err := spc.StartInspection("II", 1.0)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, bad := range []int{0, 4, 1, 3} {
		p, err := i.Plan(1000)
		if err != nil {
			fmt.Println(err)
			return
		}
		var accepted bool
		if i, accepted, err = i.After(p, bad); err != nil {
			fmt.Println(err)
			return
		}
		fmt.Printf("%v: %d of %d, at most %d: accepted %t\n", p.State, bad, p.N, p.Accept, accepted)
	}
	fmt.Println("next:", i.State)
	// Output:
	// normal: 0 of 80, at most 2: accepted true
	// normal: 4 of 80, at most 2: accepted false
	// normal: 1 of 80, at most 2: accepted true
	// normal: 3 of 80, at most 2: accepted false
	// next: tightened
}
