package fiducial

import (
	"fmt"
	"math"
	"slices"

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
		if g.count < 2 || !c.sure(g) || c.outdone(g) {
			continue
		}
		switch shift := c.shift(g); {
		case g.quarter != 0: // by two lookalikes a sample seems turned too easily
			if turned != nil && (g.score < turned.score || c.discSeen(g) < c.discSeen(turned)+likelier) {
				continue
			}
			if g.count >= min(3, len(places)) && c.rigid(g) && (g.count == len(places) || c.others(g) == 0) {
				turned = g
			}
		case shift <= 1.5*c.shiftLimit():
			if near == nil || c.discTells(g, near) {
				near = g
			}
		case far == nil && shift < closest(places)/2 && c.rigid(g) && c.others(g) == 0:
			far = g
		}
	}
	upright := near
	if more(far, near) {
		upright = far
	}
	if turned != nil && upright != nil && c.discSeen(upright) >= max(sureScore, c.discSeen(turned)) {
		turned = nil
	}
	if turned != nil && (upright == nil || c.part.Orientation.By != "fixture" && c.moreTurned(turned, upright)) {
		return nil, c.wrongWay(turned)
	}
	if upright == nil {
		return nil, c.tooFew()
	}
	return upright, c.displaced(upright)
}

// more reports whether a explains clearly more than b.
func more(a, b *guess) bool {
	return a != nil && (b == nil || a.count >= b.count && a.score > 1.2*b.score)
}

// moreTurned is more for a guess that lies another way round. One that has all marks differs from
// one upright by a mark in the corner that should have none, against a lookalike elsewhere.
func (c *chooser) moreTurned(a, b *guess) bool {
	if a.count >= b.count && c.discSeen(a) >= max(sureScore, c.discSeen(b)+likelier) {
		return true // marks that lie in a square look the same, the disc beside them doesn't
	}
	return more(a, b) || a.count == len(c.part.Marks.At) && a.score > 1.1*b.score
}

// discTells reports whether of two guesses that explain as many marks, but not all, the first has the
// disc in its place and the other hasn't: with marks hidden, the disc itself passes for one.
func (c *chooser) discTells(a, b *guess) bool {
	if a.count != b.count || a.count == len(c.part.Marks.At) || slices.Equal(a.seen, b.seen) || a.score < 0.9*b.score {
		return false
	}
	return c.discSeen(a) >= max(sureScore, c.discSeen(b)+likelier)
}

// shift returns how far a guess lies from the middle of the picture, along the worse axis.
func (c *chooser) shift(g *guess) geom.Length {
	return geom.Length(max(math.Abs(float64(g.pose.Origin.X)), math.Abs(float64(g.pose.Origin.Y))))
}

func (c *chooser) shiftLimit() geom.Length {
	if mm := c.part.Fixture.ShiftLimitMm; mm > 0 {
		return geom.Length(mm) * geom.Millimetre
	}
	return defaultShiftLimit
}

// closest returns the least distance between two places: a sample that lies off by half of it may
// have one mark taken for another.
func closest(places []part.Place) geom.Length {
	d := math.Inf(1)
	for i, a := range places {
		for _, b := range places[:i] {
			d = min(d, math.Hypot(a.XMm-b.XMm, a.YMm-b.YMm))
		}
	}
	return geom.Length(d) * geom.Millimetre
}

// sure asks that two of the marks stand out, so that two lookalikes don't make a pose.
func sure(g *guess, cand []candidate) bool { return standOut(g, cand) >= 2 }

// standOut counts the marks of a guess that are surely such.
func standOut(g *guess, cand []candidate) (n int) {
	for _, c := range g.seen {
		if c >= 0 && math.Abs(cand[c].score) >= sureScore {
			n++
		}
	}
	return n
}

// sure believes one that stands out, too, where three or more lie as marks on one substrate do.
// Two must be better than what else is about, and neither may be the orientation's disc: where the
// part has one, it must be seen as well, unless both are plain and nothing else is.
func (c *chooser) sure(g *guess) bool {
	switch n := standOut(g, c.cand); {
	case n >= 2 && g.count == 2 && len(c.part.Marks.At) > 2:
		return c.others(g) < crowd && (c.part.Orientation.By != "disc" || c.discSeen(g) >= sureScore || c.plainly(g))
	case n >= 2:
		return true
	case n == 1:
		return g.count > 2 && c.rigid(g)
	}
	return false
}

// plainly reports whether all that a guess explains are plain marks of a shape that no disc passes for,
// and there are no others.
func (c *chooser) plainly(g *guess) bool {
	if shape := c.part.Marks.Shape; shape != part.Cross && shape != part.Ring || c.others(g) > 0 {
		return false
	}
	return !slices.ContainsFunc(g.seen, func(k int) bool { return k >= 0 && math.Abs(c.cand[k].score) < plain })
}

