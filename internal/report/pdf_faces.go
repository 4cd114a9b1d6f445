package report

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// faces tell which letters there are: those of the PDF's own face, and those of one that was given
// for what it lacks, whose letters are drawn as outlines.
type faces struct {
	own  *sfnt.Font
	more []*sfnt.Font
}

// loadFaces reads the faces; data is that of a TrueType or OpenType font or collection, nil for none.
func loadFaces(data []byte) (faces, error) {
	own, err := sfnt.Parse(liberationsansregular.TTF)
	f := faces{own: own}
	if err != nil || data == nil {
		return f, err
	}
	all, err := sfnt.ParseCollection(data)
	for i := 0; err == nil && i < all.NumFonts(); i++ {
		var font *sfnt.Font
		if font, err = all.Font(i); err == nil {
			f.more = append(f.more, font)
		}
	}
	if err != nil {
		return f, fmt.Errorf("the font given for more letters: want TrueType or OpenType: %w", err)
	}
	return f, nil
}

// has reports whether the PDF's own face has a letter.
func (f faces) has(r rune) bool {
	if r >= ' ' && r <= '~' {
		return true
	}
	var buf sfnt.Buffer
	glyph, err := f.own.GlyphIndex(&buf, r)
	return err == nil && glyph != 0 && r <= 0xffff
}

// other returns the face given for more letters that has a letter, nil if none has.
func (f faces) other(r rune) (*sfnt.Font, sfnt.GlyphIndex) {
	var buf sfnt.Buffer
	for _, m := range f.more {
		if glyph, err := m.GlyphIndex(&buf, r); err == nil && glyph != 0 {
			return m, glyph
		}
	}
	return nil, 0
}

// printable puts a text in letters that the faces have. What they lack, such as Chinese, is written
// as its code, so that nothing disappears: the HTML page shows it.
func (f faces) printable(text string) string {
	if !strings.ContainsFunc(text, func(r rune) bool { return r < ' ' || r > '~' }) {
		return text
	}
	var b strings.Builder
	for _, r := range text {
		switch {
		case unicode.IsSpace(r) && r != '\u00a0':
			b.WriteByte(' ')
			continue
		case unicode.IsControl(r):
			continue
		case string(r) == macron && b.Len() > 0:
			b.WriteRune(r)
			continue
		case r == '⁻':
			r = '−'
		case r == '⁺':
			r = '+'
		}
		other, _ := f.other(r)
		switch {
		case f.has(r) || other != nil:
			b.WriteRune(r)
		case unicode.Is(unicode.Mn, r): // an accent alone says nothing
		default:
			fmt.Fprintf(&b, "[U+%04X]", r)
		}
	}
	return b.String()
}

// undrawn keeps of a text that no face draws, such as a title, what fpdf can hold: letters of 16 bits.
func undrawn(text string) string {
	return strings.Map(func(r rune) rune {
		if r > 0xffff || r == utf8.RuneError || unicode.IsControl(r) {
			return '?'
		}
		return r
	}, text)
}

// runs parts a printable text into what the PDF's own face has and single letters that it lacks.
func (f faces) runs(text string, own func(string), other func(rune)) {
	if f.more == nil {
		own(text)
		return
	}
	from := 0
	for i, r := range text {
		if f.has(r) || string(r) == macron {
			continue
		}
		if i > from {
			own(text[from:i])
		}
		other(r)
		from = i + utf8.RuneLen(r)
	}
	if from < len(text) {
		own(text[from:])
	}
}

// advance returns how far a letter of another face reaches, in its size.
func (f faces) advance(r rune) float64 {
	font, glyph := f.other(r)
	if font == nil {
		return 0
	}
	var buf sfnt.Buffer
	em := fixed.Int26_6(font.UnitsPerEm())
	a, err := font.GlyphAdvance(&buf, glyph, em, 0)
	if err != nil {
		return 0
	}
	return float64(a) / float64(em)
}

// outline fills a letter of another face with its origin at (x, y), in the colour of texts.
func (p *paper) outline(r rune, x, y, size float64) {
	font, glyph := p.faces.other(r)
	if font == nil {
		return
	}
	var buf sfnt.Buffer
	em := fixed.Int26_6(font.UnitsPerEm())
	segments, err := font.LoadGlyph(&buf, glyph, em, nil)
	if err != nil || len(segments) == 0 {
		return
	}
	place := func(q fixed.Point26_6) (float64, float64) { // y of letters points down, as the page's
		return x + size*float64(q.X)/float64(em), y + size*float64(q.Y)/float64(em)
	}
	p.doc.SetFillColor(p.doc.GetTextColor())
	for i, s := range segments {
		switch s.Op {
		case sfnt.SegmentOpMoveTo:
			if i > 0 {
				p.doc.ClosePath()
			}
			p.doc.MoveTo(place(s.Args[0]))
		case sfnt.SegmentOpLineTo:
			p.doc.LineTo(place(s.Args[0]))
		case sfnt.SegmentOpQuadTo:
			cx, cy := place(s.Args[0])
			qx, qy := place(s.Args[1])
			p.doc.CurveTo(cx, cy, qx, qy)
		case sfnt.SegmentOpCubeTo:
			ax, ay := place(s.Args[0])
			bx, by := place(s.Args[1])
			qx, qy := place(s.Args[2])
			p.doc.CurveBezierCubicTo(ax, ay, bx, by, qx, qy)
		}
	}
	p.doc.ClosePath()
	p.doc.DrawPath("F")
}

// measure returns the width of a printable text in the face that is set.
func (p *paper) measure(text string) (w float64) {
	size, _ := p.doc.GetFontSize()
	p.faces.runs(bare(text), func(s string) { w += p.doc.GetStringWidth(s) }, func(r rune) { w += size * p.faces.advance(r) })
	return w
}

// set writes a printable text in the face and colour that are set, and returns where it ends.
func (p *paper) set(text string, x, y float64) float64 {
	size, _ := p.doc.GetFontSize()
	p.faces.runs(text, func(s string) {
		p.doc.Text(x, y, s)
		x += p.doc.GetStringWidth(s)
	}, func(r rune) {
		p.outline(r, x, y, size)
		x += size * p.faces.advance(r)
	})
	return x
}
