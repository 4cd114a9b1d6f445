package synth

import (
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/scope"
)

// A camera is a scope looking through a picture of one size.
//
// A point of the object at (X, Y) µm from the optical axis and height h is seen, before
// distortion, at m·(X/umX, −Y/umY) px from the picture's centre, with m = WD/(WD − h) for a
// pinhole at the working distance WD and 1 for parallel rays; r_u = r_d (1 + k1 r_d²) with r in
// units of half the picture's width takes the undistorted radius to that in the picture.
//
// Distortion scales a picture by 1 + k1 r² across the radius and by 1 + 3 k1 r² along it. The
// blur is drawn with the mean, so an edge may be wider or narrower by up to k1 r² than it should.
type camera struct {
	cx, cy       float64
	umX, umY     float64
	k            float64 // k1 per px²
	pinholeUm    float64 // 0: parallel rays
	leanX, leanY float64 // µm of shift in the picture plane per µm of height
}

func newCamera(s *scope.Scope, width, height int, tiltXDeg, tiltYDeg float64) *camera {
	half := float64(width) / 2
	c := &camera{
		cx: float64(width-1) / 2, cy: float64(height-1) / 2,
		umX: s.UmPerPxX, umY: s.UmPerPxY, k: s.K1 / (half * half),
		leanX: math.Tan(tiltXDeg * math.Pi / 180), leanY: math.Tan(tiltYDeg * math.Pi / 180),
	}
	if s.Camera == scope.Perspective {
		c.pinholeUm = s.WorkingDistanceMm * 1000
	}
	return c
}

// magnification returns how much larger than the substrate a plane at height h looks.
func (c *camera) magnification(hUm float64) float64 {
	if c.pinholeUm == 0 {
		return 1
	}
	return c.pinholeUm / (c.pinholeUm - hUm)
}

// project returns where a point is seen.
func (c *camera) project(at geom.ScopePoint, hUm float64) geom.ImagePoint {
	m := c.magnification(hUm)
	u := m * (float64(at.X) + c.leanX*hUm) / c.umX
	v := -m * (float64(at.Y) + c.leanY*hUm) / c.umY
	r := math.Hypot(u, v)
	f := 1.0 // r_d / r_u by fixed-point steps, each gaining a factor of about k1 r²
	for range 30 {
		f = 1 / (1 + c.k*(f*r)*(f*r))
	}
	return geom.ImagePoint{X: c.cx + f*u, Y: c.cy + f*v}
}

// A frame is the coordinates of something drawn: its own origin and axes in the scope frame, at
// its height. Coordinates in it are true µm, q counted upward as y is.
type frame struct {
	cam        *camera
	origin     geom.ScopePoint
	cos, sin   float64
	heightUm   float64
	ax, bx, cp float64 // p = ax u + bx v + cp, u and v undistorted px from the axis
	ay, by, cq float64
	gp, gq, g  float64 // µm per px along p, along q, and their mean
	k          float64 // nx⁴ + ny⁴ of the axes in the picture
}

func (c *camera) frame(origin geom.ScopePoint, turn geom.Angle, hUm float64) frame {
	sin, cos := math.Sincos(turn.Rad())
	m := c.magnification(hUm)
	sx, sy := c.umX/m, -c.umY/m
	ox, oy := float64(origin.X)+c.leanX*hUm, float64(origin.Y)+c.leanY*hUm
	f := frame{
		cam: c, origin: origin, cos: cos, sin: sin, heightUm: hUm,
		ax: cos * sx, bx: sin * sy, cp: -(cos*ox + sin*oy),
		ay: -sin * sx, by: cos * sy, cq: sin*ox - cos*oy,
	}
	f.gp, f.gq = math.Hypot(f.ax, f.bx), math.Hypot(f.ay, f.by)
	f.g = math.Sqrt(f.gp * f.gq)
	f.k = quartic(f.ax, f.bx)
	return f
}

// quartic returns nx⁴ + ny⁴ of the direction (x, y).
func quartic(x, y float64) float64 {
	x2, y2 := x*x, y*y
	r := x2 + y2
	if r == 0 {
		return 1
	}
	return (x2*x2 + y2*y2) / (r * r)
}

// scopePoint returns the place in the scope frame of a point of the frame.
func (f *frame) scopePoint(p, q float64) geom.ScopePoint {
	return geom.ScopePoint{
		X: f.origin.X + geom.Length(f.cos*p-f.sin*q),
		Y: f.origin.Y + geom.Length(f.sin*p+f.cos*q),
	}
}

// image returns where a point of the frame is seen.
func (f *frame) image(p, q float64) geom.ImagePoint {
	return f.cam.project(f.scopePoint(p, q), f.heightUm)
}

// at returns a frame of the same height with its origin at (p, q), turned against f.
func (f *frame) at(p, q float64, turn geom.Angle) frame {
	return f.cam.frame(f.scopePoint(p, q), geom.Angle(math.Atan2(f.sin, f.cos))+turn, f.heightUm)
}
