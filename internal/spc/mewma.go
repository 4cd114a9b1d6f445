package spc

import (
	"fmt"
	"math"
)

// A MEWMA is a chart of the distance of an exponentially weighted moving average of vectors,
// zᵢ = λ(xᵢ−mean) + (1−λ)zᵢ₋₁ (Lowry, Woodall, Champ & Rigdon 1992, Technometrics 34, 46–53).
// It sees small lasting moves in any direction.
type MEWMA struct {
	Lambda float64 // weight of the newest vector, above 0 up to 1; 0 means 0.1
	H      float64 // decision limit of the distance; [DesignMEWMA] finds it for a wanted run length
	// Steady divides by the final covariance of z, S·λ/(2−λ), from the first point on, instead of
	// that of zᵢ.
	Steady bool
}

func (e MEWMA) filled() (MEWMA, error) {
	if e.Lambda == 0 {
		e.Lambda = 0.1
	}
	if !(e.Lambda > 0 && e.Lambda <= 1) {
		return e, fmt.Errorf("MEWMA: lambda %v: want a number above 0, up to 1", e.Lambda)
	}
	if !(e.H > 0) || math.IsInf(e.H, 0) {
		return e, fmt.Errorf("MEWMA: decision limit %v: want a number above zero", e.H)
	}
	return e, nil
}

// Chart plots zᵢᵀSz⁻¹zᵢ for single vectors in time order, anew from zero with every phase. Mean and
// covariance come from the vectors as in [T2Individuals], with the same errors; VectorOptions.Alpha
// serves the decomposition only.
func (e MEWMA) Chart(x [][]float64, opt VectorOptions) (*VectorChart, error) {
	e, err := e.filled()
	if err != nil {
		return nil, err
	}
	c, ss, err := newVectorChart("MEWMA", x, opt)
	if err == nil {
		err = c.fit(x, opt, ss)
	}
	if err != nil {
		return nil, fmt.Errorf("MEWMA chart: %w", err)
	}
	c.meaning = "the level has moved and stayed there"
	average := EWMA{Lambda: e.Lambda, Steady: e.Steady}
	for k, s := range ss {
		z := make([]float64, len(c.Names))
		for i := s.Start; i < s.end; i++ {
			z = append([]float64(nil), z...)
			for j, m := range c.fits[k].mean {
				z[j] += e.Lambda * (x[i][j] - m - z[j])
			}
			sd := average.sigmaAfter(i - s.Start + 1)
			c.plotDeviation(i, k, z, 1/(sd*sd), e.H)
		}
	}
	c.findHits()
	return c, nil
}
