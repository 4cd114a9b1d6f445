package series

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"plumbsquare/internal/spc"
)

// A Kind is a kind of control chart.
type Kind string

// The kinds. Those of counts need a column of counts and one of opportunities.
const (
	Individuals Kind = "individuals" // single values above their moving range
	XbarR       Kind = "xbar-r"      // means of subgroups above their range
	XbarS       Kind = "xbar-s"      // means of subgroups above their standard deviation
	ThreeWay    Kind = "three-way"   // means, their moving range, and the spread within
	EWMA        Kind = "ewma"        // exponentially weighted moving average of single values
	CUSUM       Kind = "cusum"       // cumulative sums of single values
	P           Kind = "p"           // fraction of units
	NP          Kind = "np"          // number of units
	U           Kind = "u"           // counts per opportunity
	C           Kind = "c"           // counts of equal opportunity
	LaneyP      Kind = "laney-p"     // p with limits widened for variation between subgroups
	LaneyU      Kind = "laney-u"     // u likewise
	G           Kind = "g"           // good units from one bad one to the next, for rare events
	T           Kind = "t"           // times from one event to the next, likewise
)

// Kinds lists every kind.
var Kinds = []Kind{Individuals, XbarR, XbarS, ThreeWay, EWMA, CUSUM, P, NP, U, C, LaneyP, LaneyU, G, T}

// OfCounts reports whether a kind charts counts.
func (k Kind) OfCounts() bool { return slices.Contains([]Kind{P, NP, U, C, LaneyP, LaneyU}, k) }

// Rare reports whether a kind charts what lies between events, which has a law of its own.
func (k Kind) Rare() bool { return k == G || k == T }

// Remembers reports whether a kind's statistic gathers over points, so that run rules don't suit it: only
// points beyond its limits count.
func (k Kind) Remembers() bool { return k == EWMA || k == CUSUM }

// Grouped reports whether a kind charts subgroups of measured values.
func (k Kind) Grouped() bool { return k == XbarR || k == XbarS || k == ThreeWay }

// ParseKind reads the name of a kind.
func ParseKind(s string) (Kind, error) {
	if slices.Contains(Kinds, Kind(s)) {
		return Kind(s), nil
	}
	var names []string
	for _, k := range Kinds {
		names = append(names, string(k))
	}
	return "", fmt.Errorf("no kind of chart is called %q; there are %s", s, strings.Join(names, ", "))
}

// A Series is what one control chart is made of, in order of time.
type Series struct {
	Values []float64 // measured values, or counts
	Sizes  []float64 // of counts: units, or opportunities; nil for measured values
	Keys   []string  // subgroup of each value, such as its lot; nil when there is none
}

// Limits of what makes a sensible chart of subgroups.
const (
	fewestSubgroups = 8 // fewer points say too little; single values then say more
	largestForRange = 9 // from ten values on, the range wastes much of what they tell
)

// Suggest returns the kind that suits measured values: means of subgroups where there are enough
// of at least two values, with R for small subgroups of one size and s for others; else single
// values.
func (s Series) Suggest() Kind {
	if s.Keys == nil {
		return Individuals
	}
	groups, err := spc.GroupBy(s.Values, s.Keys)
	if err != nil || len(groups) < fewestSubgroups {
		return Individuals
	}
	kind := XbarR
	for _, g := range groups {
		switch n := len(g.Values); {
		case n < 2:
			return Individuals
		case n > largestForRange || n != len(groups[0].Values):
			kind = XbarS
		}
	}
	return kind
}

// Subgroups returns the values of each subgroup and the subgroups' names, in the order in which
// they first appear.
func (s Series) Subgroups() (values [][]float64, names []string, err error) {
	if s.Keys == nil {
		return nil, nil, errors.New("no column says which subgroup a value belongs to")
	}
	groups, err := spc.GroupBy(s.Values, s.Keys)
	for _, g := range groups {
		names = append(names, g.Key)
	}
	return spc.Values(groups), names, err
}

// Pooled adds the counts and sizes of each subgroup, so that every subgroup is one point.
func (s Series) Pooled() Series {
	if s.Keys == nil || s.Sizes == nil {
		return s
	}
	at := map[string]int{}
	var sum Series
	for i, key := range s.Keys {
		j, seen := at[key]
		if !seen {
			j = len(sum.Keys)
			at[key] = j
			sum.Keys, sum.Values, sum.Sizes = append(sum.Keys, key), append(sum.Values, 0), append(sum.Sizes, 0)
		}
		sum.Values[j] += s.Values[i]
		sum.Sizes[j] += s.Sizes[i]
	}
	return sum
}

// Charts returns the charts of a kind, from the top down, and the name of each of their points'
// subgroups (nil when there are none). Counts are pooled by subgroup.
func (s Series) Charts(kind Kind, opt spc.Options) (charts []spc.Chart, names []string, err error) {
	return s.ChartsBy(kind, Scheme{}, opt)
}

// ChartsBy does the same with schemes of choice.
func (s Series) ChartsBy(kind Kind, scheme Scheme, opt spc.Options) (charts []spc.Chart, names []string, err error) {
	if kind.OfCounts() {
		return s.countCharts(kind, opt)
	}
	if kind.Grouped() {
		groups, names, err := s.Subgroups()
		if err != nil {
			return nil, nil, err
		}
		for i, g := range groups {
			if len(g) < 2 {
				return nil, nil, fmt.Errorf("subgroup %s holds one value, and a %s chart needs two or more of each: leave it out, or chart single values (individuals)", names[i], kind)
			}
		}
		make := map[Kind]func([][]float64, spc.Options) ([]spc.Chart, error){XbarR: spc.XbarR, XbarS: spc.XbarS, ThreeWay: spc.ThreeWay}[kind]
		charts, err := make(groups, opt)
		return charts, names, err
	}
	switch kind {
	case EWMA:
		opt.Rules, opt.Width = nil, 0
		c, err := scheme.EWMA.Chart(s.Values, opt)
		return []spc.Chart{c}, s.Keys, err
	case CUSUM:
		opt.Rules, opt.Width = nil, 0
		charts, err = scheme.CUSUM.Charts(s.Values, opt)
		return charts, s.Keys, err
	case G:
		opt.Rules = nil
		c, err := spc.GChart(s.Values, opt)
		return []spc.Chart{c}, s.Keys, err
	case T:
		charts, err = spc.TChart(s.Values, opt)
		return charts, s.Keys, err
	}
	charts, err = spc.Individuals(s.Values, opt)
	return charts, s.Keys, err
}

func (s Series) countCharts(kind Kind, opt spc.Options) ([]spc.Chart, []string, error) {
	if s.Sizes == nil && kind != C {
		return nil, nil, fmt.Errorf("a %s chart needs a column of opportunities (or units) beside the counts", kind)
	}
	sum := s.Pooled()
	var c spc.Chart
	var err error
	switch kind {
	case P:
		c, err = spc.PChart(sum.Values, sum.Sizes, opt)
	case NP:
		c, err = spc.NPChart(sum.Values, sum.Sizes, opt)
	case U:
		c, err = spc.UChart(sum.Values, sum.Sizes, opt)
	case C:
		c, err = spc.CChart(sum.Values, opt)
	case LaneyP:
		c, err = spc.LaneyP(sum.Values, sum.Sizes, opt)
	case LaneyU:
		c, err = spc.LaneyU(sum.Values, sum.Sizes, opt)
	}
	return []spc.Chart{c}, sum.Keys, err
}
