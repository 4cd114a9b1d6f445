package report

import "math"

const cellGap = 6.0 // between columns

// table writes a table, its head again on every page.
func (p *paper) table(t *table) {
	s := style{size: 8, color: ink}
	if len(t.Columns) > 8 {
		s.size = 6.6
	}
	widths := p.widths(t, s)
	p.room(4 * s.line())
	p.tableHead(t, widths, s)
	for _, r := range t.Rows {
		lines := make([][]string, len(r.Cells))
		height := 1
		for i, c := range r.Cells {
			if c.Decision == "" {
				lines[i] = p.wrap(c.Text, s, widths[i])
				height = max(height, len(lines[i]))
			}
		}
		if rowHeight := float64(height)*s.line() + 4; p.y+rowHeight > pageEnd && rowHeight < pageEnd-topMargin-40 {
			p.page()
			p.tableHead(t, widths, s)
		}
		x := float64(sideMargin)
		for i, c := range r.Cells {
			look := s
			if c.Faint {
				look.color = pale
			}
			if c.Decision != "" {
				p.icon(string(c.Decision), x, p.y+s.size*0.25, s.size*0.82)
				p.write(string(c.Decision), x+s.size*1.15, p.y+s.size*0.98, style{size: s.size, bold: true, color: tones[string(c.Decision)]})
			}
			for k, l := range lines[i] {
				at := x
				if t.Columns[i].Number {
					at += widths[i] - p.width(l, look)
				}
				p.write(l, at, p.y+s.size*0.98+float64(k)*s.line(), look)
			}
			x += widths[i] + cellGap
		}
		p.y += float64(height)*s.line() + 2
		p.rule(p.y, rule, 0.4)
		p.y += 2
	}
	if t.More != "" {
		p.paragraph(t.More+".", remark, sideMargin, textWidth)
	}
	p.y += 6
}

func (p *paper) tableHead(t *table, widths []float64, s style) {
	s.color = faint
	x := float64(sideMargin)
	for i, c := range t.Columns {
		at := x
		name := p.cut(c.Name, s, widths[i])
		if c.Number {
			at += widths[i] - p.width(name, s)
		}
		p.write(name, at, p.y+s.size, s)
		x += widths[i] + cellGap
	}
	p.y += s.line() + 1
	p.rule(p.y, ink, 0.6)
	p.y += 3
}

// mostMeasured rows say how wide columns are.
const mostMeasured = 300

// widths shares the page's width among columns: each gets what it needs; when that is too much, wide
// ones give way first, down to their heads and a share, then all.
func (p *paper) widths(t *table, s style) []float64 {
	need := make([]float64, len(t.Columns))
	least := make([]float64, len(t.Columns)) // what a column keeps
	for i, c := range t.Columns {
		need[i] = p.width(c.Name, s) + 0.5
		least[i] = need[i]
	}
	for _, r := range t.Rows[:min(len(t.Rows), mostMeasured)] {
		for i, c := range r.Cells {
			text, look, icon := c.Text, s, 0.0
			if c.Decision != "" {
				text, look.bold, icon = string(c.Decision), true, s.size*1.15
			}
			need[i] = math.Max(need[i], p.width(text, look)+icon+0.5)
		}
	}
	const share = 0.4 // of what wide columns need
	total, floor, wide := 0.0, 0.0, 0.0
	for i, w := range need {
		total += w
		if !t.Columns[i].Wide {
			least[i] = w
		} else {
			least[i] = math.Max(least[i], share*w)
			wide += w
		}
		floor += least[i]
	}
	room := textWidth - cellGap*float64(len(need)-1)
	for i := range need {
		switch {
		case total <= room:
			if t.Columns[i].Wide {
				need[i] += (room - total) * need[i] / wide
			}
		case floor <= room: // wide columns give way
			need[i] = least[i] + (need[i]-least[i])*(room-floor)/(total-floor)
		default:
			need[i] = least[i] * room / floor
		}
	}
	return need
}
