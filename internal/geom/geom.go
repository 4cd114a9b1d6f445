// Package geom holds lengths, angles, points that name their frame, and the motions between
// frames.
//
// There are three frames. The image frame counts pixels, (0,0) being the centre of the
// top-left pixel, x right and y down. The scope frame lies on the object in µm with the same
// x axis and y up, its origin on the optical axis. The drawing frame is carried by the
// substrate: origin at its datum, +X right, +Y up as drawn. Angles count counter-clockwise
// as seen in the picture.
package geom

import "math"

// A Length is a distance on the object, kept in µm. Build one with the constants
// (3.2*geom.Millimetre) and read one with Um or Mm, so that no factor of 1000 is written by hand.
type Length float64

// Units of length.
const (
	Micrometre Length = 1
	Millimetre        = 1000 * Micrometre
)

// Um returns the length in µm.
func (l Length) Um() float64 { return float64(l) }

// Mm returns the length in mm.
func (l Length) Mm() float64 { return float64(l / Millimetre) }

// An Angle is kept in radians, counter-clockwise positive.
type Angle float64

// Units of angle.
const (
	Radian Angle = 1
	Degree       = Radian * math.Pi / 180
)

// Deg returns the angle in degrees.
func (a Angle) Deg() float64 { return float64(a / Degree) }

// Rad returns the angle in radians.
func (a Angle) Rad() float64 { return float64(a) }

// Points carry their frame in their type. Only a transform turns one into another.
type (
	// An ImagePoint is a place in a picture, px; (0,0) is the centre of the top-left pixel, y down.
	ImagePoint struct{ X, Y float64 }
	// A ScopePoint is a place on an object plane, y up, origin on the optical axis.
	ScopePoint struct{ X, Y Length }
	// A DrawingPoint is a place on the part, y up, origin at the substrate's datum.
	DrawingPoint struct{ X, Y Length }
)

// MmPoint returns the drawing point at (x, y) mm.
func MmPoint(xMm, yMm float64) DrawingPoint {
	return DrawingPoint{Length(xMm) * Millimetre, Length(yMm) * Millimetre}
}

// A Pose is where the drawing frame lies in the scope frame: a drawing point p is found at
// Origin + Scale·R(Turn)·p. Scale is the substrate's shrink, 1 for a substrate as drawn.
type Pose struct {
	Origin ScopePoint
	Turn   Angle
	Scale  float64
}

// ToScope returns where a drawing point lies in the scope frame.
func (p Pose) ToScope(d DrawingPoint) ScopePoint {
	s, c := math.Sincos(p.Turn.Rad())
	x, y := float64(d.X)*p.Scale, float64(d.Y)*p.Scale
	return ScopePoint{p.Origin.X + Length(c*x-s*y), p.Origin.Y + Length(s*x+c*y)}
}

// ToDrawing returns the place of a scope point along the drawing's axes, in true µm from the
// drawing's origin: turned and shifted, but not divided by the scale, because dies, caps and
// columns do not shrink with the ceramic and the scope's calibration is the ruler.
func (p Pose) ToDrawing(q ScopePoint) DrawingPoint {
	s, c := math.Sincos(p.Turn.Rad())
	x, y := float64(q.X-p.Origin.X), float64(q.Y-p.Origin.Y)
	return DrawingPoint{Length(c*x + s*y), Length(-s*x + c*y)}
}

// Nominal returns where a drawing point is expected along the drawing's axes in true µm: the
// drawing's place times the substrate's scale, since what is printed on the ceramic moves
// with it.
func (p Pose) Nominal(d DrawingPoint) DrawingPoint {
	return DrawingPoint{d.X * Length(p.Scale), d.Y * Length(p.Scale)}
}

// Wrap returns the angle in (-180°, 180°].
func Wrap(a Angle) Angle {
	w := math.Remainder(a.Rad(), 2*math.Pi)
	if w <= -math.Pi {
		w += 2 * math.Pi
	}
	return Angle(w)
}
