package part_test

import (
	"crypto/sha256"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/strictyaml"
)

// files returns the paths of all part files at hand.
func files(tb testing.TB) []string {
	tb.Helper()
	var all []string
	for _, pattern := range []string{"../../examples/parts/*.yaml", "testdata/*.yaml"} {
		found, err := filepath.Glob(pattern)
		if err != nil || len(found) == 0 {
			tb.Fatalf("%s: %d files, %v", pattern, len(found), err)
		}
		all = append(all, found...)
	}
	return all
}

func load(tb testing.TB, path string) *part.Part {
	tb.Helper()
	data, err := os.ReadFile(path)
	if err != nil {
		tb.Fatal(err)
	}
	p, err := part.Load(data, path)
	if err != nil {
		tb.Fatal(err)
	}
	return p
}

func TestSchemaAndStructAgree(t *testing.T) {
	s, err := strictyaml.ParseSchema([]byte(part.SchemaJSON))
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range strictyaml.Agree(s, part.Part{}) {
		t.Error(d)
	}
}

// A unit stands in the key and in the schema; they must be the same.
func TestSchemaUnitsMatchTheirKeys(t *testing.T) {
	s, err := strictyaml.ParseSchema([]byte(part.SchemaJSON))
	if err != nil {
		t.Fatal(err)
	}
	suffixes := map[string]string{"_mm": "mm", "_um": "µm", "_deg": "degrees", "_percent": "percent"}
	var walk func(path string, s *strictyaml.Schema)
	walk = func(path string, s *strictyaml.Schema) {
		if s.Type == "number" {
			want := ""
			for suffix, unit := range suffixes {
				if strings.HasSuffix(path, suffix) {
					want = unit
				}
			}
			if want == "" || s.Unit != want {
				t.Errorf("%s: schema says %q, the key %q", path, s.Unit, want)
			}
		}
		if s.Items != nil {
			walk(path+"[]", s.Items)
		}
		for k, p := range s.Properties {
			walk(path+"."+k, p)
		}
	}
	walk("", s)
}

func TestLoadEveryFile(t *testing.T) {
	for _, path := range files(t) {
		p := load(t, path)
		if want := strings.TrimSuffix(filepath.Base(path), ".yaml"); p.Name != want {
			t.Errorf("%s: part is named %s", path, p.Name)
		}
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if want := fmt.Sprintf("%x", sha256.Sum256(data)); p.Hash != want {
			t.Errorf("%s: hash %s, want %s", path, p.Hash, want)
		}
	}
}

func TestLoadKeepsEveryValue(t *testing.T) {
	none := 0
	want := &part.Part{
		Name:      "wren",
		Substrate: part.Substrate{WidthMm: 25, HeightMm: 25, ThicknessMm: 1.6},
		Fixture:   part.Fixture{ShiftLimitMm: 1, TurnLimitDeg: 5},
		Marks: &part.Marks{Shape: part.Ring, DiameterMm: 0.8, InnerMm: 0.4, At: []part.Place{
			{Name: "F1", XMm: -5.6, YMm: 5.6}, {Name: "F2", XMm: 5.6, YMm: 5.6}, {Name: "F3", XMm: 5.6, YMm: -5.6}}},
		Orientation: part.Orientation{By: "absent-mark", XMm: -5.6, YMm: -5.6},
		Die:         &part.Die{WidthMm: 7.2, HeightMm: 7.2, TopMm: 0.78, XMm: 0.5, YMm: -0.25},
		Array: &part.Array{Kind: "balls", Rows: 19, Columns: 19, PitchMm: 1.27, DiameterMm: 0.89,
			HeightMm: 0.7, EquatorMm: 0.255, PadMm: 0.72, Datum: "outline", Absent: []string{"A1"}},
		Limits: part.Limits{OffsetXUm: 100, OffsetYUm: 100, ThetaDeg: 0.5, ShrinkPercent: 0.6, Missing: &none, TipUm: 150},
	}
	got := load(t, "../../examples/parts/wren.yaml")
	got.Hash = ""
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
}

