// Package drift says when a line moved, how fast, what stands behind it, and how much to correct
// the placer for it: it puts the change points, slopes, analyses of variance and adjustments of spc
// together for values of one quantity, such as the offset X of the die, stratified by head, nozzle
// and what else is known of them.
//
// Offsets are measured minus nominal in the drawing frame: +X right, +Y up, θ counter-clockwise. A
// correction is what to add to the machine's setting, so it has the opposite sign.
//
// Values of one lot are alike, so what moves in time is looked for in the means of lots, and the
// uncertainty of a level comes from how these scatter. Randomised tests are seeded: the same samples
// give the same answer.
package drift

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// Samples are values of one quantity in order of time.
type Samples struct {
	Quantity series.Quantity
	Values   []float64
	Times    []time.Time  // of each value, ascending; nil when not known: their order alone counts
	Lots     []string     // of each value; nil when there are none
	Factors  []spc.Factor // what values can be sorted by

	OfTime  []string // factors that follow from the time, such as the shift: levels are no parts of a machine
	Passed  []string // factors that were asked for and left out, and why
	Retakes int      // rows left out because they must be retaken,
	Blank   int      // and because they hold no value
}

// Factors are those that readings are sorted by. "shift" is taken from the time where there is no
// such column: 6, 14 and 22 o'clock begin one, by the clock that the time is written in (common
// practice, no source).
var Factors = []string{"head", "nozzle", "pick_position", "shift", "operator"}

// A Choice says which columns of a table to look at. The zero value suits readings.
type Choice struct {
	Time     string   // column of times; "" for taken_at where every row has one
	Lot      string   // column of lots; "" for lot where there is one, "none" for none
	Factors  []string // columns of factors; nil for those of the list Factors that the table has
	Required bool     // whether a factor that can't be used is an error rather than passed
}

// FromTable takes the samples of one column out of a table, which it leaves as it is. Rows without a
// value are left out and counted.
func FromTable(t *series.Table, value string, c Choice) (Samples, error) {
	own := *t
	t = &own
	s := Samples{Quantity: series.QuantityOf(value), Retakes: t.Retakes}
	var err error
	if s.Blank, err = t.Filled(value); err != nil {
		return s, err
	}
	if t.Len() == 0 {
		return s, fmt.Errorf("%s: column %s: there is no value", t.File, value)
	}
	if s.Times, err = inOrder(t, c.Time); err != nil {
		return s, err
	}
	if s.Values, err = t.Numbers(value); err != nil {
		return s, err
	}
	if s.Lots, err = lotsOf(t, c.Lot); err != nil {
		return s, err
	}
	return s, s.sortInto(t, c)
}

// inOrder sorts the table by time, where every row has one, and returns the times.
func inOrder(t *series.Table, column string) ([]time.Time, error) {
	const taken = "taken_at"
	if column == "" {
		if !t.Has(taken) {
			return nil, nil
		}
		column = taken
		texts, err := t.Text(column)
		if err != nil || slices.ContainsFunc(texts, func(s string) bool { return strings.TrimSpace(s) == "" }) {
			return nil, err
		}
	}
	if err := t.Sort(column); err != nil {
		return nil, err
	}
	texts, err := t.Text(column)
	times := make([]time.Time, len(texts))
	for i, text := range texts {
		times[i], _ = series.ParseTime(text) // Sort has read them all
	}
	return times, err
}

func lotsOf(t *series.Table, column string) ([]string, error) {
	switch {
	case column == "none" || column == "" && !t.Has("lot"):
		return nil, nil
	case column == "":
		column = "lot"
	}
	lots, err := t.Text(column)
	if err != nil || !slices.ContainsFunc(lots, func(l string) bool { return l != "" }) {
		return nil, err
	}
	return lots, nil
}

