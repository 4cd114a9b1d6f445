package spc

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
)

// tableRows reads a CSV of testdata as one map a row.
func tableRows(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = r[i]
		}
		out = append(out, m)
	}
	return out
}

func number(t testing.TB, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// byTableName gives the factor that the published tables call name.
func (c Constants) byTableName(name string) float64 {
	return map[string]float64{
		"d2": c.D2, "d3": c.D3, "c4": c.C4, "c5": c.C5, "d4median": c.MedianRange,
		"A": c.A, "A2": c.A2, "A3": c.A3, "B3": c.B3, "B4": c.B4, "B5": c.B5, "B6": c.B6,
		"D1": c.RangeD1, "D2": c.RangeD2, "D3": c.RangeD3, "D4": c.RangeD4, "E2": c.E2, "E3": c.E3,
	}[name]
}

// Computed by numerical integration with 14 digits (mpmath), n = 2 to 25.
func TestConstantsComputed(t *testing.T) {
	for _, row := range tableRows(t, "constants_computed.csv") {
		n, _ := strconv.Atoi(row["n"])
		c, err := ConstantsFor(n)
		if err != nil {
			t.Fatal(err)
		}
		for name, s := range row {
			if name == "n" {
				continue
			}
			want := number(t, s)
			if got := c.byTableName(name); math.Abs(got-want) > 1e-11*math.Max(want, 1e-2) {
				t.Errorf("%s(%d): got %.15g want %s", name, n, got, s)
			}
		}
	}
}

// The table every textbook prints (ASTM MNL 7, AIAG), transcribed from several copies. Ten of its
// last digits are not the rounded true value; two units of the last digit are allowed.
func TestConstantsPublished(t *testing.T) {
	for _, row := range tableRows(t, "constants_published.csv") {
		checkPrinted(t, row, 2)
	}
}

// B5 and B6 as printed in textbook table A.22, E2 as in the AIAG table; E2(2) = 2.660 is 3/1.128
// and not the rounded true value.
func TestConstantsPublishedB5B6E2(t *testing.T) {
	for _, row := range tableRows(t, "constants_published_b5_b6_e2.csv") {
		units := 0.5
		if row["is_rounded_true_value"] == "no" {
			units = 2
		}
		checkPrinted(t, row, units)
	}
}

func checkPrinted(t *testing.T, row map[string]string, units float64) {
	t.Helper()
	n, _ := strconv.Atoi(row["n"])
	c, err := ConstantsFor(n)
	if err != nil {
		t.Fatal(err)
	}
	printed := row["printed"]
	if got := c.byTableName(row["constant"]); math.Abs(got-number(t, printed)) > units*lastDigit(printed)+1e-12 {
		t.Errorf("%s(%d): got %.6g, printed %s", row["constant"], n, got, printed)
	}
}

// lastDigit gives the unit of the last digit of a printed number.
func lastDigit(printed string) float64 {
	for i := range printed {
		if printed[i] == '.' {
			return math.Pow10(-(len(printed) - i - 1))
		}
	}
	return 1
}

// Closed forms: d2(2) = 2/√π, d2(3) = 3/√π, d3(2)² = 2 − 4/π, d3(3)² from Var(R) of three normal
// values, 2 − 9/π + 3√3/π, c4(2) = √(2/π); the median of |x1−x2| is √2·0.6745.
func TestConstantsClosedForms(t *testing.T) {
	c2, _ := ConstantsFor(2)
	c3, _ := ConstantsFor(3)
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"d2(2)", c2.D2, 2 / math.Sqrt(math.Pi)},
		{"d2(3)", c3.D2, 3 / math.Sqrt(math.Pi)},
		{"d3(2)", c2.D3, math.Sqrt(2 - 4/math.Pi)},
		{"d3(3)", c3.D3, math.Sqrt(2 - 9/math.Pi + 3*math.Sqrt(3)/math.Pi)},
		{"c4(2)", c2.C4, math.Sqrt(2 / math.Pi)},
		{"c4(3)", c3.C4, math.Sqrt(math.Pi) / 2},
		{"median range(2)", c2.MedianRange, math.Sqrt2 * 0.67448975019608171},
		{"median sd(2)", c2.MedianSD, 0.67448975019608171},
	} {
		if math.Abs(c.got-c.want) > 1e-13 {
			t.Errorf("%s: got %.16g want %.16g", c.name, c.got, c.want)
		}
	}
}

// Large subgroups: the series of c4 joins the gamma functions; d2 by mpmath with 20 digits.
func TestConstantsLargeSubgroups(t *testing.T) {
	for n := 150; n < 202; n++ {
		if step := C4(n+1) - C4(n); step <= 0 || step > 1e-4 {
			t.Errorf("c4 is not smooth at n = %d: step %g", n, step)
		}
	}
	for n, want := range map[int]float64{100: 5.015187272883369, 1000: 6.482871538266882, 10000: 7.703231634133350} {
		if got := D2(n); math.Abs(got-want) > 1e-12 {
			t.Errorf("d2(%d): got %.15f want %.15f", n, got, want)
		}
	}
	if got := C4(1_000_000); math.Abs(got-(1-1./4/999_999)) > 1e-12 {
		t.Errorf("c4(1e6): got %.15f", got)
	}
	for _, n := range []int{1, 0, -3} {
		if _, err := ConstantsFor(n); err == nil {
			t.Errorf("n = %d: want an error", n)
		}
		if !math.IsNaN(D2(n)) || !math.IsNaN(D3(n)) || !math.IsNaN(C4(n)) {
			t.Errorf("n = %d: want NaN", n)
		}
	}
}
