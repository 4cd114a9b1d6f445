package spc

import (
	"math/bits"
	"slices"
)

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

// A detector watches points one after the other for the patterns of its rules.
type detector struct {
	patterns []pattern
	seen     []uint16 // by pattern; bit k: the point k before the last shows the feature
	last     float64  // the value before
	move     int      // the move before: +1, −1, 0 none; 2 at the start, where no value was before
}

const noValueBefore = 2

// newDetector watches for the rules, each once.
func newDetector(rules []Rule) *detector {
	d := &detector{}
	for i, r := range rules {
		if !slices.Contains(rules[:i], r) {
			d.patterns = append(d.patterns, r.patterns()...)
		}
	}
	d.seen = make([]uint16, len(d.patterns))
	d.reset()
	return d
}

func (d *detector) reset() {
	clear(d.seen)
	d.move = noValueBefore
}

// step looks at the next point; bit k of the result says that pattern k is complete with it.
func (d *detector) step(p *Point) (fired uint32) {
	f := p.features() | d.moves(p.Value)
	for k := range d.patterns {
		q := &d.patterns[k]
		if f&q.feature == 0 {
			d.seen[k] <<= 1
			continue
		}
		d.seen[k] = (d.seen[k]<<1 | 1) & (1<<q.window - 1)
		if bits.OnesCount16(d.seen[k]) >= q.need {
			fired |= 1 << k
		}
	}
	return fired
}

// moves looks at a value against the one before and the move before that.
func (d *detector) moves(v float64) (f feature) {
	move := 0
	switch {
	case d.move == noValueBefore:
	case v > d.last:
		f, move = rising, 1
	case v < d.last:
		f, move = falling, -1
	}
	if move != 0 && d.move == -move {
		f |= turning
	}
	d.last, d.move = v, move
	return f
}

// hit describes the completion of pattern k at position at, with the points before the window that
// its feature looks back on.
func (d *detector) hit(k, at int) Hit {
	p, members := d.patterns[k], d.seen[k]
	for range p.lead {
		members |= members << 1
	}
	return Hit{Rule: p.rule, At: at, Side: p.side, members: members}
}
