package chart

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"testing"

	"plumbsquare/internal/spc"
)

// process draws n values about 3 with sigma 4 whose level rises by shift at start.
func process(seed uint64, n, start int, shift float64) []float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, n)
	for i := range x {
		x[i] = 3 + 4*r.NormFloat64()
		if i >= start {
			x[i] += shift
		}
	}
	return x
}

func lots(n, size int) []string {
	names := make([]string, n)
	for i := range names {
		names[i] = fmt.Sprintf("K%d", 200+i/size)
	}
	return names
}

func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// figures are what the tests draw and look at.
func figures(t testing.TB) map[string]Figure {
	t.Helper()
	all := must[[]spc.Rule](t)(spc.ParseRules("nelson"))
	charts := must[[]spc.Chart](t)
	rules := spc.Options{Rules: all}

	x := process(1, 125, 90, 7)
	fixed := rules
	fixed.Phases = []spc.Phase{{Baseline: spc.Span{From: 0, To: 60}}}
	phased := rules
	phased.Phases = []spc.Phase{{Name: "before"}, {Name: "after the nozzle change", Start: 12}}
	groups := must[[]spc.Subgroup[string]](t)(spc.GroupBy(x, lots(125, 5)))
	names := make([]string, len(groups))
	for i, g := range groups {
		names[i] = g.Key
	}

	counts, sites, units := make([]float64, 40), make([]float64, 40), make([]float64, 40)
	r := rand.New(rand.NewPCG(2, 2))
	for i := range counts {
		units[i] = float64(20 + i%3*10)
		sites[i] = units[i] * 1.004
		for range int(units[i]) {
			if r.Float64() < 0.06 {
				counts[i]++
			}
		}
	}
	counts[33] = 9
	long := process(3, 20000, 15000, 2)
	few := process(4, 2, 2, 0)
	same := []float64{5, 5.1, 5, 5.1, 5, 5}
	found := map[string]Figure{
		"individuals": Control{
			Title: "Offset X of the die, part dunlin", Notes: []string{"125 samples in 25 lots; limits from the first 60"},
			Quantity: "offset X", Unit: "µm", Charts: charts(spc.Individuals(x, fixed)),
			Labels: lots(125, 5), LabelsOf: "lot",
			Events: []Event{{60, "nozzle N3 changed"}, {64, "offset of +2 µm entered on head H1"}},
		},
		"ewma": Control{
			Title: "EWMA of offset X", Quantity: "offset X", Unit: "µm", Behind: x, Labels: lots(125, 5), LabelsOf: "lot",
			Charts: []spc.Chart{must[spc.Chart](t)(spc.EWMA{}.Chart(x, spc.Options{Phases: fixed.Phases}))},
		},
		"xbar-s": Control{
			Title: "Offset X of the die, part dunlin", Quantity: "offset X", Unit: "µm",
			Charts: charts(spc.XbarS(spc.Values(groups), phased)), Labels: names, LabelsOf: "lot",
		},
		"xbar-r": Control{
			Title: "Rotation of the die", Quantity: "θ", Unit: "°",
			Charts: charts(spc.XbarR(spc.Values(groups), rules)), Labels: names, LabelsOf: "lot",
		},
		"u": Control{
			Title: "Missing columns, part tern", Quantity: "missing columns per 1000 sites",
			Charts: []spc.Chart{must[spc.Chart](t)(spc.UChart(counts, sites, rules))},
		},
		"p": Control{
			Title: "Samples not accepted", Quantity: "fraction not accepted",
			Charts: []spc.Chart{must[spc.Chart](t)(spc.PChart(counts, units, rules))},
		},
		"long":  Control{Title: "Many values", Quantity: "x", Unit: "µm", Charts: charts(spc.Individuals(long, fixed))},
		"two":   Control{Title: "Two values", Quantity: "x", Unit: "µm", Charts: charts(spc.Individuals(few, rules)), Labels: []string{"a", "b"}},
		"tight": Control{Title: "Hardly any spread", Quantity: "x", Charts: charts(spc.Individuals(same, rules))},
		"long names": Control{
			Title:    "A title that is much longer than a single line of the figure can hold, because somebody put the whole history of the lot into it, twice",
			Quantity: "offset X of the die against the substrate's datum after reflow", Unit: "µm",
			Charts: charts(spc.Individuals(process(5, 40, 40, 0), rules)), Labels: longNames(40), LabelsOf: "lot",
		},
		"scatter": Scatter{
			Title: "Where the die sits, part dunlin", Notes: []string{"125 samples"}, Unit: "µm", LimitX: 40, LimitY: 30,
			Clouds: []Cloud{
				{"head H1", process(6, 60, 0, 2), process(7, 60, 0, -6)}, {"head H2", process(8, 50, 0, 9), process(9, 50, 0, 1)},
				{"head H3", process(10, 3, 0, -9), process(11, 3, 0, 1)},
			},
		},
		"scatter far": Scatter{
			Title: "Where the die sits", Unit: "µm", LimitRadius: 500, Clouds: []Cloud{{"all heads", process(6, 60, 0, 2), process(7, 60, 0, -6)}},
		},
		"histogram": Histogram{
			Title: "Offset X of the die", Quantity: "offset X", Unit: "µm", Values: x,
			Capability: capability(t, groups, spc.Tolerance{Lower: -20, Upper: 25}),
		},
		"histogram plain": Histogram{Title: "Three values", Quantity: "x", Values: []float64{1, 1, 4}},
		"histogram alike": Histogram{Title: "One value, often", Quantity: "x", Values: []float64{5, 5, 5, 5}},
		"histogram far": Histogram{
			Title: "Limits far away", Quantity: "offset X", Unit: "µm", Values: x, Capability: capability(t, groups, spc.AtMost(900)),
		},
		"probability": Probability{Title: "Is it normal?", Quantity: "offset X", Unit: "µm", Values: x, Fits: fits(t, x, spc.Normal)},
		"factors": Factors{
			Title: "What explains the variance", Quantity: "offset X", Unit: "µm",
			Effects: must[[]spc.FactorEffect](t)(spc.RankFactors(x, []spc.Factor{
				{Name: "head", Levels: cycle(125, "H1", "H2")}, {Name: "shift", Levels: halves(125, "early", "a late shift with a long name")},
				{Name: "nozzle", Levels: cycle(125, "N1", "N2", "N3", "N4", "N5", "N6", "N7")},
			}, spc.FactorOptions{})),
		},
		"t2":          t2(t, x, process(13, 125, 100, 9)),
		"sites":       Sites{Title: "Columns of part tern", Notes: []string{"12 samples, 1004 sites"}, Sites: someSites(32, 32)},
		"sites small": Sites{Title: "Balls", Sites: someSites(4, 7)},
	}
	maps.Copy(found, driftFigures(t))
	maps.Copy(found, arrayFigures(t))
	return found
}

