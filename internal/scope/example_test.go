package scope_test

import (
	"fmt"
	"time"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/scope"
)

func ExampleScope_YAML() {
	s := scope.Scope{
		Name: "bench-1", UmPerPxX: 16, UmPerPxY: 16.02, Camera: scope.Telecentric, UScalePercent: 0.01,
		Calibrated: time.Date(2031, 1, 15, 0, 0, 0, 0, time.UTC), Expires: time.Date(2032, 1, 15, 0, 0, 0, 0, time.UTC),
	}
	file, err := s.YAML()
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Print(string(file))
	// Output:
	// scope: "bench-1"
	// um_per_px_x: 16            # µm per pixel at the substrate's top surface
	// um_per_px_y: 16.02         # µm per pixel at the substrate's top surface
	// camera: telecentric
	// u_scale_percent: 0.01      # standard uncertainty of the scale
	// calibrated: 2031-01-15
	// expires: 2032-01-15        # last day
}

func ExamplePlane_ToObject() {
	s := scope.Scope{UmPerPxX: 10, UmPerPxY: 10, Camera: scope.Telecentric}
	corner := s.Plane(1280, 960, 0).ToObject(geom.ImagePoint{X: 0, Y: 0})
	fmt.Printf("the top-left pixel shows (%g, %g) µm\n", corner.X.Um(), corner.Y.Um())
	// Output: the top-left pixel shows (-6395, 4795) µm
}
