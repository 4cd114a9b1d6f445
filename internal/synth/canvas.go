package synth

import "math"

// A canvas is the scene as it is drawn: blurred, noiseless, in fractions of full scale.
type canvas struct {
	w, h int
	pix  []float32
}

func newCanvas(w, h int, level float64) *canvas {
	c := &canvas{w, h, make([]float32, w*h)}
	for i := range c.pix {
		c.pix[i] = float32(level)
	}
	return c
}

// A box is how far from its frame's origin something reaches, µm.
type box struct{ p0, q0, p1, q1 float64 }

func around(halfP, halfQ float64) box { return box{-halfP, -halfQ, halfP, halfQ} }

// pixels returns the rectangle of pixels that holds a box of a frame and marginPx around it.
func (c *canvas) pixels(f *frame, b box, marginPx float64) (x0, y0, x1, y1 int) {
	lowX, lowY, highX, highY := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for i := range 3 { // corners and middles of the sides, which distortion bends
		for j := range 3 {
			at := f.image(b.p0+(b.p1-b.p0)*float64(i)/2, b.q0+(b.q1-b.q0)*float64(j)/2)
			lowX, highX = min(lowX, at.X), max(highX, at.X)
			lowY, highY = min(lowY, at.Y), max(highY, at.Y)
		}
	}
	// A line d px from the axis has the curvature 2kd; between points l/2 apart it bows by kdl²/16.
	l, d := max(highX-lowX, highY-lowY), float64(c.w+c.h)
	bend := 1 + math.Abs(f.cam.k)*d*l*l/16
	m := marginPx + bend
	clip := func(v float64, top int) int { return int(min(max(v, 0), float64(top))) }
	return clip(math.Floor(lowX-m), c.w), clip(math.Floor(lowY-m), c.h), clip(math.Ceil(highX+m)+1, c.w), clip(math.Ceil(highY+m)+1, c.h)
}

// each sets every pixel near a box to what draw makes of it: (p, q) is the pixel's centre in
// the frame, s how many pixels of the undistorted picture one pixel is there, under what has
// been drawn so far.
func (c *canvas) each(f *frame, b box, marginPx float64, draw func(p, q, s, under float64) float64) {
	c.eachAt(f, b, marginPx, func(p, q, s, under float64, _, _ int) float64 { return draw(p, q, s, under) })
}

// eachAt is each for who must know which pixel it is.
func (c *canvas) eachAt(f *frame, b box, marginPx float64, draw func(p, q, s, under float64, x, y int) float64) {
	x0, y0, x1, y1 := c.pixels(f, b, marginPx)
	k := f.cam.k
	for y := y0; y < y1; y++ {
		dy := float64(y) - f.cam.cy
		row := c.pix[y*c.w : (y+1)*c.w]
		for x := x0; x < x1; x++ {
			dx := float64(x) - f.cam.cx
			s, u, v := 1.0, dx, dy
			if k != 0 {
				e := k * (dx*dx + dy*dy)
				s, u, v = 1+2*e, dx*(1+e), dy*(1+e)
			}
			row[x] = float32(draw(f.ax*u+f.bx*v+f.cp, f.ay*u+f.by*v+f.cq, s, float64(row[x]), x, y))
		}
	}
}

// slope returns how the canvas changes a px along x and y.
func (c *canvas) slope(x, y int) (gx, gy float64) {
	if x < 1 || y < 1 || x > c.w-2 || y > c.h-2 {
		return 0, 0
	}
	i := y*c.w + x
	return float64(c.pix[i+1]-c.pix[i-1]) / 2, float64(c.pix[i+c.w]-c.pix[i-c.w]) / 2
}

// A shape is an outline in a frame: how far it reaches, and the share of a pixel's light that
// comes from inside it.
type shape struct {
	box
	cover func(p, q, s float64) float64
}

// An ink is what a shape does to the light under it: light + cover·(a·light + b·texture).
type ink struct {
	a, b    float64
	texture func(p, q float64) float64 // nil: 1
}

func opaque(level float64) ink                      { return ink{a: -1, b: level} }
func film(level, alpha float64) ink                 { return ink{a: -alpha, b: alpha * level} }
func filter(transmission float64) ink               { return ink{a: transmission - 1} }
func glow(level float64) ink                        { return ink{b: level} }
func (i ink) with(t func(p, q float64) float64) ink { i.texture = t; return i }

// paint lays a shape over what has been drawn.
func (c *canvas) paint(f *frame, s shape, marginPx float64, i ink) {
	c.each(f, s.box, marginPx, func(p, q, scale, under float64) float64 {
		cover := s.cover(p, q, scale)
		if cover == 0 {
			return under
		}
		b := i.b
		if i.texture != nil {
			b *= i.texture(p, q)
		}
		return under + cover*(i.a*under+b)
	})
}