func longNames(n int) []string {
	names := make([]string, n)
	for i := range names {
		names[i] = fmt.Sprintf("WEEK-07/LINE-2/LOT-%04d", i)
	}
	return names
}

func someSites(rows, columns int) (sites []Site) {
	r := rand.New(rand.NewPCG(12, 1))
	for row := 1; row <= rows; row++ {
		for column := 1; column <= columns; column++ {
			s := Site{Row: row, Column: column, RowName: string(rune('A' + row - 1))}
			if row > 20 {
				s.RowName = "A" + string(rune('A'+row-21))
			}
			switch v := r.Float64(); {
			case v < 0.01:
				s.Missing = 1 + r.IntN(12)
			case v < 0.02:
				s.Tilted = 1 + r.IntN(2)
			case v < 0.025:
				s.Away = 1
			}
			sites = append(sites, s)
		}
	}
	return sites
}

func cycle(n int, levels ...string) (all []string) {
	for i := range n {
		all = append(all, levels[i%len(levels)])
	}
	return all
}

func halves(n int, first, second string) (all []string) {
	for i := range n {
		if i < n/2 {
			all = append(all, first)
		} else {
			all = append(all, second)
		}
	}
	return all
}

func capability(t testing.TB, groups []spc.Subgroup[string], tol spc.Tolerance) *spc.Capability {
	c := must[spc.Capability](t)(spc.AssessCapability(spc.Values(groups), tol, spc.CapabilityOptions{}))
	return &c
}

func fits(t testing.TB, x []float64, families ...spc.Family) (all []spc.Fit) {
	for _, f := range families {
		all = append(all, must[spc.Fit](t)(spc.FitDistribution(x, f)))
	}
	return all
}

func t2(t testing.TB, x, y []float64) Figure {
	var vectors [][]float64
	for i := range x {
		vectors = append(vectors, []float64{x[i], y[i]})
	}
	v := must[*spc.VectorChart](t)(spc.T2Individuals(vectors, spc.VectorOptions{Names: []string{"offset X", "offset Y"}}))
	return Control{
		Title: "X and Y together", Charts: []spc.Chart{v.Chart}, Labels: lots(len(x), 5), LabelsOf: "lot",
		Strips: Contributions(v), Remarks: []string{"Point 3: " + v.Cause(2)},
	}
}
