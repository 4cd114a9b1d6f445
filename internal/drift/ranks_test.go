package drift_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"plumbsquare/internal/drift"
)

// days makes samples of so many days, lots a day and values a lot, with these standard deviations.
func days(rng *rand.Rand, n [3]int, sigma [3]float64) drift.Samples {
	var s drift.Samples
	start := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	for d := range n[0] {
		day := sigma[0] * rng.NormFloat64()
		for l := range n[1] {
			lot := sigma[1] * rng.NormFloat64()
			for v := range n[2] {
				s.Values = append(s.Values, day+lot+sigma[2]*rng.NormFloat64())
				s.Lots = append(s.Lots, fmt.Sprintf("L%d-%d", d, l))
				s.Times = append(s.Times, start.AddDate(0, 0, d).Add(time.Duration(l)*time.Hour+time.Duration(v)*time.Minute))
			}
		}
	}
	return s
}

// Components come back from where they were put: 1, 2 and 1.5 squared over 200 days of 5 lots of 4. The
// standard error of a variance from n independent ones is √(2/n) of it.
func TestNestedComponents(t *testing.T) {
	study, err := drift.Analyse(days(rand.New(rand.NewPCG(3, 4)), [3]int{200, 5, 4}, [3]float64{1, 2, 1.5}), drift.Options{})
	if err != nil {
		t.Fatal(err)
	}
	n := study.Nested
	if n == nil {
		t.Fatal("no components")
	}
	for _, c := range []struct {
		name      string
		got, want float64
		within    float64
	}{
		{"days", n.VarGroup, 1, 4 * math.Sqrt(2.0/200) * (1 + 4.0/5)}, {"lots", n.VarSubgroup, 4, 4 * 4 * math.Sqrt(2.0/800)}, {"within", n.VarWithin, 2.25, 4 * 2.25 * math.Sqrt(2.0/3000)},
	} {
		if math.Abs(c.got-c.want) > c.within {
			t.Errorf("%s: %v, want %v ± %.2g", c.name, c.got, c.want, c.within)
		}
	}
	for name, s := range map[string]drift.Samples{
		"one day": days(rand.New(rand.NewPCG(3, 4)), [3]int{1, 10, 4}, [3]float64{1, 1, 1}), "one value a lot": days(rand.New(rand.NewPCG(3, 4)), [3]int{10, 5, 1}, [3]float64{1, 1, 1}),
		"one lot a day": days(rand.New(rand.NewPCG(3, 4)), [3]int{10, 1, 5}, [3]float64{1, 1, 1}),
	} {
		if study, err := drift.Analyse(s, drift.Options{}); err != nil || study.Nested != nil {
			t.Errorf("%s: %+v, %v; want no components", name, study.Nested, err)
		}
	}
}

// Two values far off neither make a step of a steady line nor hide one.
func TestRanksArentSwayed(t *testing.T) {
	s := days(rand.New(rand.NewPCG(5, 6)), [3]int{10, 4, 1}, [3]float64{0, 0, 1})
	for i := range s.Values {
		if i >= 24 {
			s.Values[i] += 2.5
		}
	}
	s.Values[3], s.Values[30] = 60, -60
	study, err := drift.Analyse(s, drift.Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := study.Ranks
	if r == nil || r.Step.P > 0.01 || math.Abs(float64(r.Step.After)-24) > 3 || r.StepAfter.Number != r.Step.After {
		t.Fatalf("ranks %+v, want a step about 24", r)
	}
	if text := r.Text("µm"); !strings.Contains(text, "Pettitt, p 0.0") || !strings.Contains(text, "µm a day (") || !strings.Contains(text, "Mann–Kendall") {
		t.Errorf("text %q", text)
	}
	s.Values = s.Values[:5]
	s.Lots, s.Times = s.Lots[:5], s.Times[:5]
	if study, err := drift.Analyse(s, drift.Options{}); err != nil || study.Ranks != nil {
		t.Errorf("of five points: %+v, %v", study.Ranks, err)
	}
}
