package overlay

import (
	"image"
	"image/color"
	"image/draw"
	"math"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// A point is a place on the canvas: px, y down, (0, 0) the corner of the top-left pixel.
type point struct{ x, y float64 }

func (p point) add(dx, dy float64) point { return point{p.x + dx, p.y + dy} }

// A pen draws lines: solid, or dashed with equal dashes and gaps. Dark ground around a line keeps
// it legible on bright and dark alike.
type pen struct {
	colour color.RGBA
	width  float64
	dash   float64 // 0 for a solid line
	bare   bool    // without the dark ground
}

var ground = color.RGBA{0, 0, 0, 185}

// A canvas is an RGBA picture that is drawn on with anti-aliased lines and text.
type canvas struct {
	img           *image.RGBA
	regular, bold *opentype.Font
	faces         map[faceKey]font.Face
	raster        vector.Rasterizer
}

type faceKey struct {
	bold bool
	size float64
}

func newCanvas(w, h int) (*canvas, error) {
	c := &canvas{img: image.NewRGBA(image.Rect(0, 0, w, h)), faces: map[faceKey]font.Face{}}
	var err error
	if c.regular, err = opentype.Parse(goregular.TTF); err != nil {
		return nil, err
	}
	c.bold, err = opentype.Parse(gobold.TTF)
	return c, err
}

// drawable reports whether points lie within what lines and text can be made for. A value that is
// no number, or far outside all pictures, isn't drawn.
func drawable(pts ...point) bool {
	const far = 1e6
	for _, p := range pts {
		if !(math.Abs(p.x) < far && math.Abs(p.y) < far) {
			return false
		}
	}
	return true
}

// paths fills closed paths. Paths that overlap must turn the same way.
func (c *canvas) paths(col color.Color, paths ...[]point) {
	x0, y0, x1, y1 := math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)
	for _, path := range paths {
		for _, p := range path {
			x0, y0, x1, y1 = min(x0, p.x), min(y0, p.y), max(x1, p.x), max(y1, p.y)
		}
	}
	if !drawable(point{x0, y0}, point{x1, y1}) {
		return
	}
	box := image.Rect(int(math.Floor(x0)), int(math.Floor(y0)), int(math.Ceil(x1))+1, int(math.Ceil(y1))+1).Intersect(c.img.Bounds())
	if box.Empty() {
		return
	}
	c.raster.Reset(box.Dx(), box.Dy())
	at := func(p point) (float32, float32) {
		return float32(p.x - float64(box.Min.X)), float32(p.y - float64(box.Min.Y))
	}
	for _, path := range paths {
		if len(path) < 3 {
			continue
		}
		c.raster.MoveTo(at(path[0]))
		for _, p := range path[1:] {
			c.raster.LineTo(at(p))
		}
		c.raster.ClosePath()
	}
	c.raster.Draw(c.img, box, image.NewUniform(col), image.Point{})
}

// polyline draws a line through points.
func (c *canvas) polyline(p pen, pts ...point) {
	if !drawable(pts...) {
		return
	}
	pieces := [][]point{pts}
	if p.dash > 0 {
		pieces = dashes(pts, p.dash)
	}
	if !p.bare {
		c.strokes(ground, pieces, 2*p.width)
	}
	c.strokes(p.colour, pieces, p.width)
}

// strokes fills the bands of a width along pieces of lines.
func (c *canvas) strokes(col color.Color, pieces [][]point, width float64) {
	var quads [][]point
	h := width / 2
	for _, pts := range pieces {
		for i := range len(pts) - 1 {
			a, b := pts[i], pts[i+1]
			l := math.Hypot(b.x-a.x, b.y-a.y)
			if l == 0 {
				continue
			}
			dx, dy := (b.x-a.x)/l*h, (b.y-a.y)/l*h
			// Reaching on by a third of the width closes the corners between pieces.
			ex, ey := dx*0.3, dy*0.3
			quads = append(quads, []point{a.add(dy-ex, -dx-ey), b.add(dy+ex, -dx+ey), b.add(-dy+ex, dx+ey), a.add(-dy-ex, dx-ey)})
		}
	}
	c.paths(col, quads...)
}

