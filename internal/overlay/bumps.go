package overlay

import (
	"fmt"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"

	"plumbsquare/internal/offset"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

const (
	fieldWidth  = 1200 // px of a picture of bumps
	fieldMargin = 70.0 // px around the die
	mostArrows  = 60   // along a side; of a finer grid every second, third … is drawn
)

// WriteBumps draws the misregistration of the bumps under a die as PNG: each an arrow from its pad,
// enlarged, with the worst ringed and named and the limit as a circle. The reading must have an
// offset of a die, and the part bumps.
func WriteBumps(w io.Writer, r *reading.Reading, p *part.Part) error {
	m, err := DrawBumps(r, p)
	if err != nil {
		return err
	}
	return png.Encode(w, m)
}

// DrawBumps draws the picture of [WriteBumps].
func DrawBumps(r *reading.Reading, p *part.Part) (image.Image, error) {
	if r.Offset == nil || r.Offset.Bump == nil || r.Substrate == nil || p.Die == nil || p.Die.Bumps == nil {
		return nil, fmt.Errorf("overlay: %s has no bumps to draw", r.Source.Picture)
	}
	d := p.Die
	pxPerUm := (fieldWidth - 2*fieldMargin) / (1000 * d.WidthMm)
	const head, foot = 96.0, 116.0
	field := 1000*d.HeightMm*pxPerUm + 2*fieldMargin
	c, err := newCanvas(fieldWidth, int(head+field+foot))
	if err != nil {
		return nil, err
	}
	b := &bumpField{
		canvas: c, r: r, d: d, limitUm: bumpLimit(p), pxPerUm: pxPerUm,
		centre: point{fieldWidth / 2, head + field/2},
	}
	c.fill(strip, c.img.Bounds())
	c.fill(color.RGBA{38, 41, 47, 255}, image.Rect(int(fieldMargin), int(head+fieldMargin), fieldWidth-int(fieldMargin), int(head+field-fieldMargin)))
	b.arrows()
	b.head(head)
	b.key(head + field)
	return c.img, nil
}

// bumpLimit returns the stricter of the limits on the worst bump, µm; 0 for none.
func bumpLimit(p *part.Part) float64 {
	limit := p.Limits.BumpUm
	if share := p.Limits.BumpPadPercent / 100 * 1000 * p.Die.Bumps.PadMm; share > 0 && (limit == 0 || share < limit) {
		limit = share
	}
	return limit
}

// A bumpField is such a picture in the making. Places are the drawing's, about the die's centre.
type bumpField struct {
	*canvas
	r       *reading.Reading
	d       *part.Die
	limitUm float64
	pxPerUm float64 // of places
	enlarge float64 // of misregistrations over that
	centre  point
}

// pad returns where a bump's pad is drawn: as the die's picture lies, its own axes upright.
func (b *bumpField) pad(row, col int) point {
	g := b.d.Bumps
	pitch := g.PitchMm * 1000 * b.pxPerUm
	return b.centre.add((float64(col)-float64(g.Columns+1)/2)*pitch, (float64(row)-float64(g.Rows+1)/2)*pitch)
}

// tip returns where the arrow of a bump ends. The misregistration is given along the drawing's
// axes, the field stands upright along the die's.
func (b *bumpField) tip(m reading.Bump) point {
	sin, cos := math.Sincos(b.d.ThetaDeg * math.Pi / 180)
	k := b.pxPerUm * b.enlarge
	return b.pad(m.Row, m.Column).add(k*(cos*m.XUm+sin*m.YUm), -k*(cos*m.YUm-sin*m.XUm))
}

// some returns the rows or columns of n that are drawn: evenly many, and the last.
func some(n int) map[int]bool {
	stride := (n + mostArrows - 1) / mostArrows
	out := map[int]bool{n: true}
	for k := 1; k <= n; k += stride {
		out[k] = true
	}
	return out
}

func (b *bumpField) arrows() {
	g, worst := b.d.Bumps, b.r.Offset.Bump
	rows, cols := some(g.Rows), some(g.Columns)
	apart := g.PitchMm * 1000 * b.pxPerUm * float64(max(g.Rows, g.Columns)) / float64(max(len(rows), len(cols)))
	const longest = 1.6 // arrow of the worst over the distance of arrows
	b.enlarge = round125(longest * apart / max(worst.MissUm*b.pxPerUm, 1e-9))
	padR := max(1000*g.PadMm/2*b.pxPerUm, 1.5)
	thin := pen{colour: color.RGBA{120, 126, 136, 255}, width: 0.9, bare: true}
	for _, m := range offset.Bumps(b.d, b.r.Offset, b.r.Substrate.Scale) {
		if !rows[m.Row] || !cols[m.Column] {
			continue
		}
		at := b.pad(m.Row, m.Column)
		if padR > 2 && padR < apart/2 {
			b.circle(thin, at, padR)
		} else {
			b.paths(thin.colour, arc(at, 1.5, 0, 2*math.Pi))
		}
		b.arrow(b.pen(m), at, b.tip(m), min(8, 0.4*apart))
	}
	b.worst(apart)
}

// pen says whether a bump is beyond the limit, by colour and width.
func (b *bumpField) pen(m reading.Bump) pen {
	if b.limitUm > 0 && m.MissUm > b.limitUm {
		return pen{colour: vermillion, width: 3, bare: true}
	}
	return pen{colour: skyBlue, width: 1.6, bare: true}
}

// worst rings the worst bump, names it and draws the limit about its pad.
func (b *bumpField) worst(apart float64) {
	w := *b.r.Offset.Bump
	at, tip := b.pad(w.Row, w.Column), b.tip(w)
	ring := max(0.5*math.Hypot(tip.x-at.x, tip.y-at.y)+8, 0.5*apart)
	mid := point{(at.x + tip.x) / 2, (at.y + tip.y) / 2}
	b.circle(pen{colour: yellow, width: 2.2}, mid, ring)
	if r := b.limitUm * b.pxPerUm * b.enlarge; r > 0 {
		b.circle(pen{colour: white, width: 1.8, dash: 6}, at, r)
	}
	// The name stands in the margin, where it hides nothing.
	name := label{size: 19, bold: true, colour: yellow, bare: true}
	edge := 1000 * b.d.HeightMm / 2 * b.pxPerUm
	text := point{at.x, b.centre.y - edge - 16}
	if at.y > b.centre.y {
		text.y = b.centre.y + edge + 32
	}
	if at.x > b.centre.x {
		name.align = 1
	}
	b.text(name, text, fmt.Sprintf("worst: row %d, column %d: %s µm", w.Row, w.Column, reading.PlusMinus(w.MissUm, 2*w.UUm)))
}

func (b *bumpField) head(height float64) {
	o := b.r.Offset
	b.badge(b.r.Verdict.Decision, point{fieldMargin + 10, height / 2}, 24)
	title := label{size: 27, bold: true, colour: white, bare: true}
	small := label{size: 18, colour: pale, bare: true}
	b.text(title, point{fieldMargin + 56, height/2 - 4}, fmt.Sprintf("bumps of %s under the die, from their pads", b.r.Source.Part))
	line := fmt.Sprintf("%s  ·  X %s µm   Y %s µm   θ %s°", b.r.PictureName(),
		reading.PlusMinus(o.XUm, 2*o.UXUm), reading.PlusMinus(o.YUm, 2*o.UYUm), degrees(o.ThetaDeg, 2*o.UTheta))
	b.text(small, point{fieldMargin + 56, height/2 + 24}, line)
}

// key explains arrows, limit and ring below the field.
func (b *bumpField) key(top float64) {
	o, g := b.r.Offset, b.d.Bumps
	text := label{size: 18, colour: white, bare: true}
	left := fieldMargin
	bar := round125(0.12 * fieldWidth / (b.pxPerUm * b.enlarge))
	length := bar * b.pxPerUm * b.enlarge
	line := point{left, top + 14}
	b.arrow(pen{colour: skyBlue, width: 2, bare: true}, line, line.add(length, 0), 8)
	words := fmt.Sprintf("%g µm, enlarged ×%g over the die", bar, b.enlarge)
	if len(some(g.Rows)) < g.Rows || len(some(g.Columns)) < g.Columns {
		words += fmt.Sprintf("; %d of %d × %d bumps drawn", len(some(g.Rows))*len(some(g.Columns)), g.Rows, g.Columns)
	}
	b.text(text, line.add(length+14, 6), words)
	line = line.add(0, 32)
	if b.limitUm > 0 {
		b.polyline(pen{colour: white, width: 1.8, dash: 6, bare: true}, line, line.add(44, 0))
		words = fmt.Sprintf("limit %.4g µm about the worst one's pad, of which it takes %.0f %%; beyond it arrows are red and broad", b.limitUm, 100*o.Bump.MissUm/b.limitUm)
	} else {
		words = "the part file states no limit for bumps"
	}
	b.text(text, line.add(58, 6), words)
	line = line.add(0, 32)
	words = "rows count from the top, columns from the left, as the drawing shows the die"
	if g.PadMm > 0 {
		words = fmt.Sprintf("the worst is off by %.0f %% of the pad's %g µm; %s", 100*o.Bump.MissUm/(1000*g.PadMm), 1000*g.PadMm, words)
	}
	b.text(label{size: 16, colour: pale, bare: true}, line.add(0, 4), words)
}
