// Package drawing draws a part as SVG, to scale, so that a part file can be checked by looking:
// substrate, marks, die, bumps and cap on the one side, the array with its site names on the
// other, each as its picture shows it at zero rotation, with the axes of the drawing frame.
// Hovering over a thing tells its name and place. Colours are those of Okabe and Ito (2008),
// which people with any colour vision tell apart; shapes and dashes say the same again.
package drawing

import (
	"fmt"

	"plumbsquare/internal/part"
)

// Sizes of the sheet in px.
const (
	sidePx   = 760.0 // the longer side of the substrate
	marginPx = 96.0  // round a substrate, for dimensions and labels
	headPx   = 70.0  // title
	keyPx    = 400.0 // width of the key at the right
)

// SVG returns the drawing of a part. The error says why the array's sites can't be named.
func SVG(p *part.Part) ([]byte, error) {
	k := sidePx / max(p.Substrate.WidthMm, p.Substrate.HeightMm) // px per mm
	w, h := k*p.Substrate.WidthMm, k*p.Substrate.HeightMm
	var panels []func(f frame) error
	if p.Die != nil || p.Cap != nil || p.Marks != nil {
		panels = append(panels, func(f frame) error { f.dieSide(p); return nil })
	}
	if p.Array != nil {
		panels = append(panels, func(f frame) error { return f.arraySide(p) })
	}
	panelW, panelH := w+2*marginPx, h+2*marginPx
	lines := keyLines(p)
	c := newCanvas(float64(len(panels))*panelW+keyPx, headPx+max(panelH, keyHeight(lines)))
	c.text(marginPx, 44, label{size: 26, weight: "bold", anchor: "start"}, p.Name)
	c.text(c.w-20, 44, label{size: 12, fill: grey, anchor: "end"}, "lengths in mm · drawn to scale · part file "+p.Hash[:min(len(p.Hash), 12)])
	for i, draw := range panels {
		f := frame{c, k, (float64(i) + 0.5) * panelW, headPx + panelH/2}
		if err := draw(f); err != nil {
			return nil, fmt.Errorf("draw part %s: %w", p.Name, err)
		}
	}
	drawKey(c, float64(len(panels))*panelW, headPx, lines)
	return c.bytes(), nil
}

// A frame is the drawing frame placed on the sheet: y up, mm.
type frame struct {
	*canvas
	k      float64 // px per mm
	ox, oy float64 // px, the drawing's origin
}

func (f frame) x(xMm float64) float64 { return f.ox + f.k*xMm }
func (f frame) y(yMm float64) float64 { return f.oy - f.k*yMm }

// substrate draws the outline, the axes and the outer dimensions, below a heading.
func (f frame) substrate(s part.Substrate, heading string) {
	w, h := s.WidthMm/2, s.HeightMm/2
	f.text(f.ox, f.y(h)-66, label{size: 15, weight: "bold"}, heading)
	f.rect(f.x(-w), f.y(h), 2*w*f.k, 2*h*f.k, 0, style{fill: ceramic, stroke: ink, width: 1.4}, fmt.Sprintf("substrate %s × %s mm", num(s.WidthMm), num(s.HeightMm)))
	below, left := f.y(-h)+64, f.x(-w)-62
	f.dimension(f.x(-w), below, f.x(w), below, f.y(-h)+8, num(s.WidthMm))
	f.dimension(left, f.y(-h), left, f.y(h), f.x(-w)-8, num(s.HeightMm))
}

// axes draws the axes through the origin with an arrow at their positive ends.
func (f frame) axes(s part.Substrate) {
	const beyond = 40 // px, past the substrate's edge
	w, h := f.k*s.WidthMm/2, f.k*s.HeightMm/2
	axis := style{stroke: grey, width: 0.9, dash: "14 3 2 3"}
	f.line(f.ox-w-6, f.oy, f.ox+w+beyond, f.oy, axis)
	f.line(f.ox, f.oy+h+6, f.ox, f.oy-h-beyond, axis)
	f.arrow(f.ox+w+beyond, f.oy, 1, 0, grey)
	f.arrow(f.ox, f.oy-h-beyond, 0, -1, grey)
	f.text(f.ox+w+beyond+7, f.oy+4.5, label{size: 13, fill: grey, anchor: "start"}, "+X")
	f.text(f.ox+9, f.oy-h-beyond+5, label{size: 13, fill: grey, anchor: "start"}, "+Y")
}

// dimension draws a dimension line between two points that differ in x or in y only, with
// extension lines from the object at ext and the text in the middle.
func (f frame) dimension(x1, y1, x2, y2, ext float64, text string) {
	thin := style{stroke: grey, width: 0.8}
	f.line(x1, y1, x2, y2, thin)
	if y1 == y2 {
		f.line(x1, ext, x1, y1+5, thin)
		f.line(x2, ext, x2, y2+5, thin)
		f.arrow(x1, y1, -1, 0, grey)
		f.arrow(x2, y2, 1, 0, grey)
		f.text((x1+x2)/2, y1+4.5, label{size: 13, halo: white}, text)
		return
	}
	f.line(ext, y1, x1-5, y1, thin)
	f.line(ext, y2, x2-5, y2, thin)
	f.arrow(x1, y1, 0, 1, grey)
	f.arrow(x2, y2, 0, -1, grey)
	f.text(x1, (y1+y2)/2, label{size: 13, halo: white, turn: -90}, text)
}