// dashes cuts a line into dashes with gaps as long.
func dashes(pts []point, length float64) [][]point {
	var out [][]point
	var piece []point
	on, left := true, length
	for i := range len(pts) - 1 {
		a, b := pts[i], pts[i+1]
		l := math.Hypot(b.x-a.x, b.y-a.y)
		if on && len(piece) == 0 {
			piece = []point{a}
		}
		for done := 0.0; done < l; {
			step := min(left, l-done)
			done += step
			left -= step
			p := point{a.x + (b.x-a.x)*done/l, a.y + (b.y-a.y)*done/l}
			if on {
				piece = append(piece, p)
			}
			if left > 0 {
				continue
			}
			if on {
				out = append(out, piece)
			}
			on, left, piece = !on, length, []point{p}
		}
	}
	if on && len(piece) > 1 {
		out = append(out, piece)
	}
	return out
}

// arc returns the points of an arc, angles in radians, counter-clockwise as seen.
func arc(centre point, r, from, to float64) []point {
	n := int(min(720, max(8, math.Abs(to-from)*math.Sqrt(max(r, 0))*3)))
	pts := make([]point, n+1)
	for i := range pts {
		s, co := math.Sincos(from + (to-from)*float64(i)/float64(n))
		pts[i] = point{centre.x + r*co, centre.y - r*s}
	}
	return pts
}

func (c *canvas) circle(p pen, centre point, r float64) {
	c.polyline(p, arc(centre, r, 0, 2*math.Pi)...)
}

// polygon draws a closed regular polygon with its first corner at an angle, radians.
func (c *canvas) polygon(p pen, centre point, r float64, corners int, first float64) {
	c.polyline(p, corner(centre, r, corners, first)...)
}

func corner(centre point, r float64, corners int, first float64) []point {
	pts := make([]point, corners+1)
	for i := range pts {
		s, co := math.Sincos(first + 2*math.Pi*float64(i)/float64(corners))
		pts[i] = point{centre.x + r*co, centre.y - r*s}
	}
	return pts
}

// arrow draws a line with a head at its end. A line shorter than the head has none.
func (c *canvas) arrow(p pen, from, to point, head float64) {
	l := math.Hypot(to.x-from.x, to.y-from.y)
	if l < head {
		c.polyline(p, from, to)
		return
	}
	ux, uy := (to.x-from.x)/l, (to.y-from.y)/l
	neck := to.add(-ux*head, -uy*head)
	wing := 0.42 * head
	tip := []point{to, neck.add(-uy*wing, ux*wing), neck.add(uy*wing, -ux*wing)}
	if !p.bare {
		g := head * 0.28
		c.paths(ground, []point{to.add(ux*2*g, uy*2*g), neck.add(-uy*(wing+g)-ux*g, ux*(wing+g)-uy*g), neck.add(uy*(wing+g)-ux*g, -ux*(wing+g)-uy*g)})
	}
	c.polyline(p, from, neck)
	c.paths(p.colour, tip)
}

func (c *canvas) fill(col color.Color, r image.Rectangle) {
	draw.Draw(c.img, r, image.NewUniform(col), image.Point{}, draw.Over)
}

// face returns a face of a size in px. Faces are made once a canvas.
func (c *canvas) face(size float64, bold bool) font.Face {
	size = math.Max(8, math.Round(size))
	key := faceKey{bold, size}
	if f, ok := c.faces[key]; ok {
		return f
	}
	ttf := c.regular
	if bold {
		ttf = c.bold
	}
	f, err := opentype.NewFace(ttf, &opentype.FaceOptions{Size: size, DPI: 72, Hinting: font.HintingNone})
	if err != nil {
		panic(err) // the fonts are our own and the options constant
	}
	c.faces[key] = f
	return f
}

// A label is text with its look.
type label struct {
	size   float64
	bold   bool
	colour color.RGBA
	bare   bool    // without the dark ground
	align  float64 // 0 starts at the point, 0.5 is centred on it, 1 ends there
}

// width returns how wide text is, px.
func (c *canvas) width(l label, s string) float64 {
	return float64(font.MeasureString(c.face(l.size, l.bold), s)) / 64
}

// text writes s with its base line at p.
func (c *canvas) text(l label, p point, s string) {
	if !drawable(p) {
		return
	}
	face := c.face(l.size, l.bold)
	p.x -= l.align * c.width(l, s)
	put := func(col color.Color, dx, dy float64) {
		d := font.Drawer{Dst: c.img, Src: image.NewUniform(col), Face: face,
			Dot: fixed.Point26_6{X: fixed.Int26_6((p.x + dx) * 64), Y: fixed.Int26_6((p.y + dy) * 64)}}
		d.DrawString(s)
	}
	if !l.bare {
		for i := range 12 {
			s, co := math.Sincos(2 * math.Pi * float64(i) / 12)
			put(color.RGBA{0, 0, 0, 190}, l.size*0.1*co, l.size*0.1*s)
		}
	}
	put(l.colour, 0, 0)
}