// sortInto adds the factors.
func (s *Samples) sortInto(t *series.Table, c Choice) error {
	names := c.Factors
	if names == nil {
		for _, name := range Factors {
			if t.Has(name) || name == "shift" && s.Times != nil {
				names = append(names, name)
			}
		}
	}
	for _, name := range names {
		var levels []string
		if name == "shift" && !t.Has(name) && s.Times != nil {
			levels = shiftsOf(s.Times)
			s.OfTime = append(s.OfTime, name)
		} else {
			var err error
			if levels, err = t.Text(name); err != nil {
				return err
			}
		}
		if why := unusable(levels); why != "" {
			if c.Required {
				return fmt.Errorf("%s: column %s: %s", t.File, name, why)
			}
			s.Passed = append(s.Passed, name+": "+why)
			continue
		}
		for i, l := range levels {
			if levels[i] = strings.TrimSpace(l); levels[i] == "" {
				levels[i] = "not given"
			}
		}
		s.Factors = append(s.Factors, spc.Factor{Name: name, Levels: levels})
	}
	return nil
}

// unusable says why values can't be sorted by levels, "" when they can.
func unusable(levels []string) string {
	count := map[string]int{}
	for _, l := range levels {
		count[strings.TrimSpace(l)]++
	}
	most := 0
	for _, n := range count {
		most = max(most, n)
	}
	switch {
	case len(count) == 1 && count[""] > 0:
		return "nothing is given"
	case len(count) == 1:
		return "there is only one level, " + levels[0]
	case most < 2:
		return "no level is seen twice"
	}
	return ""
}

func shiftsOf(times []time.Time) []string {
	levels := make([]string, len(times))
	for i, at := range times {
		switch h := at.Hour(); {
		case h >= 6 && h < 14:
			levels[i] = "06–14"
		case h >= 14 && h < 22:
			levels[i] = "14–22"
		default:
			levels[i] = "22–06"
		}
	}
	return levels
}

// factor returns the levels of a factor, nil when there is none of this name.
func (s Samples) factor(name string) []string {
	for _, f := range s.Factors {
		if f.Name == name {
			return f.Levels
		}
	}
	return nil
}

// pick returns the samples for which keep holds.
func (s Samples) pick(keep func(i int) bool) Samples {
	out := s
	out.Values, out.Times, out.Lots, out.Factors = nil, nil, nil, nil
	for _, f := range s.Factors {
		out.Factors = append(out.Factors, spc.Factor{Name: f.Name})
	}
	for i, v := range s.Values {
		if !keep(i) {
			continue
		}
		out.Values = append(out.Values, v)
		if s.Times != nil {
			out.Times = append(out.Times, s.Times[i])
		}
		if s.Lots != nil {
			out.Lots = append(out.Lots, s.Lots[i])
		}
		for k, f := range s.Factors {
			out.Factors[k].Levels = append(out.Factors[k].Levels, f.Levels[i])
		}
	}
	return out
}

// A Point is what is looked at in time: the mean of a lot, or a single value.
type Point struct {
	Place
	X    float64   // days since the first value, or the number of the point from zero
	Mid  time.Time // mean time of its values, which X counts to; zero when not known
	Mean float64
	N    int
	rows []int // of its values
}

// Points returns the means of lots in order of their mean time, or single values.
func (s Samples) Points() []Point {
	at := map[string]int{}
	var out []Point
	for i, v := range s.Values {
		k := len(out)
		if s.Lots != nil && s.Lots[i] != "" {
			if seen, ok := at[s.Lots[i]]; ok {
				k = seen
			} else {
				at[s.Lots[i]] = k
			}
		}
		if k == len(out) {
			var p Point
			if s.Lots != nil {
				p.Lot = s.Lots[i]
			}
			if s.Times != nil {
				p.Time = s.Times[i]
			}
			out = append(out, p)
		}
		p := &out[k]
		p.N++
		p.rows = append(p.rows, i)
		p.Mean += (v - p.Mean) / float64(p.N)
		if s.Times != nil {
			p.X += (s.days(s.Times[i]) - p.X) / float64(p.N)
		}
	}
	if s.Times != nil {
		slices.SortStableFunc(out, func(a, b Point) int { return cmp.Compare(a.X, b.X) })
	}
	for k := range out {
		out[k].Number = k
		if s.Times == nil {
			out[k].X = float64(k)
		} else {
			out[k].Mid = s.Times[0].Add(time.Duration(out[k].X * 24 * float64(time.Hour)))
		}
	}
	return out
}

// days is how long after the first value a time is.
func (s Samples) days(t time.Time) float64 { return t.Sub(s.Times[0]).Hours() / 24 }
