package signal_test

import (
	"math"
	"path/filepath"
	"testing"
	"time"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/signal"
	"plumbsquare/internal/store"
)

// Eₙ = (x − X)/√(U² + U_ref²), ISO/IEC 17043: with U = 0.3 and U_ref = 0.4, that is u = 0.15 and
// 0.2, a difference of 0.5 gives 1.
func TestChecks(t *testing.T) {
	s := open(t, filepath.Join(t.TempDir(), "store.db"))
	act := store.Act{By: "A", At: start, Why: "certificate"}
	for _, c := range []store.CheckSample{
		{Sample: "CS-1", Value: "x_um", Reference: 10, UReference: 0.2},
		{Sample: "CS-1", Value: "y_um", Reference: 0.6, UReference: 0.2},
		{Sample: "CS-2", Value: "x_um", Reference: 10, UReference: 0.2},
	} {
		c.Part, c.View, c.Act = "tern", reading.DiePlan, act
		if _, err := s.AddCheckSample(t.Context(), c); err != nil {
			t.Fatal(err)
		}
	}
	for i, x := range []float64{10.1, 10.5} {
		r := die(i, x)
		r.Shot.Sample, r.Offset.UXUm, r.Offset.UYUm = "CS-1", 0.15, 0.15
		record(t, s, r)
	}
	checks, err := signal.Checks(t.Context(), s, "tern", time.Time{})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []struct {
		shots  int
		en     float64
		agrees bool
	}{{2, 1, true}, {2, -1.2, false}, {0, math.NaN(), false}} {
		c := checks[i]
		same := math.Abs(c.En-want.en) < 1e-12 || math.IsNaN(c.En) && math.IsNaN(want.en)
		if c.Shots != want.shots || !same || c.Agrees() != want.agrees {
			t.Errorf("check %d: %+v, want %+v", i, c, want)
		}
	}
	if c := checks[0]; !c.Last.Equal(at(1)) || c.Measured != 10.5 || c.U != 0.15 || math.Abs(c.Mean-10.3) > 1e-12 {
		t.Errorf("%+v, want 10.5 ± 0.3 of %v and a mean of 10.3", c, at(1))
	}
	later, err := signal.Checks(t.Context(), s, "", at(2))
	if err != nil || len(later) != 3 || later[0].Shots != 0 {
		t.Errorf("since after the last: %+v, %v", later, err)
	}
}
