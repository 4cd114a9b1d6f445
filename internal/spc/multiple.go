package spc

import (
	"fmt"
	"math"
	"slices"
)

// A Correction says how p values are adjusted for their number.
type Correction int

const (
	// BenjaminiHochberg controls the expected share of false findings among the findings, for
	// independent or positively dependent tests (Benjamini & Hochberg 1995, J. R. Statist. Soc. B
	// 57, 289–300).
	BenjaminiHochberg Correction = iota
	// BenjaminiYekutieli does so under any dependence (2001, Ann. Statist. 29, 1165–1188).
	BenjaminiYekutieli
	// Holm controls the probability of any false finding, under any dependence (1979, Scand. J.
	// Statist. 6, 65–70); never worse than Bonferroni.
	Holm
	// Hochberg does so for independent or positively dependent tests (1988, Biometrika 75, 800–802).
	Hochberg
	// Bonferroni multiplies by the number of tests.
	Bonferroni
)

// AdjustP returns adjusted p values (q values for the first two corrections) in the order given: a
// finding holds at level α when its adjusted value is at most α. It returns an error for a value
// outside 0 to 1 or an unknown correction.
func AdjustP(p []float64, c Correction) ([]float64, error) {
	if c < BenjaminiHochberg || c > Bonferroni {
		return nil, fmt.Errorf("adjust p values: no correction number %d", int(c))
	}
	for i, v := range p {
		if !(v >= 0 && v <= 1) {
			return nil, fmt.Errorf("adjust p values: value %d of %d is %v, want 0 to 1", i+1, len(p), v)
		}
	}
	m := float64(len(p))
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		switch {
		case p[a] < p[b]:
			return -1
		case p[a] > p[b]:
			return 1
		}
		return 0
	})
	harmonic := 0.0
	for i := range p {
		harmonic += 1 / float64(i+1)
	}
	factor := func(rank int) float64 { // of the rank-th smallest, from zero
		switch c {
		case BenjaminiHochberg:
			return m / float64(rank+1)
		case BenjaminiYekutieli:
			return m * harmonic / float64(rank+1)
		case Bonferroni:
			return m
		}
		return m - float64(rank)
	}
	out := make([]float64, len(p))
	if c == Holm { // steps down from the smallest: never below the one before
		least := 0.0
		for rank, i := range order {
			least = math.Max(least, p[i]*factor(rank))
			out[i] = math.Min(1, least)
		}
		return out, nil
	}
	most := 1.0 // the others step up from the largest: never above the one after
	for rank := len(order) - 1; rank >= 0; rank-- {
		i := order[rank]
		v := math.Min(1, p[i]*factor(rank))
		if c != Bonferroni {
			most = math.Min(most, v)
			v = most
		}
		out[i] = v
	}
	return out, nil
}
