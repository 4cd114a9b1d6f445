package fit

import (
	"math"
	"testing"
)

// A fit that goes round and round knows its place no better than the steps agree: variance of six values
// that alternate by ±a is 6a²/5.
func TestUnsettledFitSaysSo(t *testing.T) {
	const a = 0.7
	var steps [][eCommon]float64
	for i := range cycle {
		var c [eCommon]float64
		c[ePlace-eOwn] = 3 + a*float64(1-2*(i%2))
		c[eShadow-eOwn] = 0.5
		steps = append(steps, c)
	}
	var m edgeModel
	m.settleAmong(steps)
	if got := m.common[ePlace-eOwn]; math.Abs(got-3) > 1e-12 {
		t.Errorf("place %g, want the mean 3", got)
	}
	if got := m.common[eShadow-eOwn]; math.Abs(got-0.5) > 1e-12 {
		t.Errorf("shadow %g, want what all steps have", got)
	}
	if got, want := m.unsettled[0], a*a*cycle/(cycle-1); math.Abs(got-want) > 1e-12 {
		t.Errorf("variance of the place %g, want %g", got, want)
	}
	if m.unsettled[1] != 0 {
		t.Errorf("variance of the slope %g, want none", m.unsettled[1])
	}
}
