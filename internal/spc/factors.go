package spc

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Factor is something that values can be sorted by: head, nozzle, pick position, shift.
type Factor struct {
	Name   string
	Levels []string // of each value, in the order of the values
}

// FactorOptions refines [RankFactors]. The zero value works.
type FactorOptions struct {
	Correction Correction // for the number of factors; zero value is Benjamini–Hochberg
	Level      float64    // to claim at; 0 means 0.05
	Confidence float64    // of the levels' intervals; 0 means 0.95
}

// A LevelMean is the mean of the values at one level of a factor.
type LevelMean struct {
	Level     string
	N         int
	Mean      float64
	Low, High float64 // interval of the mean, with the spread within levels of this factor
}

// A FactorEffect says how much of the variance one factor explains.
type FactorEffect struct {
	Name   string
	Levels []LevelMean // by name
	Alone  OneWay      // the factor by itself
	Q      float64     // Alone.P adjusted for the number of factors
	// Beyond tells what it explains beyond all other factors together, in an additive model: the
	// sum of squares that only this factor takes. BeyondDF is 0 where the others say the same
	// thing: it is then confounded with them, and BeyondP is 1.
	BeyondSS float64
	BeyondDF int
	BeyondF  float64
	BeyondP  float64
	Claimed  bool   // Q is at most the level
	Remark   string // what hinders a conclusion, in plain words; empty if nothing
}

// RankFactors sorts values by each factor in turn and says which explains their variance: ordered
// by the part of the variance each explains alone (ω²), largest first, with the number of factors
// tried accounted for. A factor that explains much alone and nothing beyond the others only follows
// them: compare Alone and Beyond.
//
// It returns an error when a factor has not one level a value or only one level, when a value isn't
// finite or values don't vary, or when no level is seen twice.
func RankFactors(values []float64, factors []Factor, opt FactorOptions) ([]FactorEffect, error) {
	if err := needFinite("factors: values", values, 3); err != nil {
		return nil, err
	}
	conf, err := confidenceOr95("factors", opt.Confidence)
	if err != nil {
		return nil, err
	}
	if opt.Level == 0 {
		opt.Level = 0.05
	}
	if err := needProbability("factors: level", opt.Level); err != nil {
		return nil, err
	}
	if len(factors) == 0 {
		return nil, fmt.Errorf("factors: none given")
	}
	out := make([]FactorEffect, len(factors))
	p := make([]float64, len(factors))
	for i, f := range factors {
		if len(f.Levels) != len(values) {
			return nil, fmt.Errorf("factor %q: %d levels for %d values, want one for each", f.Name, len(f.Levels), len(values))
		}
		if out[i], err = byFactor(values, f, conf); err != nil {
			return nil, err
		}
		p[i] = out[i].Alone.P
	}
	q, err := AdjustP(p, opt.Correction)
	if err != nil {
		return nil, fmt.Errorf("factors: %w", err)
	}
	for i := range out {
		out[i].Q, out[i].Claimed = q[i], q[i] <= opt.Level
	}
	beyondOthers(values, factors, out)
	slices.SortStableFunc(out, func(a, b FactorEffect) int { return cmp.Compare(b.Alone.Omega2, a.Alone.Omega2) })
	return out, nil
}

// byFactor sorts the values by one factor.
func byFactor(values []float64, f Factor, conf float64) (FactorEffect, error) {
	names, level := levelsOf(f)
	groups := make([][]float64, len(names))
	for i, v := range values {
		groups[level[i]] = append(groups[level[i]], v)
	}
	e := FactorEffect{Name: f.Name, BeyondP: 1}
	var err error
	if e.Alone, err = AnalyseOneWay(groups); err != nil {
		return e, fmt.Errorf("factor %q: %w", f.Name, err)
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(e.Alone.DFWithin)}.Quantile(1 - (1-conf)/2)
	for k, g := range groups {
		m := carefulMean(g)
		half := t * e.Alone.ResidualSD / math.Sqrt(float64(len(g)))
		e.Levels = append(e.Levels, LevelMean{names[k], len(g), m, m - half, m + half})
	}
	return e, nil
}

