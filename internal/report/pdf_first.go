package report

import (
	"fmt"
	"strings"
)

// Styles of the text.
var (
	body    = style{size: 9, color: ink}
	remark  = style{size: 8, color: faint}
	heading = style{size: 12.5, bold: true, color: ink}
	under   = style{size: 9.5, bold: true, color: ink}
)

// first writes what the first page begins with, in the order of the HTML page.
func (p *paper) first(c *content) {
	p.y = topMargin - 6
	p.paragraph(c.Title, style{size: 19, bold: true, color: ink}, sideMargin, textWidth)
	p.paragraph(c.Summary, style{size: 10, color: faint}, sideMargin, textWidth)
	p.y += 3
	var facts []string
	for _, f := range c.Facts {
		facts = append(facts, f.Name+" "+f.Value)
	}
	p.paragraph(strings.Join(facts, "   ·   "), remark, sideMargin, textWidth)
	p.y += 5
	p.rule(p.y, ink, 2)
	p.y += 12
	p.headline(c.Headline)
	p.counts(c.Counts)
	if len(c.First) > 0 {
		p.heading("What to do first")
		for i, n := range c.First {
			p.numbered(i+1, n)
		}
		if c.FirstMore != "" {
			p.paragraph(c.FirstMore, remark, sideMargin, textWidth)
		}
	}
	p.panels(c.Panels)
}

func (p *paper) headline(n notice) {
	s := style{size: 11, bold: true, color: ink}
	lines := p.wrap(n.Text, s, textWidth-34)
	h := float64(len(lines))*s.line() + 12
	p.box(sideMargin, p.y, textWidth, h, wash)
	p.box(sideMargin, p.y, 4, h, tones[n.Kind])
	p.icon(n.Kind, sideMargin+12, p.y+9, 8.5)
	y := p.y + 6
	for _, l := range lines {
		p.write(l, sideMargin+27, y+s.size, s)
		y += s.line()
	}
	p.y += h + 8
}

// counts writes the tiles of the verdicts.
func (p *paper) counts(counts []verdictCount) {
	const gap, height = 10.0, 44.0
	w := (textWidth - gap*float64(len(counts)-1)) / float64(len(counts))
	for i, n := range counts {
		x := sideMargin + float64(i)*(w+gap)
		tone := tones[string(n.Decision)]
		p.box(x, p.y, w, height, wash)
		p.box(x, p.y, 4, height, tone)
		number := style{size: 20, bold: n.N > 0, color: ink}
		if n.N == 0 {
			number.color = faint
		}
		p.write(fmt.Sprint(n.N), x+12, p.y+22, number)
		p.icon(string(n.Decision), x+12, p.y+29.5, 7)
		word := style{size: 9, bold: true, color: tone}
		p.write(string(n.Decision), x+22, p.y+36, word)
		p.write(n.Share, x+26+p.width(string(n.Decision), word), p.y+36, remark)
	}
	p.y += height + 4
}

// numbered writes one thing to do.
func (p *paper) numbered(i int, n notice) {
	lines := p.wrap(n.Text, body, textWidth-32)
	p.room(float64(len(lines))*body.line() + 3)
	top := p.y
	p.write(fmt.Sprint(i), sideMargin, p.y+8.6, style{size: 9, bold: true, color: ink})
	p.icon(n.Kind, sideMargin+15, p.y+1.6, 7.5)
	for _, l := range lines {
		p.write(l, sideMargin+28, p.y+8.6, body)
		p.y += body.line()
	}
	p.leads(n.Link, sideMargin, top, textWidth)
	p.y += 3
}

// leads makes what stands between a height and the place reached a link.
func (p *paper) leads(link string, x, top, width float64) {
	if anchor, ok := strings.CutPrefix(link, "#"); ok {
		p.doc.Link(x, top, width, p.y-top, p.link(anchor))
	}
}

// panels writes the short lists of the first page beside each other.
func (p *paper) panels(panels []panel) {
	const gap = 16.0
	w := (textWidth - gap*float64(len(panels)-1)) / float64(len(panels))
	s := style{size: 8.5, color: ink}
	type item struct {
		notice
		lines []string
	}
	lists := make([][]item, len(panels))
	tallest := 0.0
	for i, q := range panels {
		height := 26.0
		items := q.Items
		if len(items) == 0 {
			items = []notice{{Text: q.None}}
		}
		for _, n := range items {
			room := w
			if n.Kind != "" {
				room -= 12
			}
			it := item{n, p.wrap(n.Text, s, room)}
			lists[i] = append(lists[i], it)
			height += float64(len(it.lines))*s.line() + 4
		}
		tallest = max(tallest, height)
	}
	p.y += 10
	p.room(min(tallest, pageEnd-topMargin))
	top := p.y
	for i, q := range panels {
		x := sideMargin + float64(i)*(w+gap)
		p.y = top
		p.write(q.Title, x, p.y+10.5, style{size: 10.5, bold: true, color: ink})
		p.doc.SetDrawColor(rule.r, rule.g, rule.b)
		p.doc.SetLineWidth(0.6)
		p.doc.Line(x, p.y+16, x+w, p.y+16)
		p.y += 22
		for _, it := range lists[i] {
			from, indent, look := p.y, 0.0, s
			if it.Kind != "" {
				p.icon(it.Kind, x, p.y+1.4, 7)
				indent = 12
			} else {
				look.color = faint
			}
			for _, l := range it.lines {
				p.write(l, x+indent, p.y+8.2, look)
				p.y += s.line()
			}
			p.leads(it.Link, x, from, w)
			p.y += 4
		}
	}
	p.y = top + tallest
}
