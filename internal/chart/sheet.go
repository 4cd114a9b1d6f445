package chart

import (
	"errors"
	"image"
	"image/color"
	"math"

	"codeberg.org/go-pdf/fpdf"
	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// A Sheet is a PDF, measured in points, on whose pages figures are drawn among other things, as
// lines and letters that stay sharp and can be searched.
type Sheet struct {
	Doc *fpdf.Fpdf
	// Letters writes a text from the start of its base line at (x, y), turned counter-clockwise by an
	// angle in degrees, at a size in points, in the colour that Doc's texts have. The face must be as
	// wide as Liberation Sans, which figures are laid out in.
	Letters func(x, y, turnDeg, size float64, bold bool, text string)
}

// Size returns a figure's natural width and height in points.
func Size(f Figure) (width, height float64) {
	w, h := f.size()
	return w.Points(), h.Points()
}

// Draw draws a figure on the page that is open, its upper left corner at (x, y) points from the
// page's, scaled to a width in points.
func (s Sheet) Draw(f Figure, x, y, width float64) error {
	w, h := f.size()
	scale := width / w.Points()
	c := &sheetCanvas{sheet: s}
	c.look = sheetLook{at: affine{a: scale, d: -scale, e: x, f: y + scale*h.Points()}, width: 1, color: color.Black}
	err := f.draw(newPen(c, w, h))
	s.Doc.SetDashPattern(nil, 0)
	if err == nil {
		err = s.Doc.Error()
	}
	return err
}

// An affine takes (x, y) to (a·x + c·y + e, b·x + d·y + f).
type affine struct{ a, b, c, d, e, f float64 }

func (m affine) apply(p vg.Point) (x, y float64) {
	px, py := p.X.Points(), p.Y.Points()
	return m.a*px + m.c*py + m.e, m.b*px + m.d*py + m.f
}

// after returns the transform that does n first and m after it.
func (m affine) after(n affine) affine {
	return affine{
		m.a*n.a + m.c*n.b, m.b*n.a + m.d*n.b,
		m.a*n.c + m.c*n.d, m.b*n.c + m.d*n.d,
		m.a*n.e + m.c*n.f + m.e, m.b*n.e + m.d*n.f + m.f,
	}
}

// scale returns how much longer lengths become.
func (m affine) scale() float64 { return math.Sqrt(math.Abs(m.a*m.d - m.b*m.c)) }

type sheetLook struct {
	at     affine // figure, y up, to page, y down
	width  vg.Length
	dashes []vg.Length
	offset vg.Length
	color  color.Color
}

// A sheetCanvas draws on a page of a PDF.
type sheetCanvas struct {
	sheet Sheet
	look  sheetLook
	stack []sheetLook
}

var _ vg.Canvas = (*sheetCanvas)(nil)

func (c *sheetCanvas) SetLineWidth(w vg.Length) { c.look.width = w }

func (c *sheetCanvas) SetLineDash(dashes []vg.Length, offset vg.Length) {
	c.look.dashes, c.look.offset = dashes, offset
}

func (c *sheetCanvas) SetColor(k color.Color) {
	if k == nil {
		k = color.Black
	}
	c.look.color = k
}

func (c *sheetCanvas) Rotate(rad float64) {
	sin, cos := math.Sincos(rad)
	c.look.at = c.look.at.after(affine{a: cos, b: sin, c: -sin, d: cos})
}

func (c *sheetCanvas) Translate(p vg.Point) {
	c.look.at = c.look.at.after(affine{a: 1, d: 1, e: p.X.Points(), f: p.Y.Points()})
}

func (c *sheetCanvas) Scale(x, y float64) { c.look.at = c.look.at.after(affine{a: x, d: y}) }

func (c *sheetCanvas) Push() { c.stack = append(c.stack, c.look) }

func (c *sheetCanvas) Pop() {
	c.look = c.stack[len(c.stack)-1]
	c.stack = c.stack[:len(c.stack)-1]
}

// shade returns a colour as it looks on paper: figures lay nothing over each other that must shine
// through.
func (c *sheetCanvas) shade() (r, g, b int) {
	k := color.NRGBAModel.Convert(c.look.color).(color.NRGBA)
	over := func(v uint8) int { return (int(v)*int(k.A) + 255*(255-int(k.A)) + 127) / 255 }
	return over(k.R), over(k.G), over(k.B)
}

func (c *sheetCanvas) Stroke(p vg.Path) {
	if c.look.width <= 0 {
		return
	}
	doc, scale := c.sheet.Doc, c.look.at.scale()
	doc.SetDrawColor(c.shade())
	doc.SetLineWidth(c.look.width.Points() * scale)
	dashes := make([]float64, len(c.look.dashes))
	for i, d := range c.look.dashes {
		dashes[i] = d.Points() * scale
	}
	doc.SetDashPattern(dashes, c.look.offset.Points()*scale)
	c.path(p)
	doc.DrawPath("D")
}

func (c *sheetCanvas) Fill(p vg.Path) {
	c.sheet.Doc.SetFillColor(c.shade())
	c.path(p)
	c.sheet.Doc.DrawPath("F")
}

func (c *sheetCanvas) path(p vg.Path) {
	doc := c.sheet.Doc
	for i, q := range p {
		switch q.Type {
		case vg.MoveComp:
			doc.MoveTo(c.look.at.apply(q.Pos))
		case vg.LineComp:
			doc.LineTo(c.look.at.apply(q.Pos))
		case vg.ArcComp:
			c.arc(q, i == 0)
		case vg.CurveComp:
			first, last := q.Control[0], q.Control[len(q.Control)-1]
			x, y := c.look.at.apply(q.Pos)
			x1, y1 := c.look.at.apply(first)
			if len(q.Control) == 1 {
				doc.CurveTo(x1, y1, x, y)
				continue
			}
			x2, y2 := c.look.at.apply(last)
			doc.CurveBezierCubicTo(x1, y1, x2, y2, x, y)
		case vg.CloseComp:
			doc.ClosePath()
		}
	}
}

// arc draws an arc as cubic curves of at most a quarter turn, whose control points lie
// 4/3·tan(angle/4) radii along the tangents: within 0.03 % of the circle.
func (c *sheetCanvas) arc(q vg.PathComp, starts bool) {
	doc := c.sheet.Doc
	on := func(angle float64) (at vg.Point, along vg.Point) {
		sin, cos := math.Sincos(angle)
		return vg.Point{X: q.Pos.X + q.Radius*vg.Length(cos), Y: q.Pos.Y + q.Radius*vg.Length(sin)},
			vg.Point{X: -q.Radius * vg.Length(sin), Y: q.Radius * vg.Length(cos)}
	}
	from, along := on(q.Start)
	if starts {
		doc.MoveTo(c.look.at.apply(from))
	} else {
		doc.LineTo(c.look.at.apply(from))
	}
	n := int(math.Ceil(math.Abs(q.Angle) / (math.Pi / 2) * (1 - 1e-12)))
	step := q.Angle / float64(max(n, 1))
	reach := vg.Length(4. / 3 * math.Tan(step/4))
	for i := range n {
		to, next := on(q.Start + step*float64(i+1))
		x1, y1 := c.look.at.apply(vg.Point{X: from.X + reach*along.X, Y: from.Y + reach*along.Y})
		x2, y2 := c.look.at.apply(vg.Point{X: to.X - reach*next.X, Y: to.Y - reach*next.Y})
		x, y := c.look.at.apply(to)
		doc.CurveBezierCubicTo(x1, y1, x2, y2, x, y)
		from, along = to, next
	}
}

func (c *sheetCanvas) FillString(f font.Face, at vg.Point, text string) {
	c.sheet.Doc.SetTextColor(c.shade())
	x, y := c.look.at.apply(at)
	turn := math.Atan2(-c.look.at.b, c.look.at.a) * 180 / math.Pi
	c.sheet.Letters(x, y, turn, f.Font.Size.Points()*c.look.at.scale(), f.Font.Weight == xfont.WeightBold, text)
}

// DrawImage is part of [vg.Canvas]; no figure has pictures in it.
func (c *sheetCanvas) DrawImage(vg.Rectangle, image.Image) {
	c.sheet.Doc.SetError(errors.New("chart: pictures in a figure can't be drawn on a sheet"))
}
