package series

import (
	"math"
	"math/rand/v2"

	"plumbsquare/internal/spc"
)

// A Scheme is the design of the charts that have one of their own. The zero value takes the usual
// ones: EWMA with λ 0.2 and limits at ± 3 standard deviations, CUSUM with k 0.5, h 5 and no head start.
type Scheme struct {
	EWMA  spc.EWMA
	CUSUM spc.CUSUM
}

// runs of a simulated run length: its error is below a hundredth.
const runs = 20_000

// RunLength returns the average run length of the chart of level of a kind, when the level has moved
// by shift, in standard deviations of a single value; at shift 0 it is the average number of points
// between false alarms. Size is the number of values behind a point (1 for single values). On
// three-way charts the shift is in standard deviations of the means, and the size doesn't matter.
//
// It is that of independent normal values with known centre and spread. Known is false for kinds
// whose statistic follows another law, and where there are no rules.
func (k Kind) RunLength(scheme Scheme, opt spc.Options, size int, shift float64) (r spc.RunLength, known bool, err error) {
	switch {
	case k == EWMA:
		r, err = scheme.EWMA.RunLength(shift)
	case k == CUSUM:
		r, err = scheme.CUSUM.RunLength(shift)
	case k.OfCounts() || k.Rare() || opt.Rules != nil && len(opt.Rules) == 0:
		return r, false, nil
	default:
		if k == XbarR || k == XbarS {
			shift *= math.Sqrt(float64(size))
		}
		r, err = spc.Shewhart{Rules: opt.Rules, Width: opt.Width}.RunLength(shift, rand.New(rand.NewPCG(1, 1)), runs)
	}
	return r, err == nil, err
}
