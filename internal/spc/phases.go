package spc

import (
	"fmt"
	"math"
	"slices"
)

// A Phase is a stretch of a chart with its own fixed limits. Positions are indices of subgroups
// (single values on a chart of individuals), from zero.
type Phase struct {
	Name  string
	Start int // its first subgroup; it ends where the next phase starts. The first starts at 0
	// Baseline holds the subgroups that the limits are estimated from: From included, To excluded,
	// anywhere in the data. The zero value means the phase's own.
	Baseline Span
	// Exclude lists subgroups left out of the estimate, because their cause is known and gone.
	// They are plotted all the same.
	Exclude []int
	// Center and Sigma state the level and the standard deviation of a single value, instead of
	// estimating them: nil means estimated.
	Center, Sigma *float64
}

// A Span is a half-open range of indices.
type Span struct{ From, To int }

func (s Span) empty() bool { return s == Span{} }

// A stretch is a checked phase: which subgroups it plots and which it learns from.
type stretch struct {
	Phase
	end int
}

// used reports whether subgroup i belongs to the estimate.
func (s stretch) used(i int) bool {
	if i < s.Baseline.From || i >= s.Baseline.To {
		return false
	}
	_, out := slices.BinarySearch(s.Exclude, i)
	return !out
}

// stated reports whether nothing has to be estimated.
func (s stretch) stated() bool { return s.Center != nil && s.Sigma != nil }

// stretches checks the phases of a chart of n subgroups; none means one phase with everything.
func stretches(n int, phases []Phase) ([]stretch, error) {
	if len(phases) == 0 {
		phases = []Phase{{}}
	}
	out := make([]stretch, len(phases))
	for i, p := range phases {
		end := n
		if i+1 < len(phases) {
			end = phases[i+1].Start
		}
		s, err := checkPhase(p, end, n)
		if err == nil && i == 0 && p.Start != 0 {
			err = fmt.Errorf("starts at subgroup %d, want the first phase to start at 1", p.Start+1)
		}
		if err != nil {
			return nil, fmt.Errorf("phase %s: %w", phaseName(p, i), err)
		}
		out[i] = s
	}
	return out, nil
}

func phaseName(p Phase, i int) string {
	if p.Name == "" {
		return fmt.Sprint(i + 1)
	}
	return fmt.Sprintf("%d %q", i+1, p.Name)
}

func checkPhase(p Phase, end, n int) (stretch, error) {
	s := stretch{Phase: p, end: end}
	if p.Start < 0 || p.Start >= end || end > n {
		return s, fmt.Errorf("goes from subgroup %d to %d: want it to hold at least one of the %d subgroups", p.Start+1, end, n)
	}
	if p.Baseline.empty() {
		s.Baseline = Span{p.Start, end}
	}
	if b := s.Baseline; b.From < 0 || b.From >= b.To || b.To > n {
		return s, fmt.Errorf("baseline from subgroup %d to %d: want a range inside the %d subgroups", b.From+1, b.To, n)
	}
	s.Exclude = slices.Sorted(slices.Values(p.Exclude))
	for _, x := range s.Exclude {
		if x < 0 || x >= n {
			return s, fmt.Errorf("excludes subgroup %d: want 1 to %d", x+1, n)
		}
	}
	if c := p.Center; c != nil && (math.IsNaN(*c) || math.IsInf(*c, 0)) {
		return s, fmt.Errorf("stated centre %v: want a finite number", *c)
	}
	if v := p.Sigma; v != nil && !(*v > 0 && !math.IsInf(*v, 0)) {
		return s, fmt.Errorf("stated sigma %v: want a finite number above zero", *v)
	}
	return s, nil
}
