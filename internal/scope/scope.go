// Package scope holds microscopes with their calibration and turns image points into places on
// the object and back.
package scope

import (
	"fmt"
	"math"
	"time"

	"plumbsquare/internal/geom"
)

// A Camera is the kind of projection.
type Camera string

// The projections that a scope may have.
const (
	Telecentric Camera = "telecentric" // parallel rays: height has no effect
	Perspective Camera = "perspective" // rays meet in a pinhole above the substrate
)

// A Scope is one microscope as its scope file states it. Standard uncertainties (k = 1) that
// the file leaves out are 0.
type Scope struct {
	Name              string  `yaml:"scope"`
	UmPerPxX          float64 `yaml:"um_per_px_x"` // at the substrate's top surface
	UmPerPxY          float64 `yaml:"um_per_px_y"`
	Camera            Camera  `yaml:"camera"`
	WorkingDistanceMm float64 `yaml:"working_distance_mm"` // pinhole to the substrate's top surface
	K1                float64 `yaml:"k1"`                  // radial distortion, see Plane

	UScalePercent float64 `yaml:"u_scale_percent"` // of um_per_px
	UTiltDeg      float64 `yaml:"u_tilt_deg"`      // optical axis against the surface's normal
	UHeightMm     float64 `yaml:"u_height_mm"`     // height of a plane against the drawing
	UStageUm      float64 `yaml:"u_stage_um"`      // of the stage, per axis and place

	// The bias that a reversal found, see Bias.
	BiasXUm      float64 `yaml:"bias_x_um"`
	BiasYUm      float64 `yaml:"bias_y_um"`
	UBiasXUm     float64 `yaml:"u_bias_x_um"`
	UBiasYUm     float64 `yaml:"u_bias_y_um"`
	BiasHeightMm float64 `yaml:"bias_height_mm"` // of the plane over the marks; 0: no reversal was made

	Calibrated time.Time `yaml:"calibrated"`
	Expires    time.Time `yaml:"expires"`

	Hash string `yaml:"-"` // SHA-256 of the file's bytes
}

// Check says what makes the scope unusable, nil when nothing does.
func (s *Scope) Check() error {
	switch {
	case !(s.UmPerPxX > 0) || !(s.UmPerPxY > 0):
		return fmt.Errorf("scope %s: um_per_px_x and um_per_px_y must be above 0, got %g and %g", s.Name, s.UmPerPxX, s.UmPerPxY)
	case s.Camera != Telecentric && s.Camera != Perspective:
		return fmt.Errorf("scope %s: camera must be %q or %q, got %q", s.Name, Telecentric, Perspective, s.Camera)
	case s.Camera == Perspective && !(s.WorkingDistanceMm > 0):
		return fmt.Errorf("scope %s: a perspective camera needs working_distance_mm above 0, got %g", s.Name, s.WorkingDistanceMm)
	}
	return nil
}

// A Bias is how far the scope shifts a plane against one at another height, scope frame, with
// standard uncertainties, µm.
type Bias struct{ X, Y, UX, UY float64 }

// Bias returns the shift of a plane at a height above the marks, and whether the file states one.
//
// An optical axis that is not square to the surface by an angle t shows what is h higher displaced
// by h·tan(t) in the scope frame, whichever way round the sample lies. A reversal finds that shift
// at one height; at others it is in proportion. What is measured is where it is shown, so the
// shift is subtracted.
func (s *Scope) Bias(heightMm float64) (Bias, bool) {
	if s.BiasHeightMm == 0 {
		return Bias{}, false
	}
	k := heightMm / s.BiasHeightMm
	return Bias{k * s.BiasXUm, k * s.BiasYUm, math.Abs(k) * s.UBiasXUm, math.Abs(k) * s.UBiasYUm}, true
}

// UAxisUm returns the standard uncertainty per axis, µm, with which the optical axis shows a plane at a
// height above the marks: that of the bias where a reversal found it, else that of the tilt.
func (s *Scope) UAxisUm(heightMm float64) float64 {
	if b, found := s.Bias(heightMm); found {
		return math.Hypot(b.UX, b.UY) / math.Sqrt2
	}
	return 1000 * math.Abs(heightMm) * math.Tan(s.UTiltDeg*math.Pi/180)
}

// WithoutBias returns the scope as it was before any reversal, with nothing stated of its axis:
// that is what a reversal measures.
func (s *Scope) WithoutBias() *Scope {
	c := *s
	c.BiasXUm, c.BiasYUm, c.UBiasXUm, c.UBiasYUm, c.BiasHeightMm, c.UTiltDeg = 0, 0, 0, 0, 0, 0
	return &c
}

// A Plane maps a picture of a given size onto the object plane at one height and back. Image
// points are first freed of radial distortion, r_u = r_d (1 + k1 r_d²) with r counted from the
// picture's centre in units of half its width, then scaled; on a perspective scope a plane at
// height h looks larger by WD/(WD-h).
type Plane struct {
	cx, cy   float64 // px, the optical axis
	umX, umY float64 // µm per px on this plane
	k1PerPx2 float64
}

// Plane returns the map between a w × h picture and the plane at height h above the substrate's
// top surface.
func (s *Scope) Plane(w, h int, heightMm float64) Plane {
	m := 1.0
	if s.Camera == Perspective {
		m = s.WorkingDistanceMm / (s.WorkingDistanceMm - heightMm)
	}
	half := float64(w) / 2
	return Plane{
		cx: float64(w-1) / 2, cy: float64(h-1) / 2,
		umX: s.UmPerPxX / m, umY: s.UmPerPxY / m,
		k1PerPx2: s.K1 / (half * half),
	}
}

// UmPerPx returns the mean scale at the optical axis.
func (p Plane) UmPerPx() float64 { return math.Sqrt(p.umX * p.umY) }

// ToObject returns where on the plane an image point lies.
func (p Plane) ToObject(q geom.ImagePoint) geom.ScopePoint {
	dx, dy := q.X-p.cx, q.Y-p.cy
	f := 1 + p.k1PerPx2*(dx*dx+dy*dy)
	return geom.ScopePoint{X: geom.Length(p.umX * f * dx), Y: geom.Length(-p.umY * f * dy)}
}

// ToImage returns where in the picture a point of the plane is seen.
func (p Plane) ToImage(q geom.ScopePoint) geom.ImagePoint {
	ux, uy := float64(q.X)/p.umX, -float64(q.Y)/p.umY
	// Newton's steps for r_d in r_u = r_d (1 + k1 r_d²); the start is the answer when k1 is 0.
	ru := math.Hypot(ux, uy)
	rd := ru
	for range 8 {
		g := rd*(1+p.k1PerPx2*rd*rd) - ru
		rd -= g / (1 + 3*p.k1PerPx2*rd*rd)
	}
	f := 1.0
	if ru > 0 {
		f = rd / ru
	}
	return geom.ImagePoint{X: p.cx + f*ux, Y: p.cy + f*uy}
}
