// Package overlay draws what was measured over the picture it was measured in: marks, edges,
// nominal against measured with the offset enlarged, sites that are missing, leaning or off, the
// worst of them enlarged, and a strip with the verdict. A picture that must be taken again says so in large letters.
package overlay

import (
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"strings"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// Write draws the overlay of a reading as PNG. The picture keeps its size, small ones are enlarged
// by a whole number; the strip is added below.
func Write(w io.Writer, g *picture.Gray, r *reading.Reading, p *part.Part, s *scope.Scope) error {
	m, err := Draw(g, r, p, s)
	if err != nil {
		return err
	}
	return (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(w, m)
}

// Draw draws the overlay of a reading.
func Draw(g *picture.Gray, r *reading.Reading, p *part.Part, s *scope.Scope) (image.Image, error) {
	if g.W < 1 || g.H < 1 {
		return nil, fmt.Errorf("overlay: a picture of %d×%d pixels", g.W, g.H)
	}
	return compose(g, r, p, s, func(*drawing) {})
}

// compose draws an overlay; first draws over the picture before all else.
func compose(g *picture.Gray, r *reading.Reading, p *part.Part, s *scope.Scope, first func(*drawing)) (image.Image, error) {
	const widthWanted = 1000
	zoom := max(1, (widthWanted+g.W-1)/g.W)
	unit := float64(g.W*zoom) / 1000
	stripH, insetH := int(150*unit), 0
	wrong := defects(r)
	if len(wrong) > 0 && p.Array != nil && p.Array.PitchMm > 0 {
		insetH = int(insetRow * unit)
	}
	c, err := newCanvas(g.W*zoom, g.H*zoom+insetH+stripH)
	if err != nil {
		return nil, err
	}
	d := &drawing{canvas: c, g: g, r: r, p: p, s: s, zoom: float64(zoom), unit: unit}
	d.background(zoom)
	first(d)
	switch {
	case r.Refusal != nil:
		d.marks()
		d.refusal()
	default:
		d.outline()
		d.array()
		d.marks()
		d.offset()
	}
	if insetH > 0 {
		d.insets(wrong, image.Rect(0, g.H*zoom, g.W*zoom, g.H*zoom+insetH))
	}
	d.strip(image.Rect(0, g.H*zoom+insetH, g.W*zoom, g.H*zoom+insetH+stripH))
	return c.img, nil
}

// A drawing is one overlay in the making.
type drawing struct {
	*canvas
	g    *picture.Gray
	r    *reading.Reading
	p    *part.Part
	s    *scope.Scope
	zoom float64 // canvas px per picture px
	unit float64 // canvas px: a thousandth of the width, so that all looks alike at any size

	notes []note  // what the strip explains
	names []frame // where names of sites stand already
}

// at returns where a place of the picture lies on the canvas.
func (d *drawing) at(xPx, yPx float64) point {
	return point{(xPx + 0.5) * d.zoom, (yPx + 0.5) * d.zoom}
}

// line returns a pen whose width and dash are given in units; without a width, the usual one.
func (d *drawing) line(p pen) pen {
	const usual = 1.6
	if p.width == 0 {
		p.width = usual
	}
	p.width *= d.unit
	p.dash *= d.unit
	return p
}

// background copies the picture as the eye wants it: stretched so that all but the brightest half
// percent fills the greys. These are kept to 64 levels, which nobody sees and which makes the file
// a third as large.
func (d *drawing) background(zoom int) {
	scale := 256.0
	if top := bright(d.g); top > 0 {
		scale = 210 / float64(top) // lines are brighter than the picture
	}
	var lut [65536]uint8
	for v := range lut {
		lut[v] = uint8(min(255, float64(v)*scale)) &^ 3
	}
	dim := d.r.Refusal != nil
	img := d.img
	for y := range d.g.H {
		row := img.Pix[y*zoom*img.Stride:]
		for x := range d.g.W {
			v := lut[d.g.Pix[y*d.g.W+x]]
			if dim {
				v /= 2
			}
			for z := range zoom {
				o := (x*zoom + z) * 4
				row[o], row[o+1], row[o+2], row[o+3] = v, v, v, 255
			}
		}
		for z := 1; z < zoom; z++ {
			copy(img.Pix[(y*zoom+z)*img.Stride:][:img.Stride], row[:img.Stride])
		}
	}
}

// bright returns the grey level below which 99.5 % of the pixels lie.
func bright(g *picture.Gray) int {
	hist := make([]int, 65536)
	for _, v := range g.Pix {
		hist[v]++
	}
	over := len(g.Pix) / 200
	for v := len(hist) - 1; v > 0; v-- {
		if over -= hist[v]; over < 0 {
			return v
		}
	}
	return 0
}

// pose returns where the drawing frame lies, from the reading, and whether it is known.
func (d *drawing) pose() (geom.Pose, bool) {
	sub := d.r.Substrate
	if sub == nil {
		return geom.Pose{}, false
	}
	plane := d.s.Plane(d.g.W, d.g.H, 0)
	return geom.Pose{
		Origin: plane.ToObject(geom.ImagePoint{X: sub.OriginXPx, Y: sub.OriginYPx}),
		Turn:   geom.Angle(sub.TurnDeg) * geom.Degree,
		Scale:  1, // places are given in true µm, see geom.Pose.Nominal
	}, true
}

// see returns where a place of the drawing, in true µm, is seen on a plane at a height.
func (d *drawing) see(pose geom.Pose, q geom.DrawingPoint, heightMm float64) point {
	i := d.s.Plane(d.g.W, d.g.H, heightMm).ToImage(pose.ToScope(q))
	return d.at(i.X, i.Y)
}

// refusal writes over the dimmed picture what to do.
func (d *drawing) refusal() {
	big := label{size: 92 * d.unit, bold: true, colour: white, align: 0.5}
	small := label{size: 40 * d.unit, bold: true, colour: white, align: 0.5}
	w, h := float64(d.g.W)*d.zoom, float64(d.g.H)*d.zoom
	lines := d.wrap(small, d.r.Refusal.Instruction, 0.84*w)
	step := small.size * 1.3
	top := h/2 - (3.2*big.size+float64(len(lines))*step)/2
	c := point{w / 2, top + 0.9*big.size}
	d.badge(reading.Retake, c, 0.7*big.size)
	d.text(big, c.add(0, 1.75*big.size), "retake")
	for i, l := range lines {
		d.text(small, c.add(0, 2.75*big.size+float64(i)*step), l)
	}
}

// wrap breaks text into lines no wider than width.
func (d *drawing) wrap(l label, s string, width float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		longer := word
		if line != "" {
			longer = line + " " + word
		}
		if line != "" && d.width(l, longer) > width {
			lines = append(lines, line)
			longer = word
		}
		line = longer
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// round125 returns the largest of 1, 2, 5, 10, 20 … not above v, at least 1.
func round125(v float64) float64 {
	if !(v >= 1) || math.IsInf(v, 0) {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, f := range []float64{5, 2} {
		if f*p <= v {
			return f * p
		}
	}
	return p
}
