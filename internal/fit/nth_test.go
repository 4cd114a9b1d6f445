package fit_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/fit"
)

// Against the standard library's sort.
func TestNthIsWhatSortingPutsThere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		level := rapid.Float64Range(-3, 3)
		if rapid.Bool().Draw(t, "few values") {
			level = rapid.SampledFrom([]float64{0, 1, 2})
		}
		v := rapid.SliceOfN(level, 1, 60).Draw(t, "values")
		k := rapid.IntRange(0, len(v)-1).Draw(t, "place")
		sorted := slices.Sorted(slices.Values(v))
		if got := fit.Nth(v, k); got != sorted[k] {
			t.Fatalf("Nth %d is %g, sorting puts %g there", k, got, sorted[k])
		}
		if k > 0 && slices.Max(v[:k]) > v[k] || slices.Min(v[k:]) < v[k] {
			t.Fatalf("%v isn't parted at %d", v, k)
		}
		if slices.Sort(v); !slices.Equal(v, sorted) {
			t.Fatal("values were lost")
		}
	})
}
