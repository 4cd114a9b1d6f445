package spc

import (
	"fmt"
	"math/bits"
	"slices"
	"strconv"
	"strings"
)

// A Hit is one completion of a rule's pattern. Nothing is reset after it: every further point that
// completes the pattern again gives another hit, as in the published definitions.
type Hit struct {
	Rule Rule
	At   int // position in [Chart.Points] of the point that completed the pattern
	Side int // +1 above or rising, −1 below or falling, 0 where the rule has no side

	members uint16 // bit k: the point At−k belongs to the pattern
}

// Points returns the positions in [Chart.Points] that make up the pattern, in order.
func (h Hit) Points() []int {
	var at []int
	for k := 15; k >= 0; k-- {
		if h.members>>k&1 == 1 {
			at = append(at, h.At-k)
		}
	}
	return at
}

// Explain says in plain words which rule fired, on which points, and what it usually means. Points
// are numbered from one.
func (c *Chart) Explain(h Hit) string {
	var where []string
	for _, i := range h.Points() {
		where = append(where, strconv.Itoa(c.Points[i].Index+1))
	}
	list := "point " + where[0]
	if n := len(where); n > 1 {
		list = "points " + where[0] + " to " + where[n-1]
		if n == 2 || h.members&(h.members+1) != 0 { // two, or not in a row
			list = "points " + strings.Join(where[:n-1], ", ") + " and " + where[n-1]
		}
	}
	return fmt.Sprintf("%v at %s: %s%s; %s", h.Rule, list, h.Rule.Text(), h.sideText(), c.Meaning(h))
}

// Meaning says what a hit usually means on this chart, in plain words.
func (c *Chart) Meaning(h Hit) string {
	if c.meaning != "" {
		return c.meaning
	}
	return h.Rule.Meaning()
}

func (h Hit) sideText() string {
	up, down := " (above)", " (below)"
	if h.Rule == Nelson3 {
		up, down = " (rising)", " (falling)"
	}
	switch h.Side {
	case 1:
		return up
	case -1:
		return down
	}
	return ""
}

// findHits runs the rules over the points, phase by phase, in one pass with a few words of memory
// for each rule.
func (c *Chart) findHits() {
	d := newDetector(c.Rules)
	for _, ph := range c.Phases {
		d.reset()
		for i := ph.From; i < ph.To; i++ {
			for fired := d.step(&c.Points[i]); fired != 0; fired &= fired - 1 {
				c.Hits = append(c.Hits, d.hit(bits.TrailingZeros32(fired), i))
			}
		}
	}
}

// OutOfControl returns the positions of the points at which some rule fired, in order, each once.
func (c *Chart) OutOfControl() []int {
	var at []int
	for _, h := range c.Hits {
		at = append(at, h.At)
	}
	return slices.Compact(at)
}
