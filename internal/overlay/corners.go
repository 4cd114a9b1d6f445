package overlay

import (
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"math"
	"path/filepath"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// mosaicPx is how many pixels a picture of corner shots has along its longer side at most.
const mosaicPx = 2000

// WriteCorners draws the overlay of a reading of corner shots as PNG: the pictures, in the order of
// the reading's looks, side by side as they lie on the sample, made smaller, dark between them.
func WriteCorners(w io.Writer, gs []*picture.Gray, r *reading.Reading, p *part.Part, s *scope.Scope) error {
	m, err := DrawCorners(gs, r, p, s)
	if err != nil {
		return err
	}
	return (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(w, m)
}

// DrawCorners draws the picture of [WriteCorners]. It is drawn as one picture by a telecentric scope
// focused on the die's top would be, to which each place of each shot is carried over.
func DrawCorners(gs []*picture.Gray, r *reading.Reading, p *part.Part, s *scope.Scope) (image.Image, error) {
	if len(gs) != len(r.Looks) || len(gs) == 0 || p.Die == nil || p.Marks == nil {
		return nil, errors.New("overlay: pictures and reading aren't of the same corner shots")
	}
	m, err := newMosaic(gs, r, p, s)
	if err != nil {
		return nil, err
	}
	return compose(m.g, m.reading(r), p, m.scope, m.captions)
}

// A mosaic is several shots in one picture.
type mosaic struct {
	g     *picture.Gray
	scope *scope.Scope
	plane scope.Plane
	tiles []tile
}

// A tile is one of the shots.
type tile struct {
	name   string
	g      *picture.Gray
	top    scope.Plane     // of the shot, at the die's top
	middle geom.ScopePoint // of the shot, in the mosaic's scope frame
	corner *reading.Corner
	origin geom.ScopePoint // of the drawing, in the shot's scope frame
}

func newMosaic(gs []*picture.Gray, r *reading.Reading, p *part.Part, s *scope.Scope) (*mosaic, error) {
	m := &mosaic{}
	box := [4]float64{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)} // left, lower, right, upper; µm
	fullScale := 0
	for k, g := range gs {
		c := r.Looks[k].Corner
		if c == nil || g.W < 1 || g.H < 1 || !drawable(point{c.Stage.XMm, c.Stage.YMm}) {
			return nil, fmt.Errorf("overlay: %s is no corner shot with a stage place", r.Looks[k].Picture)
		}
		t := tile{
			name: filepath.Base(r.Looks[k].Picture), g: g, top: s.Plane(g.W, g.H, p.Die.TopMm), corner: c,
			middle: geom.ScopePoint{X: geom.Length(1000*c.Stage.XMm - c.StageOffXUm), Y: geom.Length(1000*c.Stage.YMm - c.StageOffYUm)},
			origin: s.Plane(g.W, g.H, p.Marks.PlaneMm).ToObject(geom.ImagePoint{X: c.OriginXPx, Y: c.OriginYPx}),
		}
		halfW, halfH := float64(g.W)/2*s.UmPerPxX, float64(g.H)/2*s.UmPerPxY
		x, y := t.middle.X.Um(), t.middle.Y.Um()
		box = [4]float64{min(box[0], x-halfW), min(box[1], y-halfH), max(box[2], x+halfW), max(box[3], y+halfH)}
		fullScale = max(fullScale, g.FullScale)
		m.tiles = append(m.tiles, t)
	}
	// A margin keeps the names of marks in the picture; a long strip gets dark at its sides, so that
	// there is room to write.
	const margin = 1.06
	width, height := margin*(box[2]-box[0]), margin*(box[3]-box[1])
	wide, high := max(width, height/2), max(height, width/2)
	um := max(s.UmPerPxX, s.UmPerPxY, wide/mosaicPx, high/mosaicPx)
	m.scope = &scope.Scope{Name: s.Name, UmPerPxX: um, UmPerPxY: um, Camera: scope.Telecentric}
	m.g = picture.New(max(1, int(wide/um)), max(1, int(high/um)), fullScale)
	m.plane = m.scope.Plane(m.g.W, m.g.H, p.Die.TopMm)
	for k := range m.tiles {
		t := &m.tiles[k]
		t.middle.X -= geom.Length((box[0] + box[2]) / 2)
		t.middle.Y -= geom.Length((box[1] + box[3]) / 2)
		m.lay(t)
	}
	return m, nil
}

// to returns where a place of a shot's picture lies in the mosaic, and from the way back.
func (m *mosaic) to(t *tile, x, y float64) geom.ImagePoint {
	q := t.top.ToObject(geom.ImagePoint{X: x, Y: y})
	return m.plane.ToImage(geom.ScopePoint{X: q.X + t.middle.X, Y: q.Y + t.middle.Y})
}

func (m *mosaic) from(t *tile, x, y float64) geom.ImagePoint {
	q := m.plane.ToObject(geom.ImagePoint{X: x, Y: y})
	return t.top.ToImage(geom.ScopePoint{X: q.X - t.middle.X, Y: q.Y - t.middle.Y})
}

// lay copies a shot into the mosaic: each pixel is the mean of those that it covers.
func (m *mosaic) lay(t *tile) {
	fineness := int(min(8, max(1, math.Ceil(m.scope.UmPerPxX/t.top.UmPerPx()))))
	a, b := m.to(t, -0.5, -0.5), m.to(t, float64(t.g.W)-0.5, float64(t.g.H)-0.5)
	gain := float64(m.g.FullScale) / float64(max(t.g.FullScale, 1))
	for y := max(0, int(a.Y)-1); y <= min(m.g.H-1, int(b.Y)+1); y++ {
		for x := max(0, int(a.X)-1); x <= min(m.g.W-1, int(b.X)+1); x++ {
			sum, n := 0.0, 0
			for j := range fineness {
				for i := range fineness {
					sub := func(k int) float64 { return (float64(k)+0.5)/float64(fineness) - 0.5 }
					q := m.from(t, float64(x)+sub(i), float64(y)+sub(j))
					if px, py := math.Round(q.X), math.Round(q.Y); px >= 0 && py >= 0 && px < float64(t.g.W) && py < float64(t.g.H) {
						sum += t.g.At(int(px), int(py))
						n++
					}
				}
			}
			if 2*n >= fineness*fineness {
				m.g.Pix[y*m.g.W+x] = uint16(gain * sum / float64(n))
			}
		}
	}
}

// reading returns the reading as if the mosaic were its picture.
func (m *mosaic) reading(r *reading.Reading) *reading.Reading {
	out := *r
	if r.Substrate == nil || r.Offset == nil {
		return &out
	}
	sub, off := *r.Substrate, *r.Offset
	sub.Marks, off.Edges = nil, nil
	for k := range m.tiles {
		t := &m.tiles[k]
		for _, mk := range t.corner.Marks {
			p := m.to(t, mk.XPx, mk.YPx)
			mk.XPx, mk.YPx = p.X, p.Y
			sub.Marks = append(sub.Marks, mk)
		}
		for _, e := range t.corner.Edges {
			a, b := m.to(t, e.X1Px, e.Y1Px), m.to(t, e.X2Px, e.Y2Px)
			e.X1Px, e.Y1Px, e.X2Px, e.Y2Px = a.X, a.Y, b.X, b.Y
			off.Edges = append(off.Edges, e)
		}
	}
	t := m.tiles[0]
	o := m.plane.ToImage(geom.ScopePoint{X: t.origin.X + t.middle.X, Y: t.origin.Y + t.middle.Y})
	sub.OriginXPx, sub.OriginYPx = o.X, o.Y
	out.Substrate, out.Offset = &sub, &off
	return &out
}

// captions frames each shot and writes the name of its file into it, where it is nearest the middle of
// the whole and marks are far.
func (m *mosaic) captions(d *drawing) {
	frame := d.line(pen{colour: pale, width: 0.8, bare: true})
	name := label{size: 15 * d.unit, colour: pale}
	for k := range m.tiles {
		t := &m.tiles[k]
		at := func(x, y float64) point {
			p := m.to(t, x, y)
			return d.at(p.X, p.Y)
		}
		w, h := float64(t.g.W)-0.5, float64(t.g.H)-0.5
		d.polyline(frame, at(-0.5, -0.5), at(w, -0.5), at(w, h), at(-0.5, h), at(-0.5, -0.5))
		gap := 7 * d.unit
		left, right, foot := at(-0.5, h), at(w, h), at(w, h).y-gap
		if t.middle.Y < 0 {
			foot = at(w, -0.5).y + gap + 0.8*name.size
		}
		text := d.fit(name, t.name, right.x-left.x-2*gap)
		name.align = 0
		place := point{left.x + gap, foot}
		if t.middle.X < 0 {
			name.align, place.x = 1, right.x-gap
		}
		d.text(name, place, text)
	}
}
