package spc

import "fmt"

// A Subgroup holds values that were made under the same conditions, such as the units of one lot.
type Subgroup[K comparable] struct {
	Key    K
	Values []float64
	Rows   []int // where the values stood in the data
}

// GroupBy forms rational subgroups: the values of one key (a lot, a tray) make one subgroup, in the
// order in which keys first appear. Values keep their order within.
func GroupBy[K comparable](x []float64, keys []K) ([]Subgroup[K], error) {
	if len(x) != len(keys) {
		return nil, fmt.Errorf("subgroups: %d values but %d keys", len(x), len(keys))
	}
	var out []Subgroup[K]
	at := map[K]int{}
	for i, k := range keys {
		g, known := at[k]
		if !known {
			g = len(out)
			at[k] = g
			out = append(out, Subgroup[K]{Key: k})
		}
		out[g].Values = append(out[g].Values, x[i])
		out[g].Rows = append(out[g].Rows, i)
	}
	return out, nil
}

// Values gives the values of subgroups, as the charts take them.
func Values[K comparable](groups []Subgroup[K]) [][]float64 {
	out := make([][]float64, len(groups))
	for i, g := range groups {
		out[i] = g.Values
	}
	return out
}
