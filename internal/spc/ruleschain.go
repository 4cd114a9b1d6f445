package spc

import (
	"math"
	"math/bits"
	"slices"
)

// A ruleChain is the Markov chain of what zone rules remember of independent points. Its states are
// the histories from which no rule has fired; leaving them is the signal.
type ruleChain struct {
	patterns []pattern
	states   map[string]int
	history  [][]uint16 // of each state, by pattern
}

// zone is a stretch of the plotted statistic in which all points show the same features.
type zone struct {
	features feature
	chance   float64
}

// zones are stretches that the rules of a chart can't tell apart, each once.
type zones []zone

func (z *zones) add(f feature, chance float64) {
	k := slices.IndexFunc(*z, func(o zone) bool { return o.features == f })
	if k < 0 {
		*z = append(*z, zone{f, chance})
		return
	}
	(*z)[k].chance += chance
}

// zonesOf cuts the axis of a continuous statistic where features change; between gives the chance of a
// stretch, in standard deviations from the centre.
func zonesOf(width float64, between func(a, b float64) float64) (z zones) {
	cuts := []float64{math.Inf(-1), -2, -1, 0, 1, 2, -width, width, math.Inf(1)}
	slices.Sort(cuts)
	cuts = slices.Compact(cuts)
	limits := symmetric(0, 1, width)
	for i := 1; i < len(cuts); i++ {
		inside := Point{Value: (math.Max(cuts[i-1], cuts[1]-1) + math.Min(cuts[i], cuts[len(cuts)-2]+1)) / 2, Limits: limits}
		z.add(inside.features(), between(cuts[i-1], cuts[i]))
	}
	return z
}

// exact solves the chain for its mean time to the first signal.
func (s Shewhart) exact(all zones) float64 {
	c := ruleChain{patterns: newDetector(s.Rules).patterns, states: map[string]int{}}
	var used feature
	for _, p := range c.patterns {
		used |= p.feature
	}
	var zones zones
	for _, z := range all {
		zones.add(z.features&used, z.chance)
	}
	c.state(make([]uint16, len(c.patterns)))
	var moves []map[int]float64
	var leaving []float64
	for i := 0; i < len(c.history); i++ { // the list grows as states are found
		row, leave := map[int]float64{}, 0.
		for _, z := range zones {
			if next, fired := c.step(c.history[i], z.features); fired {
				leave += z.chance
			} else {
				row[c.state(next)] += z.chance
			}
		}
		moves, leaving = append(moves, row), append(leaving, leave)
	}
	p := make([][]float64, len(moves))
	for i, row := range moves {
		p[i] = make([]float64, len(moves))
		for j, chance := range row {
			p[i][j] = chance
		}
	}
	return absorptionTimes(p, leaving)[0]
}

// state numbers a history.
func (c *ruleChain) state(history []uint16) int {
	key := make([]byte, 0, 2*len(history))
	for _, h := range history {
		key = append(key, byte(h), byte(h>>8))
	}
	i, known := c.states[string(key)]
	if !known {
		i = len(c.history)
		c.states[string(key)] = i
		c.history = append(c.history, history)
	}
	return i
}

// step gives the history after a point with the given features, unless a rule fires.
func (c *ruleChain) step(history []uint16, f feature) (next []uint16, fired bool) {
	next = make([]uint16, len(history))
	for k, p := range c.patterns {
		h := history[k] << 1
		if f&p.feature != 0 {
			h |= 1
			if bits.OnesCount16(h) >= p.need {
				return nil, true
			}
		}
		next[k] = p.forget(h)
	}
	return next, false
}

// forget drops the marks that can't take part in a signal any more, so that histories with the same
// future are one state: a mark of age a (0 is the newest) needs the marks missing to the pattern
// to fit into the window after it.
func (p *pattern) forget(h uint16) uint16 {
	h &= 1<<(p.window-1) - 1
	for a := p.window - 2; a >= 0; a-- {
		if h>>a&1 == 0 {
			continue
		}
		missing := p.need - bits.OnesCount16(h&(1<<(a+1)-1))
		if a+1+missing > p.window {
			h &^= 1 << a
		}
	}
	return h
}
