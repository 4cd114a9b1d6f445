package report

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// sans is the name of the face within the PDF, Liberation Sans: Latin, Greek, Cyrillic and more.
const sans = "sans"

// A shade is a colour on paper.
type shade struct{ r, g, b int }

var (
	ink   = shade{0x1c, 0x27, 0x30}
	faint = shade{0x55, 0x62, 0x6d}
	pale  = shade{0x98, 0xa3, 0xac}
	rule  = shade{0xd5, 0xdb, 0xe0}
	wash  = shade{0xf4, 0xf6, 0xf8}
	tones = map[string]shade{
		"accept": {0x00, 0x7d, 0x5f}, good: {0x00, 0x7d, 0x5f}, "reject": {0xc8, 0x46, 0x00},
		"review": {0x7a, 0x4b, 0x00}, "retake": {0x8a, 0x3f, 0x73}, signal: {0x0f, 0x4c, 0x75},
	}
)

// A style is how a text looks.
type style struct {
	size  float64
	bold  bool
	color shade
}

// leading is the distance of base lines in sizes of the letters.
const leading = 1.34

func (s style) line() float64 { return s.size * leading }

func (p *paper) use(s style) {
	weight := ""
	if s.bold {
		weight = "B"
	}
	p.doc.SetFont(sans, weight, s.size)
}

func (p *paper) width(text string, s style) float64 {
	p.use(s)
	return p.measure(p.faces.printable(text))
}

// write writes a text from the start of its base line. Bars over letters are drawn, for the face
// has none that fit every letter.
func (p *paper) write(text string, x, y float64, s style) {
	text = p.faces.printable(text)
	p.use(s)
	p.doc.SetTextColor(s.color.r, s.color.g, s.color.b)
	for {
		before, after, found := strings.Cut(text, macron)
		end := p.set(before, x, y)
		if !found {
			return
		}
		_, size := utf8.DecodeLastRuneInString(before)
		start := x + p.measure(before[:len(before)-size])
		high := 0.60 * s.size
		if letter, _ := utf8.DecodeLastRuneInString(before); unicode.IsUpper(letter) {
			high = 0.80 * s.size
		}
		p.doc.SetDrawColor(s.color.r, s.color.g, s.color.b)
		p.doc.SetLineWidth(0.075 * s.size)
		p.doc.Line(start+0.04*s.size, y-high, end-0.04*s.size, y-high)
		text, x = after, end
	}
}

// macron is the bar over the letter before it.
const macron = "\u0304"

// letters writes a text of a figure; see [chart.Sheet].
func (p *paper) letters(x, y, turnDeg, size float64, bold bool, text string) {
	p.use(style{size: size, bold: bold})
	if turnDeg != 0 {
		p.doc.TransformBegin()
		p.doc.TransformRotate(turnDeg, x, y)
		defer p.doc.TransformEnd()
	}
	p.set(bare(p.faces.printable(text)), x, y)
}

// bare takes out the bars, which take no room.
func bare(text string) string { return strings.ReplaceAll(text, macron, "") }

// cut shortens a text that is wider than room.
func (p *paper) cut(text string, s style, room float64) string {
	if p.width(text, s) <= room {
		return text
	}
	letters := []rune(p.faces.printable(text))
	for n := len(letters); n > 0; n-- {
		short := strings.TrimRight(string(letters[:n-1]), " ") + "…"
		if p.width(short, s) <= room {
			return short
		}
	}
	return ""
}

// wrap breaks a text between words so that no line is wider than room; a word that is wider is
// broken where it must.
func (p *paper) wrap(text string, s style, room float64) (lines []string) {
	p.use(s)
	wide := func(t string) bool { return p.measure(t) > room }
	line := ""
	for _, word := range strings.FieldsFunc(p.faces.printable(text), func(r rune) bool { return r == ' ' }) {
		longer := word
		if line != "" {
			longer = line + " " + word
		}
		if !wide(longer) {
			line = longer
			continue
		}
		if line != "" {
			lines = append(lines, line)
		}
		for line = word; wide(line); {
			letters := []rune(line)
			n := len(letters) - 1
			for n > 1 && wide(string(letters[:n])) {
				n--
			}
			if n < 1 {
				break
			}
			n = atBreak(letters, n)
			lines = append(lines, string(letters[:n]))
			line = string(letters[n:])
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// atBreak moves a break within a word back behind a stroke or point, when one is near.
func atBreak(letters []rune, n int) int {
	for k := n; k > max(n-12, n/2, 0); k-- {
		if strings.ContainsRune("-_./", letters[k-1]) {
			return k
		}
	}
	return n
}

// paragraph writes a text at the place reached and moves on below it.
func (p *paper) paragraph(text string, s style, x, width float64) {
	for _, line := range p.wrap(text, s, width) {
		p.room(s.line())
		p.write(line, x, p.y+s.size*0.95, s)
		p.y += s.line()
	}
}

// rule draws a line over the text's width.
func (p *paper) rule(y float64, c shade, width float64) {
	p.doc.SetDrawColor(c.r, c.g, c.b)
	p.doc.SetLineWidth(width)
	p.doc.Line(sideMargin, y, pageWidth-sideMargin, y)
}

func (p *paper) box(x, y, w, h float64, c shade) {
	p.doc.SetFillColor(c.r, c.g, c.b)
	p.doc.Rect(x, y, w, h, "F")
}

// icon draws the sign of a verdict or notice in a square of a side; the shape tells it, not only the
// colour, and is that of the overlays.
func (p *paper) icon(kind string, x, y, side float64) {
	c := tones[kind]
	p.doc.SetFillColor(c.r, c.g, c.b)
	k := side / 10
	polygon := func(points ...float64) {
		p.doc.MoveTo(x+k*points[0], y+k*points[1])
		for i := 2; i < len(points); i += 2 {
			p.doc.LineTo(x+k*points[i], y+k*points[i+1])
		}
		p.doc.ClosePath()
		p.doc.DrawPath("F")
	}
	switch kind {
	case "accept", good:
		p.doc.Circle(x+5*k, y+5*k, 4.6*k, "F")
	case "reject":
		polygon(0.7, 0.7, 9.3, 0.7, 9.3, 9.3, 0.7, 9.3)
	case "review":
		polygon(5, 0.5, 10, 9.5, 0, 9.5)
	case "retake":
		polygon(5, 0, 10, 5, 5, 10, 0, 5)
	case signal:
		polygon(4, 0, 6, 0, 6, 6, 4, 6)
		polygon(4, 8, 6, 8, 6, 10, 4, 10)
	}
}
