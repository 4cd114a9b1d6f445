package chart

import (
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// outlined is a canvas on which texts are filled outlines of letters. PDF needs it: vgpdf writes
// texts in code page 1252, which has neither σ nor θ nor a true minus, and knows no bold face.
type outlined struct{ vg.Canvas }

func (c outlined) FillString(f font.Face, at vg.Point, s string) {
	var buf sfnt.Buffer
	em := fixed.Int26_6(f.Face.UnitsPerEm())
	scale := f.Font.Size / vg.Length(em)
	place := func(p fixed.Point26_6) vg.Point { // y of letters points down
		return vg.Point{X: at.X + vg.Length(p.X)*scale, Y: at.Y - vg.Length(p.Y)*scale}
	}
	for _, r := range s {
		glyph, err := f.Face.GlyphIndex(&buf, r)
		if err != nil {
			continue
		}
		segments, err := f.Face.LoadGlyph(&buf, glyph, em, nil)
		if err != nil {
			continue
		}
		var path vg.Path
		for _, seg := range segments {
			switch seg.Op {
			case sfnt.SegmentOpMoveTo:
				if len(path) > 0 {
					path.Close()
				}
				path.Move(place(seg.Args[0]))
			case sfnt.SegmentOpLineTo:
				path.Line(place(seg.Args[0]))
			case sfnt.SegmentOpQuadTo:
				path.QuadTo(place(seg.Args[0]), place(seg.Args[1]))
			case sfnt.SegmentOpCubeTo:
				path.CubeTo(place(seg.Args[0]), place(seg.Args[1]), place(seg.Args[2]))
			}
		}
		if len(path) > 0 {
			path.Close()
			c.Fill(path)
		}
		if advance, err := f.Face.GlyphAdvance(&buf, glyph, em, 0); err == nil {
			at.X += vg.Length(advance) * scale
		}
	}
}