// The lists were written by the program that drew the test pictures of these parts.
func TestSitesMatchTheDrawings(t *testing.T) {
	for name, path := range map[string]string{
		"tern": "../../examples/parts/tern.yaml", "wren": "../../examples/parts/wren.yaml", "linnet": "testdata/linnet.yaml",
	} {
		t.Run(name, func(t *testing.T) {
			f, err := os.Open("testdata/" + name + "-sites.csv")
			if err != nil {
				t.Fatal(err)
			}
			defer f.Close()
			rows, err := csv.NewReader(f).ReadAll()
			if err != nil {
				t.Fatal(err)
			}
			got, err := load(t, path).Array.Sites()
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != len(rows)-1 {
				t.Fatalf("got %d sites, want %d", len(got), len(rows)-1)
			}
			for i, row := range rows[1:] {
				x, errX := strconv.ParseFloat(row[1], 64)
				y, errY := strconv.ParseFloat(row[2], 64)
				if errX != nil || errY != nil {
					t.Fatal(errX, errY)
				}
				if s := got[i]; s.Name != row[0] || math.Abs(s.At.X.Mm()-x) > 1e-9 || math.Abs(s.At.Y.Mm()-y) > 1e-9 {
					t.Errorf("site %d: got %s at (%g, %g), want %s at (%g, %g)", i, s.Name, s.At.X.Mm(), s.At.Y.Mm(), row[0], x, y)
				}
			}
		})
	}
}

func TestSitesAreMirroredExactly(t *testing.T) {
	a := part.Array{Rows: 7, Columns: 10, PitchMm: 1.27}
	sites, err := a.Sites()
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range sites {
		if m := sites[len(sites)-1-i].At; s.At != (geom.DrawingPoint{X: -m.X, Y: -m.Y}) {
			t.Errorf("%s at %v, its mirror at %v", s.Name, s.At, m)
		}
	}
}

