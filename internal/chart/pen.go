package chart

import (
	"image/color"
	"strings"
	"unicode"
	"unicode/utf8"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/font/liberation"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// fonts are loaded once and never change.
var fonts = font.NewCache(liberation.Collection())

var (
	paper      = color.RGBA{0xff, 0xff, 0xff, 0xff}
	ink        = color.RGBA{0x1c, 0x27, 0x30, 0xff} // text
	faintInk   = color.RGBA{0x55, 0x62, 0x6d, 0xff} // secondary text
	rule       = color.RGBA{0xb4, 0xbd, 0xc5, 0xff} // axes
	dataInk    = color.RGBA{0x0f, 0x4c, 0x75, 0xff}
	dataLine   = color.RGBA{0x8f, 0xab, 0xc0, 0xff}
	behindInk  = color.RGBA{0x9a, 0xa5, 0xae, 0xff} // single values behind their average
	centreInk  = color.RGBA{0x00, 0x7d, 0x5f, 0xff}
	limitInk   = color.RGBA{0x7a, 0x4b, 0x00, 0xff}
	hitInk     = color.RGBA{0xc8, 0x46, 0x00, 0xff}
	zoneB      = color.RGBA{0xf3, 0xf6, 0xf8, 0xff} // 1 to 2 sigma
	zoneA      = color.RGBA{0xe6, 0xec, 0xf1, 0xff} // 2 sigma to the limit
	eventInk   = color.RGBA{0x8a, 0x3f, 0x73, 0xff}
	dashed     = []vg.Length{5, 2.5}
	dotted     = []vg.Length{1, 2.2}
	dashDotted = []vg.Length{6, 2, 1.2, 2}
)

// Text sizes.
const (
	titleSize = vg.Length(13)
	textSize  = vg.Length(9.5)
	smallSize = vg.Length(8)
)

// face returns the sans face of a size.
func face(size vg.Length, bold bool) font.Face {
	f := font.Font{Typeface: "Liberation", Variant: "Sans"}
	if bold {
		f.Weight = xfont.WeightBold
	}
	return fonts.Lookup(f, size)
}

// align says which point of a text its place is.
type align float64

const (
	left   align = 0
	middle align = 0.5
	right  align = 1
)

// A words is a text with its look.
type words struct {
	text  string
	size  vg.Length
	bold  bool
	color color.Color
}

func (w words) width() vg.Length {
	f := face(w.size, w.bold)
	return f.Width(drawable.Replace(w.text))
}

// cut shortens a text that is wider than room.
func (w words) cut(room vg.Length) words {
	letters := []rune(w.text)
	for n := len(letters); w.width() > room && n > 0; n-- {
		w.text = strings.TrimRight(string(letters[:n-1]), " ") + "…"
	}
	return w
}

// Letters of the faces reach so far above and below their base line, in parts of the size.
const (
	ascent  = 0.74
	descent = 0.21
)

// box returns the rectangle that the text covers when its base line starts (or is centred, or
// ends) at a point.
func (w words) box(at vg.Point, a align) vg.Rectangle {
	width := w.width()
	x := at.X - vg.Length(a)*width
	return vg.Rectangle{
		Min: vg.Point{X: x, Y: at.Y - descent*w.size},
		Max: vg.Point{X: x + width, Y: at.Y + ascent*w.size},
	}
}

// A placed text is one that has been written.
type placed struct {
	text string
	box  vg.Rectangle
}

// A pen draws on a canvas and remembers where it has written.
type pen struct {
	draw.Canvas
	texts []placed
	keep  []vg.Rectangle // where no text may be tried
}

func newPen(c vg.Canvas, w, h vg.Length) *pen {
	p := &pen{Canvas: draw.NewCanvas(c, w, h)}
	p.SetColor(paper)
	p.Fill(p.Rectangle.Path())
	return p
}

// write writes a text at a point of its base line.
func (p *pen) write(w words, at vg.Point, a align) vg.Rectangle {
	box := w.box(at, a)
	if w.text == "" {
		return box
	}
	p.letters(w, vg.Point{X: box.Min.X, Y: at.Y})
	p.texts = append(p.texts, placed{w.text, box})
	return box
}

// macron is the combining bar over the letter before it. Canvases don't compose letters, so bars
// are drawn.
const macron = '\u0304'

// drawable takes out the bars and replaces letters that the fonts lack.
var drawable = strings.NewReplacer(string(macron), "", "⁺", "+", "⁻", "−")

// letters writes a text from the start of its base line.
func (p *pen) letters(w words, at vg.Point) {
	plain := drawable.Replace(w.text)
	f := face(w.size, w.bold)
	p.SetColor(w.color)
	p.FillString(f, at, plain)
	for i, r := range w.text {
		if r != macron {
			continue
		}
		end := len(drawable.Replace(w.text[:i]))
		_, size := utf8.DecodeLastRuneInString(plain[:end])
		from, to := f.Width(plain[:end-size]), f.Width(plain[:end])
		letter := plain[end-size : end]
		height := 0.60 * w.size
		if unicode.IsUpper([]rune(letter)[0]) {
			height = 0.80 * w.size
		}
		inset := (to - from) * 0.08
		p.line(w.color, w.size*0.075, nil, vg.Point{X: at.X + from + inset, Y: at.Y + height}, vg.Point{X: at.X + to - inset, Y: at.Y + height})
	}
}

// try writes a text at the first of the points where it overlaps nothing and stays inside bounds.
func (p *pen) try(w words, a align, bounds vg.Rectangle, points ...vg.Point) bool {
	for _, at := range points {
		box := w.box(at, a)
		if box.Min.X >= bounds.Min.X && box.Max.X <= bounds.Max.X && box.Min.Y >= bounds.Min.Y && box.Max.Y <= bounds.Max.Y && p.free(box) {
			p.write(w, at, a)
			return true
		}
	}
	return false
}

func (p *pen) free(box vg.Rectangle) bool {
	for _, t := range p.texts {
		if overlap(t.box, box) {
			return false
		}
	}
	for _, k := range p.keep {
		if overlap(k, box) {
			return false
		}
	}
	return true
}

func overlap(a, b vg.Rectangle) bool {
	return a.Min.X < b.Max.X && b.Min.X < a.Max.X && a.Min.Y < b.Max.Y && b.Min.Y < a.Max.Y
}

// upright writes a text turned to read upwards, centred on a point of its base line.
func (p *pen) upright(w words, at vg.Point) {
	width := w.width()
	p.Push()
	p.Translate(at)
	p.Rotate(quarterTurn)
	p.letters(w, vg.Point{X: -width / 2})
	p.Pop()
	p.texts = append(p.texts, placed{w.text, vg.Rectangle{
		Min: vg.Point{X: at.X - ascent*w.size, Y: at.Y - width/2},
		Max: vg.Point{X: at.X + descent*w.size, Y: at.Y + width/2},
	}})
}

// longestLine is the most points stroked at once: the time that rasters take for a line grows
// with the square of its length.
const longestLine = 60

func lineStyle(c color.Color, width vg.Length, dashes []vg.Length) draw.LineStyle {
	return draw.LineStyle{Color: c, Width: width, Dashes: dashes}
}

// line strokes a line through points.
func (p *pen) line(c color.Color, width vg.Length, dashes []vg.Length, points ...vg.Point) {
	style := lineStyle(c, width, dashes)
	for dashes == nil && len(points) > longestLine {
		p.StrokeLines(style, points[:longestLine])
		points = points[longestLine-1:]
	}
	p.StrokeLines(style, points)
}

// area fills a rectangle.
func (p *pen) area(c color.Color, r vg.Rectangle) {
	p.SetColor(c)
	p.Fill(r.Path())
}

// wrap breaks a text between words so that no line is wider than width.
func wrap(s string, w words, width vg.Length) []string {
	var lines []string
	line := ""
	for _, word := range splitWords(s) {
		longer := word
		if line != "" {
			longer = line + " " + word
		}
		w.text = longer
		if line != "" && w.width() > width {
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
