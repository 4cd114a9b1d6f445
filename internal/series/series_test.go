package series_test

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/part"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

func table(t testing.TB, text string) *series.Table {
	t.Helper()
	got, err := series.ReadCSV(strings.NewReader(text), "t.csv")
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func TestReadCSV(t *testing.T) {
	for name, text := range map[string]string{
		"comma":     "a,b,verdict\n1,x,accept\n2,y,retake\n3,x,review\n",
		"semicolon": "a; b; verdict\r\n1; x; accept\r\n2; y; retake\r\n3; x; review\r\n",
		"tab":       "\ufeffa\tb\tverdict\n1\tx\taccept\n\n2\ty\tretake\n3\tx\treview\n",
	} {
		got := table(t, text)
		if got.Len() != 2 || got.Retakes != 1 {
			t.Errorf("%s: %d rows, %d retakes, want 2 and 1", name, got.Len(), got.Retakes)
		}
		a, err := got.Numbers("a")
		if err != nil || !slices.Equal(a, []float64{1, 3}) {
			t.Errorf("%s: a = %v, %v", name, a, err)
		}
		if b, err := got.Text("b"); err != nil || !slices.Equal(b, []string{"x", "x"}) {
			t.Errorf("%s: b = %q, %v", name, b, err)
		}
	}
}

// Sorting keeps rows whole, and those of one time in their order.
func TestSort(t *testing.T) {
	got := table(t, "at,n\n2031-03-02 08:00,3\n2031-03-01,1\n2031-03-02T08:00:00Z,4\n2031-03-01T23:00:00-02:00,2\n")
	if err := got.Sort("at"); err != nil {
		t.Fatal(err)
	}
	if n, _ := got.Numbers("n"); !slices.Equal(n, []float64{1, 2, 3, 4}) {
		t.Errorf("order %v", n)
	}
}

func TestSplit(t *testing.T) {
	whole := table(t, "head,x\nH2,1\nH1,2\nH2,3\n")
	levels, parts, err := whole.Split("head")
	if err != nil || !slices.Equal(levels, []string{"H1", "H2"}) {
		t.Fatalf("levels %v, %v", levels, err)
	}
	if x, _ := parts[1].Numbers("x"); !slices.Equal(x, []float64{1, 3}) {
		t.Errorf("H2 has %v", x)
	}
	if whole.Len() != 3 {
		t.Errorf("splitting left %d rows", whole.Len())
	}
}

func TestSuggest(t *testing.T) {
	keys := func(groups, size int) (k []string) {
		for g := range groups {
			for range size {
				k = append(k, string(rune('A'+g)))
			}
		}
		return k
	}
	for _, c := range []struct {
		name string
		keys []string
		want series.Kind
	}{
		{"no lots", nil, series.Individuals},
		{"one a lot", keys(20, 1), series.Individuals},
		{"few lots", keys(4, 5), series.Individuals},
		{"small lots", keys(10, 5), series.XbarR},
		{"large lots", keys(10, 12), series.XbarS},
		{"lots of many sizes", append(keys(10, 3), "A"), series.XbarS},
		{"a lot of one", append(keys(10, 3), "Z"), series.Individuals},
	} {
		n := 20
		if c.keys != nil {
			n = len(c.keys)
		}
		if got := (series.Series{Values: make([]float64, n), Keys: c.keys}).Suggest(); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

// Pooling loses nothing and makes one point a lot.
func TestPooled(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := series.Series{
			Keys: rapid.SliceOfN(rapid.SampledFrom([]string{"a", "b", "c"}), 1, 30).Draw(t, "keys"),
		}
		for range s.Keys {
			s.Values = append(s.Values, float64(rapid.IntRange(0, 9).Draw(t, "count")))
			s.Sizes = append(s.Sizes, float64(rapid.IntRange(10, 99).Draw(t, "size")))
		}
		p := s.Pooled()
		sum := func(x []float64) (v float64) {
			for _, q := range x {
				v += q
			}
			return v
		}
		if sum(p.Values) != sum(s.Values) || sum(p.Sizes) != sum(s.Sizes) {
			t.Fatalf("pooled %v of %v, from %v of %v", p.Values, p.Sizes, s.Values, s.Sizes)
		}
		seen := map[string]bool{}
		for _, k := range p.Keys {
			if seen[k] {
				t.Fatalf("lot %s twice in %v", k, p.Keys)
			}
			seen[k] = true
		}
	})
}

// Hits at points in a row are one signal; a gap begins another.
func TestSignals(t *testing.T) {
	x := []float64{0, 1, 0, 1, 0, 1, 9, 9, 9, 0, 1, 0, 9, 0}
	centre, sigma := 0.5, 1.0
	charts, err := spc.Individuals(x, spc.Options{Phases: []spc.Phase{{Center: &centre, Sigma: &sigma}}})
	if err != nil {
		t.Fatal(err)
	}
	got := series.Signals(&charts[0], []string{12: "K7", 13: ""}, "lot")
	if len(got) != 2 || got[0].From != 6 || got[0].To != 8 || got[1].From != 12 || got[1].To != 12 {
		t.Fatalf("signals %+v", got)
	}
	if !strings.Contains(got[0].Text, "Nelson 1 at point 7: ") || !strings.HasSuffix(got[0].Text, ", and at every point up to 9") {
		t.Errorf("first signal: %s", got[0].Text)
	}
	if !strings.HasSuffix(got[1].Text, " [lot K7]") {
		t.Errorf("second signal: %s", got[1].Text)
	}
}

func TestToleranceOf(t *testing.T) {
	l := part.Limits{OffsetXUm: 100, CapXUm: 250, ThetaDeg: 0.5, BumpUm: 125}
	for _, c := range []struct {
		column, of string
		want       spc.Tolerance
		judged     bool
	}{
		{"x_um", "die", spc.Tolerance{Lower: -100, Upper: 100}, true},
		{"x_um", "cap", spc.Tolerance{Lower: -250, Upper: 250}, true},
		{"worst_bump_um", "die", spc.AtMost(125), true},
		{"y_um", "die", spc.Tolerance{}, false},
		{"blur_px", "die", spc.Tolerance{}, false},
	} {
		got, judged := series.ToleranceOf(c.column, c.of, l)
		if got != c.want || judged != c.judged {
			t.Errorf("%s of the %s: %v, %v", c.column, c.of, got, judged)
		}
	}
}

func TestQuantityOf(t *testing.T) {
	for column, want := range map[string]series.Quantity{
		"x_um": {Name: "offset X", Unit: "µm"}, "pull_force_mm": {Name: "pull force", Unit: "mm"},
		"flow": {Name: "flow"}, "_um": {Name: "_um"}, "missing": {Name: "missing sites"},
	} {
		if got := series.QuantityOf(column); got != want {
			t.Errorf("%s: %+v", column, got)
		}
	}
}

// Whatever the bytes are, a table comes out with rows as wide as its names, or an error that
// begins with the file's name.
func FuzzReadCSV(f *testing.F) {
	f.Add("a,b\n1,2\n")
	f.Add("a;b\n\"1\n2\";3")
	f.Fuzz(func(t *testing.T, text string) {
		got, err := series.ReadCSV(strings.NewReader(text), "t.csv")
		if err != nil {
			if !strings.HasPrefix(err.Error(), "t.csv:") {
				t.Errorf("error doesn't name the file: %v", err)
			}
			return
		}
		for _, c := range got.Columns {
			if c == "" {
				continue
			}
			if v, err := got.Text(c); err != nil || len(v) != got.Len() {
				t.Errorf("column %q: %d values of %d rows, %v", c, len(v), got.Len(), err)
			}
			got.Numbers(c)
		}
	})
}
