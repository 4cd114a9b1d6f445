package drift_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plumbsquare/internal/drift"
	"plumbsquare/internal/spc"
)

// Whatever finite values, lots, times and factors come, nothing may panic or hang, what is advised is a
// finite number, and places lie inside the series.
func TestWildSamples(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 40).Draw(t, "n")
		value := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-1e-300, 1e-300), rapid.Float64Range(-100, 100), rapid.SampledFrom([]float64{0, 1, 1, 1, math.MaxFloat64}))
		s := drift.Samples{Values: rapid.SliceOfN(value, n, n).Draw(t, "values")}
		if rapid.Bool().Draw(t, "lots") {
			for range n {
				s.Lots = append(s.Lots, rapid.SampledFrom([]string{"", "a", "b", "c", "d", "e", "f", "g", "h", "i", "j"}).Draw(t, "lot"))
			}
		}
		if rapid.Bool().Draw(t, "times") {
			at := time.Date(2031, 1, 1, 0, 0, 0, 0, time.UTC)
			for range n {
				s.Times = append(s.Times, at)
				at = at.Add(time.Duration(rapid.IntRange(0, 5).Draw(t, "gap")) * time.Hour)
			}
		}
		f := spc.Factor{Name: "head"}
		for i := range n {
			f.Levels = append(f.Levels, fmt.Sprint(i%rapid.IntRange(1, 4).Draw(t, "levels")))
		}
		if n > 0 && rapid.Bool().Draw(t, "factor") {
			s.Factors = []spc.Factor{f}
		}
		check := func(c drift.Change) {
			for _, p := range []drift.Place{c.Onset, c.Earliest, c.Latest} {
				if p.Number < 0 || p.Number >= max(1, c.Points) {
					t.Errorf("place %d of %d points", p.Number, c.Points)
				}
			}
			_, _ = c.Text("µm"), c.Short("µm")
		}
		if study, err := drift.Analyse(s, drift.Options{}); err == nil {
			check(study.Overall)
			_ = study.Where()
		}
		advice, err := drift.Correct(s, drift.CorrectOptions{})
		if err != nil {
			return
		}
		for _, a := range advice {
			check(a.Change)
			if v := a.Advice.Correction; math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%s: correct by %v", a.Name(), v)
			}
		}
	})
}