// levelsOf lists the levels by name and gives each value's.
func levelsOf(f Factor) (names []string, level []int) {
	at := map[string]int{}
	for _, l := range f.Levels {
		at[l] = 0
	}
	for l := range at {
		names = append(names, l)
	}
	sort.Strings(names)
	for i, l := range names {
		at[l] = i
	}
	for _, l := range f.Levels {
		level = append(level, at[l])
	}
	return names, level
}

// beyondOthers fits the additive model of all factors, then leaves each out in turn.
func beyondOthers(values []float64, factors []Factor, out []FactorEffect) {
	m := newAdditive(values, factors)
	rss, rank := m.fit(-1)
	df := len(values) - rank
	for i := range out {
		e := &out[i]
		without, less := m.fit(i)
		e.BeyondDF = rank - less
		switch {
		case e.BeyondDF == 0:
			e.Remark = "its levels go together with those of " + othersText(factors, i) + ": it can't be told from them"
		case df < 1:
			e.Remark = "too few values to tell the factors apart"
		default:
			e.BeyondSS = math.Max(0, without-rss)
			e.BeyondF, e.BeyondP = fTest(e.BeyondSS/float64(e.BeyondDF), rss/float64(df), e.BeyondDF, df)
		}
	}
}

func othersText(factors []Factor, but int) string {
	var names []string
	for i, f := range factors {
		if i != but {
			names = append(names, f.Name)
		}
	}
	return strings.Join(names, ", ")
}

// An additive is the model with a mean and an effect for each level of each factor, as its normal
// equations: counts of values that share two levels, and sums of values at each. They are small
// however many values there are.
type additive struct {
	factor  []int       // of each column; −1 for the mean
	gram    [][]float64 // lower triangle
	sums    []float64   // of the values less their mean
	squares float64     // sum of squares of the same
}

func newAdditive(values []float64, factors []Factor) additive {
	m := additive{factor: []int{-1}}
	column := make([][]int, len(factors)) // of each value, by factor; 0 for the first level, which has none
	for k, f := range factors {
		names, level := levelsOf(f)
		first := len(m.factor)
		for range names[1:] {
			m.factor = append(m.factor, k)
		}
		column[k] = level
		for i, l := range level {
			if l > 0 {
				column[k][i] = first + l - 1
			}
		}
	}
	m.sums = make([]float64, len(m.factor))
	for j := range m.factor {
		m.gram = append(m.gram, make([]float64, j+1))
	}
	mean := carefulMean(values)
	present := make([]int, 0, len(factors)+1)
	for i, v := range values {
		d := v - mean
		m.squares += d * d
		present = append(present[:0], 0)
		for k := range column {
			if c := column[k][i]; c > 0 {
				present = append(present, c)
			}
		}
		for a, row := range present { // ascending, so this is the lower triangle
			m.sums[row] += d
			for _, col := range present[:a+1] {
				m.gram[row][col]++
			}
		}
	}
	return m
}

// fit returns the residual sum of squares without one factor (none for −1), and the rank, by
// Cholesky's decomposition that passes over columns which those before already span.
func (m additive) fit(but int) (rss float64, rank int) {
	rss = m.squares
	var used []int
	lower := make([][]float64, len(m.factor))
	var z []float64
	for j, f := range m.factor {
		if f == but && f >= 0 {
			continue
		}
		row := make([]float64, len(used))
		pivot, sum := m.gram[j][j], m.sums[j]
		for a, i := range used {
			v := m.gram[j][i]
			for b := range a {
				v -= lower[i][b] * row[b]
			}
			row[a] = v / lower[i][a]
			pivot -= row[a] * row[a]
			sum -= row[a] * z[a]
		}
		if pivot <= 1e-9*m.gram[j][j] {
			continue
		}
		root := math.Sqrt(pivot)
		lower[j] = append(row, root)
		used = append(used, j)
		z = append(z, sum/root)
		rss -= sum / root * (sum / root)
	}
	return math.Max(0, rss), len(used)
}
