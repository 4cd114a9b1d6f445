package fiducial

import (
	"fmt"
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// Defaults of a part file's fixture.
const (
	defaultTurnLimit  = 5 * geom.Degree
	defaultShiftLimit = 1 * geom.Millimetre
)

// A chooser picks the guess that a picture's candidates support.
type chooser struct {
	part *part.Part
	view view
	cand []candidate
	put  geom.Angle
}

// choose takes the best guess that lies as the sample was put and within the fixture's limits:
// where two marks of four are hidden, the other two may as well be those, and then all are far
// off. A guess that lies another way round or farther off is believed only when it explains
// clearly more.
func (c *chooser) choose() (*guess, error) {
	places := c.part.Marks.At
	turnLimit := geom.Angle(c.part.Fixture.TurnLimitDeg) * geom.Degree
	if turnLimit == 0 {
		turnLimit = defaultTurnLimit
	}
	tolerance := geom.Length(4*c.view.umPerPx()) + geom.Length(0.008*span(places))
	all := assign(places, c.cand, turnLimit, tolerance)

	var near, far, turned *guess
	for i := range all {
		g := &all[i]
		g.quarter = (g.quarter + 4 - int(math.Round(c.put.Deg()/90))%4) % 4
		if g.count < 2 || !sure(g, c.cand) {
			continue
		}
		kind := &turned
		if g.quarter == 0 {
			kind = &far
			if c.withinFixture(g) {
				kind = &near
			}
		}
		if *kind == nil {
			*kind = g
		}
	}
	upright := near
	if more(far, near) {
		upright = far
	}
	// By two lookalikes a sample seems turned too easily.
	if turned != nil && turned.count < min(3, len(places)) {
		turned = nil
	}
	if turned != nil && (upright == nil || c.part.Orientation.By != "fixture" && more(turned, upright)) {
		return nil, c.wrongWay(turned)
	}
	if upright == nil {
		return nil, c.tooFew()
	}
	return upright, c.displaced(upright)
}

// more reports whether a explains clearly more than b.
func more(a, b *guess) bool {
	return a != nil && (b == nil || a.count > b.count && a.score > 1.2*b.score)
}

// withinFixture reports whether a guess lies where the fixture holds a sample, and half as far
// again.
func (c *chooser) withinFixture(g *guess) bool {
	limit := geom.Length(c.part.Fixture.ShiftLimitMm) * geom.Millimetre
	if limit == 0 {
		limit = defaultShiftLimit
	}
	return max(math.Abs(float64(g.pose.Origin.X)), math.Abs(float64(g.pose.Origin.Y))) <= 1.5*float64(limit)
}

// sure asks that two of the marks stand out, so that two lookalikes don't make a pose.
func sure(g *guess, cand []candidate) bool {
	n := 0
	for _, c := range g.seen {
		if c >= 0 && math.Abs(cand[c].score) >= sureScore {
			n++
		}
	}
	return n >= 2
}

// tooFew says why no two marks are seen together: they lie outside the picture when the best that
// is seen, taken for the mark that it is nearest to, has others outside; they are hidden otherwise.
func (c *chooser) tooFew() error {
	m := c.part.Marks
	best := -1
	for i, cd := range c.cand {
		if math.Abs(cd.score) >= sureScore && (best < 0 || math.Abs(cd.score) > math.Abs(c.cand[best].score)) {
			best = i
		}
	}
	if best < 0 {
		return hidden(0, len(m.At))
	}
	var nearest geom.Pose
	least := math.Inf(1)
	for _, pl := range m.At {
		pose := geom.Pose{Turn: c.put, Scale: 1}
		at := pose.ToScope(pl.Point())
		pose.Origin = geom.ScopePoint{X: c.cand[best].at.X - at.X, Y: c.cand[best].at.Y - at.Y}
		if d := math.Hypot(float64(pose.Origin.X), float64(pose.Origin.Y)); d < least {
			least, nearest = d, pose
		}
	}
	if out := outside(c.view.full, c.view.plane, m, nearest); out != nil {
		return out
	}
	return hidden(1, len(m.At))
}

const (
	// alike is how near in score to a mark that is seen something must come to be its like.
	alike = 0.06
	// elsewhere is how far from its place, of the marks' span, a mark of another part may lie.
	elsewhere = 0.09
)

// displaced refuses a picture in which only two marks lie where they are drawn and all the others
// are seen, too, but elsewhere: another part that shares two marks with this one.
func (c *chooser) displaced(g *guess) error {
	m := c.part.Marks
	if g.count > 2 || g.count == len(m.At) {
		return nil
	}
	least, bright := math.Inf(1), false
	for _, k := range g.seen {
		if k >= 0 {
			least, bright = min(least, math.Abs(c.cand[k].score)), c.cand[k].score > 0
		}
	}
	worst := 0.0
	for i, pl := range m.At {
		if g.seen[i] >= 0 {
			continue
		}
		want := g.pose.ToScope(pl.Point())
		nearest := math.Inf(1)
		for _, cd := range c.cand {
			if (cd.score > 0) == bright && math.Abs(cd.score) >= max(least-alike, sureScore) {
				nearest = min(nearest, math.Hypot(float64(cd.at.X-want.X), float64(cd.at.Y-want.Y)))
			}
		}
		if nearest > elsewhere*span(m.At) {
			return nil
		}
		worst = max(worst, nearest)
	}
	return &reading.Refusal{
		Gate: "other-part", Got: worst / 1000, Unit: "mm",
		Instruction: fmt.Sprintf("only %d of %d marks lie where part %s has them, the others up to %.2f mm elsewhere: check that this is the right part, and the scope's scale", g.count, len(m.At), c.part.Name, worst/1000),
	}
}

func hidden(seen, all int) *reading.Refusal {
	return &reading.Refusal{
		Gate: "fiducials-hidden", Got: float64(seen), Limit: 2, Unit: "marks",
		Instruction: fmt.Sprintf("only %d of %d marks can be seen and two are needed: clean flux or dust off the marks, check that this is the right part, and take the picture again", seen, all),
	}
}

// wrongWay says by how much a sample lies turned. Where the marks look the same after half a
// turn, the disc tells quarter from three quarters.
func (c *chooser) wrongWay(g *guess) error {
	quarter := g.quarter
	if o := c.part.Orientation; o.By == "disc" {
		if here, there := c.view.disc(coarsePose(c.part.Marks.At, c.cand, g), o); there >= sureScore && there > here {
			quarter = (quarter + 2) % 4
		}
	}
	return wrongWay(quarter)
}

func wrongWay(quarter int) *reading.Refusal {
	return &reading.Refusal{
		Gate: "wrong-way-round", Got: float64(90 * quarter), Limit: 0, Unit: "°",
		Instruction: fmt.Sprintf("the sample lies turned by %d°: put it into the fixture the right way round and take the picture again", 90*quarter),
	}
}