// Starting from a right file, each change makes one thing wrong.
func TestLoadSaysWhatDoesNotFit(t *testing.T) {
	tern, wren, plover := read(t, "tern"), read(t, "wren"), read(t, "plover")
	for _, tt := range []struct{ name, file, old, new, want string }{
		{"limit negative", tern, "offset_x_um: 100", "offset_x_um: -100", `limits.offset_x_um: want a number in µm above 0, got -100`},
		{"limits reversed", tern, "offset_x_um: 100", "offset_x_um: [100, -100]", `limits.offset_x_um: want a number in µm above 0, got a list of 2 values (L allows the die X from -L to +L; leave it out to not judge X)`},
		{"limit zero", tern, "  theta_deg: 0.5", "  theta_deg: 0", `leave it out to not judge theta`},
		{"limit unit", tern, "offset_y_um: 100", "offset_y_um: 0.1 mm", `got "0.1 mm"; did you mean 100?`},
		{"limit key", tern, "offset_y_um: 100", "offset_y_mm: 0.1", `limits.offset_y_mm: unknown key; did you mean offset_y_um?`},
		{"no rows", tern, "  rows: 32\n  columns: 32", "  rows: 0\n  columns: 32", `array.rows: want a whole number from 1 to 200, got 0`},
		{"two marks one name", tern, "name: F3", "name: F1", `marks.at[2].name: the name F1 is given to two marks, here and in at[0]`},
		{"two marks one place", tern, "{name: F2, x_mm: 6.6,", "{name: F2, x_mm: -6.6,", `mark F2 at (-6.6, 5.8) mm overlaps mark F1`},
		{"one mark", plover, "    - {name: F2, x_mm: 1.8, y_mm: 2.9}\n    - {name: F3, x_mm: 1.8, y_mm: -2.9}\n    - {name: F4, x_mm: -1.8, y_mm: -2.9}\n", "", `marks.at: want a list of at least 2, got 1`},
		{"mark outside", tern, "x_mm: -6.6, y_mm: 5.8", "x_mm: -66, y_mm: 5.8", `mark F1 at (-66, 5.8) mm lies outside of the substrate, which ends at ±16.25 and ±16.25 mm`},
		{"mark under the die", tern, "x_mm: -6.6, y_mm: 5.8", "x_mm: -4.6, y_mm: 4", `mark F1 lies under the die`},
		{"die too large", tern, "width_mm: 10.0", "width_mm: 100", `die: the die of 100 × 8.4 mm is larger than the substrate of 32.5 × 32.5 mm`},
		{"die off", wren, "x_mm: 0.5", "x_mm: 11.5", `die: the die centred on (11.5, -0.25) mm reaches beyond the substrate`},
		{"inner too large", wren, "inner_mm: 0.4", "inner_mm: 0.8", `marks.inner_mm: the inner diameter of 0.8 mm must be less than the outer of 0.8 mm`},
		{"inner missing", wren, "  inner_mm: 0.4\n", "", `marks.inner_mm: missing: a ring needs its inner_mm`},
		{"arm too wide", tern, "arm_width_mm: 0.2", "arm_width_mm: 1", `must be less than the length of 1 mm`},
		{"key of another shape", tern, "arm_width_mm: 0.2", "arm_width_mm: 0.2\n  diameter_mm: 1", `marks.diameter_mm: a cross has no diameter_mm`},
		{"shape", tern, "shape: cross", "shape: Cros", `marks.shape: want one of cross, ring, disc, square, got "Cros"; did you mean cross?`},
		{"no such site", tern, "A1:A3", "A1:A33", `array.absent[0]: there is no site A33: the array goes from A1 to AM32`},
		{"range reversed", tern, "B32:C32", "C32:B32", `array.absent[3]: a range goes from the top left to the bottom right; did you mean B32:C32?`},
		{"skipped letter", tern, "A1:A3", "O1:O3", `row letters leave out I, O, Q, S, X and Z`},
		{"small letter", tern, "A1:A3", "a1:a3", `row letters are capitals; did you mean A1?`},
		{"no site left", tern, "A1:A3", "A1:AM32", `array.absent: no site is left`},
		{"array too large", tern, "  columns: 32", "  columns: 33", `more than the substrate's 32.5 × 32.5 mm`},
		{"columns that touch", tern, "diameter_mm: 0.51", "diameter_mm: 1.0", `array.diameter_mm: a diameter of 1 mm must be less than the pitch of 1 mm`},
		{"equator of a column", tern, "height_mm: 2.21", "height_mm: 2.21\n  equator_mm: 1", `columns have no equator_mm`},
		{"equator too high", wren, "equator_mm: 0.255", "equator_mm: 2.55", `the equator at 2.55 mm is above the top at 0.7 mm`},
		{"coplanarity of balls", wren, "tip_um: 150", "tip_um: 150\n  coplanarity_um: 90", `balls aren't looked at from the side`},
		{"tilt of balls", wren, "tip_um: 150", "tip_um: 150\n  tilt_deg: 2", `balls don't lean`},
		{"tilt without height", tern, "  height_mm: 2.21\n", "", `the lean of a column can't be judged without its height`},
		{"limit without cap", wren, "tip_um: 150", "tip_um: 150\n  cap_x_um: 9", `limits.cap_x_um: this limit needs a cap`},
		{"limit without bumps", wren, "tip_um: 150", "tip_um: 150\n  bump_um: 9", `limits.bump_um: this limit needs die.bumps`},
		{"share of no pad", tern, "bump_um: 125", "bump_pad_percent: 25", `limits.bump_pad_percent: this limit needs die.bumps with pad_mm`},
		{"bumps too many", plover, "rows: 21", "rows: 31", `more than the die's 5 × 5 mm`},
		{"die mark outside", plover, "{name: D1, x_mm: -2.2", "{name: D1, x_mm: -3.2", `mark D1 at (-3.2, 2.2) mm lies outside of the die`},
		{"disc without size", tern, "  diameter_mm: 0.5\n", "", `orientation.diameter_mm: missing: orientation by disc needs its diameter_mm`},
		{"disc on a mark", tern, "  y_mm: 7.2", "  y_mm: 6.0", `orientation: disc at (-6.6, 6) mm lies on mark F1`},
		{"absent mark present", wren, "  x_mm: -5.6\n", "  x_mm: 5.6\n", `absent-mark at (5.6, -5.6) mm lies on mark F3`},
		{"fixture with a place", plover, "by: fixture", "by: fixture\n  x_mm: 1", `orientation by fixture has no x_mm`},
		{"free fixture", plover, "turn_limit_deg: 5", "turn_limit_deg: 90", `can't tell quarter turns apart`},
		{"cap below the die", tern, "top_mm: 2.1", "top_mm: 0.21", `the cap's top at 0.21 mm must be above the die's at 0.87 mm`},
		{"cap corners", tern, "corner_radius_mm: 1.0", "corner_radius_mm: 13", `more than half of the shorter side`},
		{"datum", tern, "datum: outline\n  absent", "datum: outlin\n  absent", `array.datum: want one of outline, marks, array, got "outlin"; did you mean outline?`},
		{"marks mistyped", tern, "marks: #", "mark: #", `mark: unknown key; did you mean marks?`},
		{"nothing to measure", "part: p\nsubstrate: {width_mm: 1, height_mm: 1}\n", "", "", `f:1:1: want at least one of die, cap and array`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if !strings.Contains(tt.file, tt.old) {
				t.Fatalf("the file has no %q", tt.old)
			}
			_, err := part.Load([]byte(strings.Replace(tt.file, tt.old, tt.new, 1)), "f")
			if err == nil {
				t.Fatal("no error")
			}
			if got := err.Error(); !strings.Contains(got, tt.want) || strings.Count(got, "\n") > 0 && tt.name != "absent mark present" {
				t.Errorf("got  %s\nwant %s", got, tt.want)
			}
		})
	}
}

