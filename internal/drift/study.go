package drift

import (
	"fmt"
	"slices"
	"strings"

	"plumbsquare/internal/spc"
)

// A Study is what samples tell about a line: whether the level moved, which factor explains the
// variance, and at which of its levels it moved.
type Study struct {
	N       int
	Overall Change
	Series  []Point // means of lots, or single values
	Ranks   *Ranks  // the same question by ranks; nil where there are too few points
	// Nested splits the variance beside the overall move: groups are days, subgroups the lots of a day.
	// Nil where the samples don't show it.
	Nested *spc.Nested
	// Ranked holds the factors, that which explains most first; none where there is no factor. What the
	// overall move explains is taken out of the values before: means are those of before the move.
	Ranked []spc.FactorEffect
	Strata []Stratum // by factor in the order of Ranked, and level; factors that follow from the time aren't looked at
	Passed []string  // factors that were left out, and why
}

// A Stratum is one level of one factor.
type Stratum struct {
	Factor, Level string
	N             int
	Change
	Series []Point // what was looked at
}

// Moved returns the strata in which a move is shown, clearest first.
func (s Study) Moved() []Stratum {
	var out []Stratum
	for _, st := range s.Strata {
		if st.Form != Steady {
			out = append(out, st)
		}
	}
	slices.SortStableFunc(out, func(a, b Stratum) int {
		switch {
		case a.Q < b.Q:
			return -1
		case a.Q > b.Q:
			return 1
		}
		return 0
	})
	return out
}

// mostStrata of a factor are looked at one by one.
const mostStrata = 40

// Analyse studies samples. Factors are ranked with their number accounted for, and so are moves in
// strata (Benjamini & Hochberg). Errors are as those of [Look].
func Analyse(s Samples, opt Options) (Study, error) {
	study := Study{N: len(s.Values), Passed: slices.Clone(s.Passed), Series: s.Points()}
	var err error
	if study.Overall, err = Look(s, opt); err != nil {
		return study, err
	}
	if study.Ranks, err = ranksOf(study.Series, s.Times != nil); err != nil {
		return study, err
	}
	study.Nested = s.nestedOf(s.without(study.Overall))
	if len(s.Factors) == 0 {
		return study, nil
	}
	if study.Ranked, err = spc.RankFactors(s.without(study.Overall), s.Factors, spc.FactorOptions{Level: opt.Level, Confidence: opt.Confidence}); err != nil {
		return study, err
	}
	together := 0
	for _, e := range study.Ranked {
		if len(e.Levels) <= mostStrata {
			together += len(e.Levels)
		}
	}
	var findings []finding
	var p []float64
	for _, e := range study.Ranked {
		if len(e.Levels) > mostStrata {
			study.Passed = append(study.Passed, fmt.Sprintf("%s: %d levels are too many to look for moves in each", e.Name, len(e.Levels)))
			continue
		}
		if slices.Contains(s.OfTime, e.Name) {
			continue
		}
		levels := s.factor(e.Name)
		for _, l := range e.Levels {
			if l.N < 2 {
				continue
			}
			f, err := s.pick(func(i int) bool { return levels[i] == l.Level }).search(opt, together)
			if err != nil {
				return study, fmt.Errorf("%s %s: %w", e.Name, l.Level, err)
			}
			study.Strata = append(study.Strata, Stratum{Factor: e.Name, Level: l.Level, N: l.N})
			findings, p = append(findings, f), append(p, f.p)
		}
	}
	q, err := spc.AdjustP(p, spc.BenjaminiHochberg)
	if err != nil {
		return study, err
	}
	for i, f := range findings {
		study.Strata[i].Change, study.Strata[i].Series = f.change(q[i], opt), f.points
	}
	return study, nil
}

// without returns the values less the overall move.
func (s Samples) without(c Change) []float64 {
	out := slices.Clone(s.Values)
	for _, p := range s.Points() {
		for _, i := range p.rows {
			out[i] -= c.LevelAt(p.X) - c.Before
		}
	}
	return out
}

// Where says in a sentence at which levels the move shows, "" where none is shown at any.
func (s Study) Where() string {
	var everywhere, parts []string
	for _, e := range s.Ranked {
		var moved, not []string
		for _, st := range s.Strata {
			switch {
			case st.Factor != e.Name || st.Why != "":
			case st.Form == Steady:
				not = append(not, st.Level)
			default:
				moved = append(moved, st.Level)
			}
		}
		switch {
		case len(moved) == 0:
		case len(not) == 0 && len(moved) > 1:
			everywhere = append(everywhere, "every "+e.Name)
		case len(not) > 0:
			parts = append(parts, fmt.Sprintf("at %s %s, not shown at %s", e.Name, strings.Join(moved, ", "), strings.Join(not, ", ")))
		}
	}
	switch {
	case len(parts) > 0:
		return "it moved " + strings.Join(parts, "; ")
	case len(everywhere) > 0:
		return "it moved at " + strings.Join(everywhere, ", ") + ": look for what they share"
	}
	return ""
}
