package spc

import (
	"fmt"
	"math"
)

// A CUSUM is a pair of tabular cumulative sums (Page 1954, Biometrika 41, 100–115):
// C⁺ᵢ = max(0, C⁺ᵢ₋₁ + xᵢ − centre − kσ) and C⁻ the same downwards, each with the limit hσ.
type CUSUM struct {
	K float64 // k: allowance in σ, half the shift that matters; 0 means 0.5
	H float64 // h: decision limit in σ; 0 means 5
	// Headstart is where both sums start, in σ: H/2 is the fast initial response of Lucas & Crosier
	// (1982, Technometrics 24, 199–205), which sees at once that a restart didn't cure the process.
	Headstart float64
}

func (s CUSUM) filled() (CUSUM, error) {
	if s.K == 0 {
		s.K = 0.5
	}
	if s.H == 0 {
		s.H = 5
	}
	switch {
	case !(s.K > 0) || math.IsInf(s.K, 0):
		return s, fmt.Errorf("CUSUM: k %v: want a number above zero", s.K)
	case !(s.H > 0) || math.IsInf(s.H, 0):
		return s, fmt.Errorf("CUSUM: h %v: want a number above zero", s.H)
	case !(s.Headstart >= 0 && s.Headstart <= s.H):
		return s, fmt.Errorf("CUSUM: head start %v: want a number from 0 to h = %v", s.Headstart, s.H)
	}
	return s, nil
}

// Charts returns C⁺ and C⁻ for values in time order, in the unit of the values; both start anew with
// every phase. C⁻ is given negative, with its limit −hσ below the zero line, so that both can be
// drawn in one picture. Centre and σ come from the values as in [EWMA.Chart].
func (s CUSUM) Charts(x []float64, opt Options) ([]Chart, error) {
	s, err := s.filled()
	if err != nil {
		return nil, err
	}
	var charts []Chart
	for _, side := range []float64{1, -1} {
		c := Chart{Statistic: "C⁺", meaning: "the level has risen; the sum left zero about when it began"}
		if side < 0 {
			c.Statistic, c.meaning = "C⁻", "the level has fallen; the sum left zero about when it began"
		}
		err := c.cumulate(x, opt, func(ph PhaseLimits) func(float64) (float64, Limits) {
			sum, h := s.Headstart*ph.Sigma, s.H*ph.Sigma
			limits := Limits{UCL: h}
			if side < 0 {
				limits = Limits{LCL: -h}
			}
			return func(v float64) (float64, Limits) {
				sum = math.Max(0, sum+side*(v-ph.Center)-s.K*ph.Sigma)
				return side*sum + 0, limits // +0 so that no −0 is shown
			}
		})
		if err != nil {
			return nil, fmt.Errorf("CUSUM chart: %w", err)
		}
		charts = append(charts, c)
	}
	return charts, nil
}
