package drawing

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"strconv"
	"strings"
)

// Colours after M. Okabe and K. Ito, "Color Universal Design" (2008).
const (
	ink       = "#222222"
	grey      = "#777777"
	blue      = "#0072B2"
	sky       = "#56B4E9"
	orange    = "#E69F00"
	vermilion = "#D55E00"
	green     = "#009E73"
	white     = "#FFFFFF"
	ceramic   = "#f6f4ee"
)

// A canvas collects SVG elements; lengths are px, y down.
type canvas struct {
	w, h float64
	b    bytes.Buffer
}

func newCanvas(w, h float64) *canvas {
	c := &canvas{w: w, h: h}
	fmt.Fprintf(&c.b, `<svg xmlns="http://www.w3.org/2000/svg" width="%.0f" height="%.0f" viewBox="0 0 %.0f %.0f" font-family="sans-serif">`+"\n", w, h, w, h)
	fmt.Fprintf(&c.b, `<rect width="100%%" height="100%%" fill="%s"/>`+"\n", white)
	return c
}

func (c *canvas) bytes() []byte { return append(bytes.Clone(c.b.Bytes()), "</svg>\n"...) }

// A style is how an outline is drawn; zero values draw nothing.
type style struct {
	fill, stroke string
	opacity      float64 // of the fill; 0 means 1
	width        float64 // px
	dash         string
	turn         float64 // degrees clockwise on the sheet, about (cx, cy)
	cx, cy       float64
}

func (s style) attributes() string {
	var b strings.Builder
	fill := s.fill
	if fill == "" {
		fill = "none"
	}
	fmt.Fprintf(&b, ` fill="%s"`, fill)
	if s.opacity > 0 {
		fmt.Fprintf(&b, ` fill-opacity="%s"`, px(s.opacity))
	}
	if s.stroke != "" {
		fmt.Fprintf(&b, ` stroke="%s" stroke-width="%s"`, s.stroke, px(s.width))
	}
	if s.dash != "" {
		fmt.Fprintf(&b, ` stroke-dasharray="%s"`, s.dash)
	}
	if s.turn != 0 {
		fmt.Fprintf(&b, ` transform="rotate(%s %s %s)"`, px(s.turn), px(s.cx), px(s.cy))
	}
	return b.String()
}

// close ends an element, with a title that shows on hovering when there is one.
func (c *canvas) close(element, title string) {
	if title == "" {
		c.b.WriteString("/>\n")
		return
	}
	fmt.Fprintf(&c.b, "><title>%s</title></%s>\n", escaped(title), element)
}

func (c *canvas) rect(x, y, w, h, r float64, s style, title string) {
	fmt.Fprintf(&c.b, `<rect x="%s" y="%s" width="%s" height="%s"`, px(x), px(y), px(w), px(h))
	if r > 0 {
		fmt.Fprintf(&c.b, ` rx="%s"`, px(r))
	}
	c.b.WriteString(s.attributes())
	c.close("rect", title)
}

func (c *canvas) circle(x, y, r float64, s style, title string) {
	fmt.Fprintf(&c.b, `<circle cx="%s" cy="%s" r="%s"%s`, px(x), px(y), px(r), s.attributes())
	c.close("circle", title)
}

func (c *canvas) line(x1, y1, x2, y2 float64, s style) {
	fmt.Fprintf(&c.b, `<line x1="%s" y1="%s" x2="%s" y2="%s"%s`, px(x1), px(y1), px(x2), px(y2), s.attributes())
	c.close("line", "")
}

// path draws an SVG path whose data is given as text.
func (c *canvas) path(d string, s style, title string) {
	fmt.Fprintf(&c.b, `<path d="%s"%s`, d, s.attributes())
	c.close("path", title)
}

// arrow draws an arrow head with its tip at (x, y) that points along the unit vector (dx, dy).
func (c *canvas) arrow(x, y, dx, dy float64, colour string) {
	const long, half = 9, 3
	bx, by := x-long*dx, y-long*dy
	c.path(fmt.Sprintf("M%s %sL%s %sL%s %sZ", px(x), px(y), px(bx-half*dy), px(by+half*dx), px(bx+half*dy), px(by-half*dx)), style{fill: colour}, "")
}

// A label is how text is set; the zero fill is ink, the zero anchor the middle.
type label struct {
	size   float64 // px
	fill   string
	weight string
	anchor string
	halo   string  // colour of a rim that keeps it legible over lines
	turn   float64 // degrees clockwise
}

func (c *canvas) text(x, y float64, l label, s string) {
	if l.fill == "" {
		l.fill = ink
	}
	if l.anchor == "" {
		l.anchor = "middle"
	}
	fmt.Fprintf(&c.b, `<text x="%s" y="%s" font-size="%s" fill="%s" text-anchor="%s"`, px(x), px(y), px(l.size), l.fill, l.anchor)
	if l.weight != "" {
		fmt.Fprintf(&c.b, ` font-weight="%s"`, l.weight)
	}
	if l.halo != "" {
		fmt.Fprintf(&c.b, ` stroke="%s" stroke-width="4" stroke-linejoin="round" paint-order="stroke"`, l.halo)
	}
	if l.turn != 0 {
		fmt.Fprintf(&c.b, ` transform="rotate(%s %s %s) translate(0 4.5)"`, px(l.turn), px(x), px(y))
	}
	fmt.Fprintf(&c.b, ">%s</text>\n", escaped(s))
}

// px writes a coordinate to a thousandth of a px.
func px(x float64) string {
	s := strings.TrimRight(strings.TrimRight(strconv.FormatFloat(x, 'f', 3, 64), "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}

// num writes a number for people, with a true minus.
func num(x float64) string {
	return strings.Replace(strconv.FormatFloat(x, 'g', 6, 64), "-", "−", 1)
}

func escaped(s string) string {
	var b strings.Builder
	// A Builder doesn't fail.
	_ = xml.EscapeText(&b, []byte(s))
	return b.String()
}