// crowd is so many lookalikes that two of them lie like two marks by chance.
const crowd = 3

// outdone reports whether two candidates that a guess doesn't explain look so much more like marks
// than the best of its own that lookalikes make it.
func (c *chooser) outdone(g *guess) bool {
	best := 0.0
	for _, k := range g.seen {
		if k >= 0 {
			best = max(best, math.Abs(c.cand[k].score))
		}
	}
	return best < plain-likelier && othersAs(plain+alike, g, c.cand) >= 2
}

// rigid reports whether what a guess takes for marks lies as marks on one substrate do, whatever
// its scale, to the precision of the shrunk picture. Two always do.
func (c *chooser) rigid(g *guess) bool {
	places := c.part.Marks.At
	pose := coarsePose(places, c.cand, g)
	sum := 0.0
	for i, k := range g.seen {
		if k >= 0 {
			want := pose.ToScope(places[i].Point())
			d := math.Hypot(float64(c.cand[k].at.X-want.X), float64(c.cand[k].at.Y-want.Y))
			sum += d * d
		}
	}
	return math.Sqrt(sum/float64(g.count)) <= c.view.umPerPx()
}

// alike is how near in score to marks that are seen something must come to be their like.
const alike = 0.06

// others counts the candidates that are as good as those which a guess explains, and aren't
// explained by it.
func (c *chooser) others(g *guess) int {
	n := others(g, c.cand)
	if n > 0 && c.part.Marks.Shape == part.Disc && c.discSeen(g) >= sureScore {
		n-- // the orientation's disc looks like one of the marks
	}
	return n
}

func others(g *guess, cand []candidate) int {
	var all []int
	for k := range g.seen {
		all = append(all, k)
	}
	return othersAs(leastOf(g, cand, all), g, cand)
}

// leastOf returns the worst score of some marks' candidates, of those that have one.
func leastOf(g *guess, cand []candidate, marks []int) float64 {
	least := 1.0
	for _, k := range marks {
		if i := g.seen[k]; i >= 0 {
			least = min(least, math.Abs(cand[i].score))
		}
	}
	return least
}

// othersAs counts the candidates that a guess doesn't explain, about as good as a score or better.
func othersAs(score float64, g *guess, cand []candidate) (n int) {
	for i, cd := range cand {
		if math.Abs(cd.score) >= max(score-alike, sureScore) && !slices.Contains(g.seen, i) {
			n++
		}
	}
	return n
}

// discSeen returns how well the disc that tells the orientation is seen where a guess has it, 0
// for parts without.
func (c *chooser) discSeen(g *guess) float64 {
	if c.part.Orientation.By != "disc" {
		return 0
	}
	o := c.part.Orientation
	return c.view.look(disc(o), coarsePose(c.part.Marks.At, c.cand, g), o.XMm, o.YMm)
}

// plain is from which score on nothing but a mark is seen.
const plain = 0.9

// tooFew says why no two marks are seen together: it is another part when enough of them are seen,
// but not as drawn; they lie outside the picture when the best that is seen, taken for the mark that
// it is nearest to, has others outside; they are hidden otherwise.
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
	like := 0
	for _, cd := range c.cand {
		if math.Abs(cd.score) >= max(math.Abs(c.cand[best].score)-alike, plain) && cd.score*c.cand[best].score > 0 {
			like++
		}
	}
	enough := min(3, len(m.At))
	if c.part.Orientation.By == "disc" {
		enough++ // which may pass for one
	}
	if like >= enough {
		return &reading.Refusal{
			Gate: "other-part", Got: float64(like), Unit: "marks",
			Instruction: fmt.Sprintf("%d marks like those of part %s are seen, but not where it has them: check that this is the right part, and that the scope is the one named", like, c.part.Name),
		}
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
	if out := outside(c.view.full, c.view.plane, m, nearest); out != nil && least < float64(closest(m.At))/2 {
		return out
	}
	return hidden(1, len(m.At))
}

// elsewhere is how far from its place, of the marks' span, a mark of another part may lie.
const elsewhere = 0.09

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
		pose := coarsePose(c.part.Marks.At, c.cand, g)
		here, there := c.view.look(disc(o), pose, o.XMm, o.YMm), c.view.look(disc(o), pose, -o.XMm, -o.YMm)
		if there >= sureScore && there > here {
			quarter = (quarter + 2) % 4
		}
	}
	return wrongWay(quarter)
}

const gateTurned = "wrong-way-round"

func wrongWay(quarter int) *reading.Refusal {
	return &reading.Refusal{
		Gate: gateTurned, Got: float64(90 * quarter), Limit: 0, Unit: "°",
		Instruction: fmt.Sprintf("the sample lies turned by %d°: put it into the fixture the right way round and take the picture again", 90*quarter),
	}
}
