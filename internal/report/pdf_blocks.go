package report

import (
	"bytes"
	"fmt"
	"math"

	"codeberg.org/go-pdf/fpdf"

	"plumbsquare/internal/chart"
)

// figureScale is the size of figures on paper against their natural one, so that the texts of all
// are alike.
const figureScale = textWidth / 740

// figureEdge is the empty edge around a figure, which would look like an indent.
const figureEdge = 12

// apartFrom is how much of a page must be full for a section that stands apart to begin the next one.
const apartFrom = 0.3

// section writes a heading and its blocks.
func (p *paper) section(s section, first bool) {
	if s.Apart && p.y > topMargin+apartFrom*(pageEnd-topMargin) {
		p.page()
	}
	p.room(44 + p.start(s.Blocks))
	p.anchor(s.ID)
	p.doc.Bookmark(undrawn(s.Title), 0, p.y)
	if p.y > topMargin {
		p.y += 6
	}
	p.heading(s.Title)
	for i, b := range s.Blocks {
		if b.Heading != "" && b.Figure == nil {
			p.room(40 + p.start(s.Blocks[i+1:]))
		}
		p.block(b)
	}
}

// start returns the height of what must not be parted from a section's heading.
func (p *paper) start(blocks []block) float64 {
	switch {
	case len(blocks) == 0:
		return 0
	case blocks[0].Shot != nil:
		return min(p.shotHeight(blocks[0].Shot), pageEnd-topMargin-60)
	case blocks[0].Figure != nil:
		_, h := chart.Size(blocks[0].Figure.Figure)
		return min(h*figureScale+34, pageEnd-topMargin-60)
	}
	return 60
}

// heading writes the heading of a section.
func (p *paper) heading(text string) {
	p.room(60)
	p.y += 7
	p.paragraph(text, heading, sideMargin, textWidth)
	p.rule(p.y+1, rule, 0.6)
	p.y += 7
}

func (p *paper) block(b block) {
	if b.Heading != "" {
		p.room(70)
		p.y += 6
		p.paragraph(b.Heading, under, sideMargin, textWidth)
		p.y += 3
	}
	if b.Text != "" {
		s := body
		if b.Small {
			s = remark
		}
		p.paragraph(b.Text, s, sideMargin, textWidth)
		p.y += 4
	}
	p.items(b.Items, sideMargin, textWidth, body)
	if b.File != nil {
		p.paragraph(fmt.Sprintf("%s is attached to this file: %s.", b.File.Name, b.File.Text), body, sideMargin, textWidth)
		p.y += 4
	}
	if b.Shot != nil {
		p.shot(b.Shot)
	}
	if b.Figure != nil {
		p.figure(b.Figure)
	}
	if b.Table != nil {
		p.table(b.Table)
	}
}

// items writes a list.
func (p *paper) items(items []string, x, width float64, s style) {
	for _, item := range items {
		for i, l := range p.wrap(item, s, width-11) {
			p.room(s.line())
			if i == 0 {
				p.write("•", x+1, p.y+s.size*0.95, s)
			}
			p.write(l, x+11, p.y+s.size*0.95, s)
			p.y += s.line()
		}
		p.y += 1.5
	}
}

// figure draws a chart and writes what is said under it.
func (p *paper) figure(f *figure) {
	w, h := chart.Size(f.Figure)
	scale := min(figureScale, textWidth/w, (pageEnd-topMargin-40)/h)
	p.y += 4
	p.room(h*scale + 30)
	if err := p.sheet.Draw(f.Figure, sideMargin-figureEdge*scale, p.y, w*scale); err != nil && p.err == nil {
		p.err = err
	}
	p.y += h*scale + 3
	p.items(f.Items, sideMargin, textWidth, style{size: 8, color: ink})
	p.y += 6
}

// Measures of a flagged reading.
const (
	imageWidth  = 190.0
	imageHeight = 300.0 // most
	imageGap    = 14.0
)

// shotImage returns the size of a flagged reading's overlay, and what it takes of the width.
func shotImage(f *flagged) (w, h, taken float64) {
	if f.JPEG == nil || f.Width < 1 {
		return 0, 0, 0
	}
	w, h = imageWidth, imageWidth*float64(f.Height)/float64(f.Width)
	if h > imageHeight {
		w, h = imageHeight*float64(f.Width)/float64(f.Height), imageHeight
	}
	return w, h, imageWidth + imageGap
}

func (p *paper) shotHeight(f *flagged) float64 {
	_, high, taken := shotImage(f)
	w := textWidth - taken
	height := 16 + float64(len(p.wrap(f.Particulars, remark, w)))*remark.line()
	for _, r := range f.Reasons {
		height += float64(len(p.wrap(r, body, w-11)))*body.line() + 1.5
	}
	for _, text := range append([]string{f.ReasonsMore, f.ImageMissing, f.Decided}, f.Warnings...) {
		height += float64(len(p.wrap(text, body, w-11))) * body.line()
	}
	return math.Max(height, high) + 14
}

// shot writes a flagged reading, its overlay at the left.
func (p *paper) shot(f *flagged) {
	wide, high, taken := shotImage(f)
	x, w := sideMargin+taken, textWidth-taken
	p.room(min(p.shotHeight(f), pageEnd-topMargin))
	top := p.y + 4
	if wide > 0 {
		options := fpdf.ImageOptions{ImageType: "JPEG"}
		p.doc.RegisterImageOptionsReader(f.ID, options, bytes.NewReader(f.JPEG))
		p.doc.ImageOptions(f.ID, sideMargin, top, wide, high, false, options, 0, "")
	}
	page := p.doc.PageNo()
	p.y = top
	kind := string(f.Decision)
	p.icon(kind, x, p.y+1.5, 7.5)
	word := style{size: 9.5, bold: true, color: tones[kind]}
	p.write(kind, x+11, p.y+9, word)
	name := style{size: 9.5, bold: true, color: ink}
	p.write(p.cut(f.Picture, name, w-16-p.width(kind, word)), x+15+p.width(kind, word), p.y+9, name)
	p.y += 14
	p.paragraph(f.Particulars, remark, x, w)
	p.y += 2
	p.items(f.Reasons, x, w, body)
	if f.ReasonsMore != "" {
		p.paragraph(f.ReasonsMore, body, x+11, w-11)
	}
	if f.Decided != "" {
		p.paragraph(f.Decided, under, x, w)
	}
	for _, text := range f.Warnings {
		p.paragraph("Note: "+text, remark, x, w)
	}
	if f.ImageMissing != "" {
		p.paragraph(f.ImageMissing, remark, x, w)
	}
	if p.doc.PageNo() == page {
		p.y = max(p.y, top+high)
	}
	p.y += 6
	p.rule(p.y, rule, 0.5)
	p.y += 3
}
