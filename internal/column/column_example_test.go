package column_test

import (
	"fmt"

	"plumbsquare/internal/column"
	"plumbsquare/internal/reading"
)

// A drawn picture of 77 columns, one missing and one leaning, goes in; what isn't as it should be
// comes out.
func ExamplePlan() {
	p := columnPart()
	s := telecentric(17)
	stands := map[string]stand{
		"B3": {missing: true},
		"D5": {leanX: 154}, // 4° of a column 2.2 mm high
	}
	g := columnScene(760, 660, p, s, poseAt(0, 0, 1, 1), 1.1, stands).gray(0, 0, 1, 1)

	r, err := column.Plan(g, noiseModel(1), p, s, 0)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, site := range r.Array.Sites {
		switch site.State {
		case reading.Missing:
			fmt.Println(site.Name, "is missing")
		case reading.Tilted:
			fmt.Printf("%s leans by %.0f°\n", site.Name, site.TiltDeg)
		}
	}
	// Output:
	// B3 is missing
	// D5 leans by 4°
}
