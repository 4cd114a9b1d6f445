package spc_test

import (
	"fmt"

	"plumbsquare/internal/spc"
)

// Eight samples of an array of 32 × 32: site 205 was missing in six of them, others once.
func ExampleRepeatedSites() {
	counts := make([]spc.SiteCount, 1024)
	for i := range counts {
		counts[i].Looked = 8
	}
	counts[205].Failed = 6
	counts[40].Failed, counts[871].Failed = 1, 1
	r, err := spc.RepeatedSites(counts, spc.SiteOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, s := range r.Sites {
		fmt.Printf("site %d: %d of %d, q = %.1g, repeated: %t\n", s.Site, s.Failed, s.Looked, s.Q, s.Repeated)
	}
	// Output:
	// site 205: 6 of 8, q = 2e-14, repeated: true
	// site 40: 1 of 8, q = 1, repeated: false
	// site 871: 1 of 8, q = 1, repeated: false
}

// Azimuths of leaning columns: do they point one way?
func ExampleDirections() {
	c, err := spc.Directions([]float64{352, 11, 27, 340, 5, 48, 18, 330, 64}, spc.CircularOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("mean %.0f°, length %.2f, p = %.1g\n", c.MeanDeg, c.Length, c.RayleighP)
	// Output:
	// mean 12°, length 0.88, p = 0.0001
}
