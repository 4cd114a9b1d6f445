package station_test

import (
	"fmt"

	"plumbsquare/internal/station"
)

func ExampleLoad() {
	s, err := station.Load([]byte("station: bench-1\nparts: parts\npart: tern\n"), "line/station.yaml")
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(s.Part, "in", s.Parts)
	// Output: tern in line/parts
}
