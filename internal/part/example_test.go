package part_test

import (
	"fmt"

	"plumbsquare/internal/part"
)

func ExampleLoad() {
	const file = `
part: chip
substrate: {width_mm: 4, height_mm: 3}
array: {kind: balls, rows: 2, columns: 3, pitch_mm: 1.27, diameter_mm: 0.5, datum: outline, absent: [A1:A2]}
`
	p, err := part.Load([]byte(file), "chip.yaml")
	if err != nil {
		fmt.Println(err)
		return
	}
	sites, err := p.Array.Sites()
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, s := range sites {
		fmt.Printf("%s row %d column %d (%g, %g) mm\n", s.Name, s.Row, s.Column, s.At.X.Mm(), s.At.Y.Mm())
	}
	// Output:
	// A3 row 1 column 3 (1.27, 0.635) mm
	// B1 row 2 column 1 (-1.27, -0.635) mm
	// B2 row 2 column 2 (0, -0.635) mm
	// B3 row 2 column 3 (1.27, -0.635) mm
}
