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
	meaning := h.Rule.Meaning()
	if c.meaning != "" {
		meaning = c.meaning
	}
	return fmt.Sprintf("%v at %s: %s%s; %s", h.Rule, list, h.Rule.Text(), h.sideText(), meaning)
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

// A feature is something one point shows by itself or against the point before it.
type feature uint16

const (
	above0 feature = 1 << iota
	below0
	above1
	below1
	above2
	below2
	aboveLimit
	belowLimit
	within1
	outside1
	rising
	falling
	turning // moves against the direction of the move before
)

// A pattern fires at a point that shows the feature when at least need of the last window points
// show it. lead counts the points before the window that the feature also speaks of.
type pattern struct {
	rule         Rule
	side         int
	feature      feature
	need, window int
	lead         int
}

// patterns gives the patterns of a rule, one a side.
func (r Rule) patterns() []pattern {
	pair := func(up, down feature, need, window, lead int) []pattern {
		return []pattern{{r, 1, up, need, window, lead}, {r, -1, down, need, window, lead}}
	}
	switch r {
	case Nelson1, Western1:
		return pair(aboveLimit, belowLimit, 1, 1, 0)
	case Nelson2:
		return pair(above0, below0, 9, 9, 0)
	case Western4:
		return pair(above0, below0, 8, 8, 0)
	case Nelson3:
		return pair(rising, falling, 5, 5, 1)
	case Nelson4:
		return []pattern{{r, 0, turning, 12, 12, 2}}
	case Nelson5, Western2:
		return pair(above2, below2, 2, 3, 0)
	case Nelson6, Western3:
		return pair(above1, below1, 4, 5, 0)
	case Nelson7:
		return []pattern{{r, 0, within1, 15, 15, 0}}
	case Nelson8:
		return []pattern{{r, 0, outside1, 8, 8, 0}}
	}
	return nil
}

// features looks at a point. Comparisons are strict: a point on a line is on no side of it.
func (p *Point) features() feature {
	var f feature
	d := p.Value - p.Center
	if d > 0 {
		f |= above0
	} else if d < 0 {
		f |= below0
	}
	switch s := p.Sigma; {
	case p.Value > p.Center+s:
		f |= above1 | outside1
		if p.Value > p.Center+2*s {
			f |= above2
		}
	case p.Value < p.Center-s:
		f |= below1 | outside1
		if p.Value < p.Center-2*s {
			f |= below2
		}
	case p.Value < p.Center+s && p.Value > p.Center-s:
		f |= within1
	}
	if p.Value > p.UCL {
		f |= aboveLimit
	} else if p.Value < p.LCL {
		f |= belowLimit
	}
	return f
}

// moves looks at a point against the one before and the move before that (+1, 0, −1).
func (p *Point) moves(before *Point, lastMove int) (feature, int) {
	switch {
	case p.Value > before.Value:
		if lastMove < 0 {
			return rising | turning, 1
		}
		return rising, 1
	case p.Value < before.Value:
		if lastMove > 0 {
			return falling | turning, -1
		}
		return falling, -1
	}
	return 0, 0
}

// findHits runs the rules over the points, phase by phase, in one pass with a few words of memory
// for each rule.
func (c *Chart) findHits() {
	var all []pattern
	for _, r := range c.Rules {
		all = append(all, r.patterns()...)
	}
	seen := make([]uint16, len(all)) // bit k: the point k before this one shows the feature
	for _, ph := range c.Phases {
		clear(seen)
		move := 0
		for i := ph.From; i < ph.To; i++ {
			f := c.Points[i].features()
			if i > ph.From {
				var m feature
				m, move = c.Points[i].moves(&c.Points[i-1], move)
				f |= m
			}
			for k := range all {
				p := &all[k]
				if f&p.feature == 0 {
					seen[k] <<= 1
					continue
				}
				seen[k] = (seen[k]<<1 | 1) & (1<<p.window - 1)
				if bits.OnesCount16(seen[k]) >= p.need {
					c.Hits = append(c.Hits, p.hit(i, seen[k]))
				}
			}
		}
	}
}

// hit adds to the points of the window those before it that the features look back on.
func (p *pattern) hit(at int, seen uint16) Hit {
	for range p.lead {
		seen |= seen << 1
	}
	return Hit{Rule: p.rule, At: at, Side: p.side, members: seen}
}

// OutOfControl returns the positions of the points at which some rule fired, in order, each once.
func (c *Chart) OutOfControl() []int {
	var at []int
	for _, h := range c.Hits {
		at = append(at, h.At)
	}
	return slices.Compact(at)
}
