package fiducial

import (
	"fmt"
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
)

const (
	// otherScales is how far from the drawing the scale is looked for when the marks can't be found
	// at theirs; beyond it they no longer look like what is drawn. Ceramic keeps to a percent
	// (common practice, no source).
	otherScales = 0.15
	// scaleMarks is by how many marks another scale is believed: two lookalikes lie at any distance.
	scaleMarks = 3
)

// otherScale refuses a picture whose marks are all there but lie farther apart or nearer than
// drawn, by more than any ceramic shrinks: then the scope file isn't that of the scope. It returns
// nil when no scale explains the picture.
func (c *chooser) otherScale() *reading.Refusal {
	var best *guess
	var at float64
	for s := 1 - otherScales; s <= 1+otherScales; s += scaleSlack {
		scaled := *c
		scaled.cand = make([]candidate, len(c.cand))
		for i, p := range c.cand {
			p.at.X /= geom.Length(s)
			p.at.Y /= geom.Length(s)
			scaled.cand[i] = p
		}
		g, err := scaled.choose()
		if err != nil || standOut(g, c.cand) < scaleMarks || g.count < len(c.part.Marks.At)-1 || best != nil && g.score <= best.score {
			continue
		}
		if !scaled.rigid(g) || scaled.others(g) > 0 {
			continue
		}
		best, at = g, s*coarsePose(c.part.Marks.At, scaled.cand, g).Scale
	}
	if best == nil {
		return nil
	}
	return OtherScale(at)
}

// OtherScale is the refusal of a picture whose marks show a scale, size shown over size drawn, that
// can only be the scope file's.
func OtherScale(scale float64) *reading.Refusal {
	off := 100 * (scale - 1)
	word := "farther apart"
	if off < 0 {
		word = "nearer together"
	}
	return &reading.Refusal{
		Gate: "scale", Got: off, Unit: "%",
		Instruction: fmt.Sprintf("the marks lie %.2g %% %s than drawn, more than the substrate may shrink: check that the scope file is that of this scope and magnification, and that this is the right part", math.Abs(off), word),
	}
}
