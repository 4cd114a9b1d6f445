package drift_test

import (
	"fmt"
	"math/rand/v2"

	"plumbsquare/internal/drift"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// Head H2 sits 4 µm off; what the level does and what to enter into the placer follow from the offsets.
func ExampleCorrect() {
	rng := rand.New(rand.NewPCG(1, 2))
	s := drift.Samples{Quantity: series.Quantity{Name: "offset X", Unit: "µm"}, Factors: []spc.Factor{{Name: "head"}}}
	for i := range 60 {
		head, offset := "H1", 0.0
		if i%2 == 1 {
			head, offset = "H2", 4
		}
		s.Values = append(s.Values, offset+rng.NormFloat64())
		s.Lots = append(s.Lots, fmt.Sprint("K", i/6))
		s.Factors[0].Levels = append(s.Factors[0].Levels, head)
	}
	change, err := drift.Look(s, drift.Options{})
	if err != nil {
		panic(err)
	}
	fmt.Println(change.Text("µm"))
	corrections, err := drift.Correct(s, drift.CorrectOptions{Deadband: 1})
	if err != nil {
		panic(err)
	}
	for _, c := range corrections {
		fmt.Printf("%s: correct %v, add %.1f µm\n", c.Name(), c.Advice.Correct, c.Advice.Correction)
	}
	// Output:
	// no move is shown
	// head H1: correct false, add 0.0 µm
	// head H2: correct true, add -3.9 µm
}
