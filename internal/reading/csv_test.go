package reading_test

import (
	"encoding/csv"
	"fmt"
	"strings"
	"testing"

	"plumbsquare/internal/reading"
)

// table returns the rows that a table has written, by the names of the columns.
func table(t *testing.T, text string) (rows []map[string]string) {
	t.Helper()
	lines, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range lines[1:] {
		row := map[string]string{}
		for i, name := range lines[0] {
			if _, twice := row[name]; twice {
				t.Errorf("two columns are named %s", name)
			}
			row[name] = l[i]
		}
		rows = append(rows, row)
	}
	return rows
}

func TestShotTable(t *testing.T) {
	r := full()
	r.Source.Picture = `odd, "name".png`
	r.Offset.XUm, r.Offset.UXUm = -1.0/3, 0.1
	r.Refusal = nil
	r.Verdict.Reasons = []reading.Reason{{Decision: reading.Reject, Text: "too far"}, {Decision: reading.Accept, Text: "fine"}, {Decision: reading.Review, Text: "near"}}
	refused := &reading.Reading{Refusal: &reading.Refusal{Gate: "defocus", Instruction: "focus"}}
	var b strings.Builder
	w, err := reading.NewShotTable(&b)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range []*reading.Reading{r, refused} {
		if err := w.Write(r); err != nil {
			t.Fatal(err)
		}
	}
	rows := table(t, b.String())
	for _, c := range []struct {
		row        int
		name, want string
	}{
		{0, "picture", `odd, "name".png`}, {0, "x_um", "-0.3333333333333333"}, {0, "u_x_um", "0.1"}, {0, "reasons", "too far; near"},
		{0, "retake_gate", ""}, {0, "missing", "2"}, {0, "substrate_scale", "1.5"}, {0, "worst_bump_um", "1.5"},
		{1, "retake_gate", "defocus"}, {1, "reasons", "focus"}, {1, "x_um", ""}, {1, "missing", ""}, {1, "substrate_scale", ""}, {1, "worst_bump_um", ""},
	} {
		if got := rows[c.row][c.name]; got != c.want {
			t.Errorf("row %d, %s: got %q, want %q", c.row, c.name, got, c.want)
		}
	}
}

func TestSiteTable(t *testing.T) {
	site := reading.Site{State: reading.Present, DXUm: 1, TiltDeg: 2, DiameterUm: 3}
	missing := reading.Site{Name: "A2", State: reading.Missing, XPx: 7}
	columns, balls := full(), full()
	columns.Array.Sites = []reading.Site{site, missing}
	balls.Array.Kind, balls.Array.Sites = "balls", []reading.Site{site}
	none := full()
	none.Array = nil
	var b strings.Builder
	w, err := reading.NewSiteTable(&b)
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range []*reading.Reading{columns, none, balls} {
		if err := w.Write(r); err != nil {
			t.Fatal(err)
		}
	}
	var got strings.Builder
	for _, r := range table(t, b.String()) {
		fmt.Fprintln(&got, r["site"], r["state"], r["x_px"], r["dx_um"], r["tilt_deg"], r["diameter_um"])
	}
	// A missing one has no offset and no tilt, a ball no tilt.
	want := " present 0 1 2 3\nA2 missing 7   \n present 0 1  3\n"
	if got.String() != want {
		t.Errorf("got\n%swant\n%s", got.String(), want)
	}
}

func ExamplePlusMinus() {
	fmt.Println(reading.PlusMinus(12.3417, 0.3124), "µm")
	fmt.Println(reading.PlusMinus(-0.25374, 0.00419), "°")
	// Output:
	// 12.34 ± 0.31 µm
	// −0.254 ± 0.004 °
}