func TestLoadReportsEverythingAtOnce(t *testing.T) {
	file := strings.NewReplacer("inner_mm: 0.4", "inner_mm: 0.9", "absent: [A1]", "absent: [A1, Z9]", "name: F2", "nam: F2", "tip_um", "tip_mm").Replace(read(t, "wren"))
	_, err := part.Load([]byte(file), "wren.yaml")
	if err == nil {
		t.Fatal("no error")
	}
	want := []string{
		`wren.yaml:17:13: marks.inner_mm: the inner diameter of 0.9 mm must be less than the outer of 0.8 mm`,
		`wren.yaml:21:8: marks.at[1].nam: unknown key; did you mean name?`,
		`wren.yaml:46:16: array.absent[1]: "Z9" has the letter Z: row letters leave out I, O, Q, S, X and Z`,
		`wren.yaml:54:3: limits.tip_mm: unknown key; did you mean tip_um?`,
	}
	if d := cmp.Diff(want, strings.Split(err.Error(), "\n")); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
}

func read(tb testing.TB, name string) string {
	tb.Helper()
	data, err := os.ReadFile("../../examples/parts/" + name + ".yaml")
	if err != nil {
		tb.Fatal(err)
	}
	return string(data)
}

func FuzzLoad(f *testing.F) {
	for _, path := range files(f) {
		data, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := part.Load(data, "f")
		if err != nil {
			return
		}
		if p.Array != nil {
			sites, err := p.Array.Sites()
			if err != nil || len(sites) == 0 {
				t.Errorf("accepted, but has %d sites, %v", len(sites), err)
			}
		}
	})
}
