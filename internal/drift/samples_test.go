package drift_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"plumbsquare/internal/drift"
	"plumbsquare/internal/series"
)

const readings = `lot,head,nozzle,operator,taken_at,verdict,x_um
K2,H1,N1,,2031-03-04T05:00:00Z,accept,2.5
K1,H2,N1,,2031-03-03T23:00:00Z,accept,-1
K1,H1,N2,,2031-03-03T15:00:00Z,accept,1.5
K1,H1,N3,,2031-03-03T07:00:00Z,accept,0.5
K2,H2,N4,,2031-03-04T06:00:00Z,accept,
K2,H2,N4,,2031-03-04T07:00:00Z,retake,
`

func table(t *testing.T, text string) *series.Table {
	t.Helper()
	table, err := series.ReadCSV(strings.NewReader(text), "line.csv")
	if err != nil {
		t.Fatal(err)
	}
	return table
}

func TestFromTable(t *testing.T) {
	from := table(t, readings)
	s, err := drift.FromTable(from, "x_um", drift.Choice{})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(s.Values, []float64{0.5, 1.5, -1, 2.5}) || s.Blank != 1 || s.Retakes != 1 || s.Quantity.Unit != "µm" {
		t.Errorf("got %+v", s)
	}
	if !slices.Equal(s.Lots, []string{"K1", "K1", "K1", "K2"}) {
		t.Errorf("lots %v", s.Lots)
	}
	var names []string
	for _, f := range s.Factors {
		names = append(names, f.Name)
		if f.Name == "shift" && !slices.Equal(f.Levels, []string{"06–14", "14–22", "22–06", "22–06"}) {
			t.Errorf("shifts %v", f.Levels)
		}
	}
	if !slices.Equal(names, []string{"head", "nozzle", "shift"}) || !slices.Equal(s.OfTime, []string{"shift"}) {
		t.Errorf("factors %v, of time %v", names, s.OfTime)
	}
	if !slices.Equal(s.Passed, []string{"operator: nothing is given"}) {
		t.Errorf("passed %v", s.Passed)
	}
	if from.Len() != 5 {
		t.Errorf("the table was changed: %d rows", from.Len())
	}
	points := s.Points()
	if len(points) != 2 || points[0].N != 3 || math.Abs(points[0].Mean-1.0/3) > 1e-15 || points[1].Lot != "K2" || points[1].X <= points[0].X {
		t.Errorf("points %+v", points)
	}

	// Without times the order of the file counts; without lots each value is a point.
	s, err = drift.FromTable(table(t, "x,head\n3,a\n1,b\n2,\n"), "x", drift.Choice{Factors: []string{"head"}})
	if err != nil || s.Times != nil || s.Lots != nil || !slices.Equal(s.Values, []float64{3, 1, 2}) || len(s.Points()) != 3 {
		t.Errorf("got %+v, %v", s, err)
	}
	if len(s.Factors) != 0 || !slices.Equal(s.Passed, []string{"head: no level is seen twice"}) {
		t.Errorf("factors %v, passed %v", s.Factors, s.Passed)
	}
}

func TestFromTableRefuses(t *testing.T) {
	for _, c := range []struct {
		value  string
		choice drift.Choice
		want   string
	}{
		{"y_um", drift.Choice{}, "line.csv: no column is called \"y_um\"; did you mean x_um?"},
		{"x_um", drift.Choice{Time: "lot"}, "line.csv:2: column lot: want a time"},
		{"x_um", drift.Choice{Lot: "batch"}, "line.csv: no column is called \"batch\""},
		{"x_um", drift.Choice{Factors: []string{"hed"}}, "line.csv: no column is called \"hed\"; did you mean head?"},
		{"x_um", drift.Choice{Factors: []string{"operator"}, Required: true}, "line.csv: column operator: nothing is given"},
		{"operator", drift.Choice{}, "line.csv: column operator: there is no value"},
	} {
		_, err := drift.FromTable(table(t, readings), c.value, c.choice)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s, %+v: got %v, want %q", c.value, c.choice, err, c.want)
		}
	}
}
