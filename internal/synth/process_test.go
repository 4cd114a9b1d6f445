package synth_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/synth"
)

// The process does what its numbers say: means by head and by subgroup, within four standard
// errors.
func TestProductionDriftsAndHasAHeadOff(t *testing.T) {
	p := synth.Production()
	p.Size = 600
	var early, late, off, others, n1, n2, n3, n4 float64
	for _, u := range p.Units(rand.New(rand.NewPCG(1, 2))) {
		switch u.Subgroup {
		case 1:
			early, n1 = early+u.XUm, n1+1
		case p.Subgroups:
			late, n2 = late+u.XUm, n2+1
		}
		if u.Head == "H2" {
			off, n3 = off+u.YUm, n3+1
		} else {
			others, n4 = others+u.YUm, n4+1
		}
	}
	for _, c := range []struct {
		name            string
		got, want, four float64
	}{
		{"drift, µm", late/n2 - early/n1, 13 * p.DriftXUm, 4 * p.SigmaXUm * math.Sqrt(1/n1+1/n2)},
		{"head 2 against the others, µm", off/n3 - others/n4, p.OffHeadYUm, 4 * p.SigmaYUm * math.Sqrt(1/n3+1/n4)},
	} {
		if math.Abs(c.got-c.want) > c.four {
			t.Errorf("%s: got %.3f want %.3f ± %.3f", c.name, c.got, c.want, c.four)
		}
	}
}
