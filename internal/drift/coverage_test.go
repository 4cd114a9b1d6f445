package drift_test

import (
	"testing"

	"plumbsquare/internal/drift"
)

// The intervals of what is advised must hold the true level at the end of the series at least as often
// as they say, all parts together, whatever the line did before that shows. (A move too small to be shown
// stays in the mean: then too little is corrected.)
func TestCorrectCoverage(t *testing.T) {
	const runs = 30
	for _, c := range []struct {
		name string
		line line
		now  map[string]float64 // true level of each head at the end
	}{
		{"steady", line{lots: 20, betweenSD: 0.6, head: map[string]float64{"H1": 1, "H2": 4}}, map[string]float64{"H1": 1, "H2": 4}},
		{"step", line{lots: 30, betweenSD: 0.4, step: 2.5, stepAt: 17, head: map[string]float64{"H2": 3}}, map[string]float64{"H1": 2.5, "H2": 5.5}},
		{"drift of a head", line{lots: 36, betweenSD: 0.3, slope: 0.3, rampAt: 15}, map[string]float64{"H1": 0, "H2": 6}},
	} {
		held := 0
		for seed := range uint64(runs) {
			c.line.seed = seed
			got, err := drift.Correct(c.line.samples(), drift.CorrectOptions{})
			if err != nil {
				t.Fatal(err)
			}
			all := true
			for _, g := range got {
				heads := []string{"H1", "H2"}
				if len(g.Of) > 0 {
					heads = []string{g.Of[0].Level}
				}
				for _, h := range heads {
					all = all && g.Advice.Interval.Low <= c.now[h] && c.now[h] <= g.Advice.Interval.High
				}
			}
			if all {
				held++
			}
		}
		if held < 23 { // 95 % of 30, four standard errors below
			t.Errorf("%s: the intervals hold the levels in %d of %d", c.name, held, runs)
		}
	}
}
