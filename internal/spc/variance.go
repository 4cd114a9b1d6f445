package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// An OneWay is the analysis of variance of groups.
type OneWay struct {
	Groups, N             int
	DFBetween, DFWithin   int
	SSBetween, SSWithin   float64
	MSBetween, MSWithin   float64
	F, P                  float64 // of no difference between group means
	R2                    float64 // SSBetween over the total
	ResidualSD            float64 // √MSWithin
	Omega2                float64 // part of the variance that groups explain, corrected for chance (Hays); at least 0
	VarBetween, VarWithin float64 // variance components, groups taken as random; VarBetween at least 0
	Negative              bool    // the estimate of VarBetween was negative and is given as 0
}

// AnalyseOneWay tests whether groups differ in their means. Groups may differ in size. It returns
// an error for fewer than two groups, an empty one, no replication at all, a value that isn't
// finite, or values that don't vary.
func AnalyseOneWay(groups [][]float64) (OneWay, error) {
	fail := func(err error) (OneWay, error) { return OneWay{}, fmt.Errorf("analysis of variance: %w", err) }
	if len(groups) < 2 {
		return fail(fmt.Errorf("want at least 2 groups, got %d", len(groups)))
	}
	all, err := flatten(groups)
	if err != nil {
		return fail(err)
	}
	a := OneWay{Groups: len(groups), N: len(all), DFBetween: len(groups) - 1, DFWithin: len(all) - len(groups)}
	if a.DFWithin < 1 {
		return fail(fmt.Errorf("every group holds one value: nothing shows the spread within groups"))
	}
	grand := carefulMean(all)
	var squares float64
	for _, g := range groups {
		n := float64(len(g))
		squares += n * n
		m := carefulMean(g)
		a.SSBetween += n * (m - grand) * (m - grand)
		a.SSWithin += sumOfSquares(g, m)
	}
	total := a.SSBetween + a.SSWithin
	if !(total > 0) {
		return fail(fmt.Errorf("all %d values equal %v", len(all), all[0]))
	}
	a.MSBetween, a.MSWithin = a.SSBetween/float64(a.DFBetween), a.SSWithin/float64(a.DFWithin)
	a.F, a.P = fTest(a.MSBetween, a.MSWithin, a.DFBetween, a.DFWithin)
	a.R2, a.ResidualSD = a.SSBetween/total, math.Sqrt(a.MSWithin)
	a.Omega2 = math.Max(0, (a.SSBetween-float64(a.DFBetween)*a.MSWithin)/(total+a.MSWithin))
	n0 := (float64(a.N) - squares/float64(a.N)) / float64(a.DFBetween)
	a.VarWithin, a.VarBetween = a.MSWithin, (a.MSBetween-a.MSWithin)/n0
	if a.VarBetween < 0 {
		a.VarBetween, a.Negative = 0, true
	}
	return a, nil
}

// fTest returns F and its upper tail. Without spread within, a difference is certain.
func fTest(between, within float64, df1, df2 int) (f, p float64) {
	if within == 0 {
		if between == 0 {
			return 0, 1
		}
		return math.Inf(1), 0
	}
	f = between / within
	return f, distuv.F{D1: float64(df1), D2: float64(df2)}.Survival(f)
}

// A Nested is the analysis of variance of values in subgroups in groups, such as sites in samples
// in lots.
type Nested struct {
	Mean                              float64
	N                                 int
	DFGroup, DFSubgroup, DFWithin     int
	SSGroup, SSSubgroup, SSWithin     float64
	MSGroup, MSSubgroup, MSWithin     float64
	FGroup, PGroup                    float64 // groups against subgroups in them; approximate where sizes differ
	FSubgroup, PSubgroup              float64 // subgroups against values in them
	VarGroup, VarSubgroup, VarWithin  float64 // variance components by the method of moments, at least 0
	ShareGroup, ShareSub, ShareWithin float64 // of their sum
	Negative                          bool    // a component came out negative and is given as 0
}

// AnalyseNested splits the variance of data[group][subgroup][value]. Sizes may differ: expected
// mean squares are those of Searle (1971, Linear Models, 11.3), variance components by equating
// them. It returns an error for fewer than two groups, an empty part, no replication at a level, a
// value that isn't finite, or values that don't vary.
func AnalyseNested(data [][][]float64) (Nested, error) {
	fail := func(err error) (Nested, error) {
		return Nested{}, fmt.Errorf("nested analysis of variance: %w", err)
	}
	if len(data) < 2 {
		return fail(fmt.Errorf("want at least 2 groups, got %d", len(data)))
	}
	var all []float64
	subgroups := 0
	for i, g := range data {
		v, err := flatten(g)
		if err != nil {
			return fail(fmt.Errorf("group %d: %w", i+1, err))
		}
		all = append(all, v...)
		subgroups += len(g)
	}
	a := Nested{Mean: carefulMean(all), N: len(all), DFGroup: len(data) - 1, DFSubgroup: subgroups - len(data), DFWithin: len(all) - subgroups}
	if a.DFSubgroup < 1 || a.DFWithin < 1 {
		return fail(fmt.Errorf("%d groups hold %d subgroups with %d values: want more subgroups than groups and more values than subgroups", len(data), subgroups, len(all)))
	}
	// Σnᵢⱼ², Σnᵢ² over N, and Σnᵢⱼ²/nᵢ give the coefficients of the expected mean squares.
	var subSquares, groupSquares, ratio float64
	for _, g := range data {
		v, _ := flatten(g)
		ni, mi := float64(len(v)), carefulMean(v)
		groupSquares += ni * ni
		a.SSGroup += ni * (mi - a.Mean) * (mi - a.Mean)
		for _, s := range g {
			n, m := float64(len(s)), carefulMean(s)
			subSquares += n * n
			ratio += n * n / ni
			a.SSSubgroup += n * (m - mi) * (m - mi)
			a.SSWithin += sumOfSquares(s, m)
		}
	}
	if !(a.SSGroup+a.SSSubgroup+a.SSWithin > 0) {
		return fail(fmt.Errorf("all %d values equal %v", a.N, all[0]))
	}
	a.MSGroup = a.SSGroup / float64(a.DFGroup)
	a.MSSubgroup = a.SSSubgroup / float64(a.DFSubgroup)
	a.MSWithin = a.SSWithin / float64(a.DFWithin)
	a.FGroup, a.PGroup = fTest(a.MSGroup, a.MSSubgroup, a.DFGroup, a.DFSubgroup)
	a.FSubgroup, a.PSubgroup = fTest(a.MSSubgroup, a.MSWithin, a.DFSubgroup, a.DFWithin)
	n := float64(a.N)
	k1 := (n - ratio) / float64(a.DFSubgroup)         // of the subgroup component in MSSubgroup
	k2 := (ratio - subSquares/n) / float64(a.DFGroup) // of the subgroup component in MSGroup
	k3 := (n - groupSquares/n) / float64(a.DFGroup)   // of the group component in MSGroup
	a.VarWithin = a.MSWithin
	a.VarSubgroup = (a.MSSubgroup - a.MSWithin) / k1
	a.VarGroup = (a.MSGroup - a.MSWithin - k2*a.VarSubgroup) / k3
	for _, v := range []*float64{&a.VarSubgroup, &a.VarGroup} {
		if *v < 0 {
			*v, a.Negative = 0, true
		}
	}
	sum := a.VarGroup + a.VarSubgroup + a.VarWithin
	a.ShareGroup, a.ShareSub, a.ShareWithin = a.VarGroup/sum, a.VarSubgroup/sum, a.VarWithin/sum
	return a, nil
}
