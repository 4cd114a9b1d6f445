package strictyaml_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/strictyaml"
)

type box struct {
	Name   string    `yaml:"name"`
	Kind   string    `yaml:"kind"`
	Lid    *lid      `yaml:"lid"`
	Pins   []pin     `yaml:"pins"`
	Spare  *int      `yaml:"spare"`
	Made   time.Time `yaml:"made"`
	Labels []string  `yaml:"labels"`
	Hash   string    `yaml:"-"`
}

type lid struct {
	WidthMm float64 `yaml:"width_mm"`
	TurnDeg float64 `yaml:"turn_deg"`
	GapUm   float64 `yaml:"gap_um"`
}

type pin struct {
	XMm float64 `yaml:"x_mm"`
	N   int     `yaml:"n"`
}

const boxSchema = `{
	"type": "object", "additionalProperties": false, "required": ["name", "lid"],
	"properties": {
		"name": {"type": "string", "pattern": "^[a-z]+$", "description": "a name of small letters"},
		"kind": {"type": "string", "enum": ["open", "closed"]},
		"lid": {"$ref": "#/$defs/lid"},
		"pins": {"type": "array", "minItems": 2, "items": {
			"type": "object", "additionalProperties": false, "required": ["x_mm"],
			"properties": {"x_mm": {"type": "number", "unit": "mm"}, "n": {"type": "integer", "minimum": 0}}}},
		"spare": {"type": "integer", "minimum": 0},
		"made": {"type": "string", "format": "date"},
		"labels": {"type": "array", "items": {"type": "string"}}
	},
	"$defs": {"lid": {"type": "object", "additionalProperties": false, "required": ["width_mm"], "properties": {
		"width_mm": {"type": "number", "unit": "mm", "exclusiveMinimum": 0},
		"turn_deg": {"type": "number", "unit": "degrees", "minimum": -45, "maximum": 45},
		"gap_um": {"type": "number", "unit": "µm", "minimum": 0}}}}
}`

func schema(tb testing.TB) *strictyaml.Schema {
	tb.Helper()
	s, err := strictyaml.ParseSchema([]byte(boxSchema))
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

func TestDecodeFillsTheStruct(t *testing.T) {
	three := 3
	want := box{
		Name: "wren", Kind: "open", Lid: &lid{WidthMm: 1.5, TurnDeg: -2, GapUm: 1e3},
		Pins:  []pin{{XMm: 1}, {XMm: -.25, N: 4}},
		Spare: &three, Made: time.Date(2031, 3, 4, 0, 0, 0, 0, time.UTC), Labels: []string{"yes", "12", "A1:C3"},
	}
	for name, file := range map[string]string{
		"block": "# a box\nname: wren\nkind: open\nlid:\n  width_mm: 1.5 # mm\n  turn_deg: -2\n  gap_um: 1e3\npins:\n  - x_mm: 1\n  - {x_mm: -.25, n: 4}\nspare: 3\nmade: 2031-03-04\nlabels: [yes, \"12\", A1:C3]\n",
		"flow":  `{name: wren, kind: "open", lid: {width_mm: 1.50, turn_deg: -2.0, gap_um: 1000}, pins: [{x_mm: 1}, {n: 4, x_mm: -0.25}], spare: 3, made: "2031-03-04", labels: ["yes", '12', A1:C3]}`,
		"dos":   "\ufeff---\r\nname: wren\r\nkind: open\r\nlid:\r\n  width_mm: +1.5\r\n  turn_deg: -2\r\n  gap_um: 1E+3\r\npins:\r\n- x_mm: 1\r\n- x_mm: -0.25\r\n  n: 4\r\nspare: 3\r\nmade: 2031-03-04\r\nlabels:\r\n- yes\r\n- '12'\r\n- A1:C3\r\n",
	} {
		t.Run(name, func(t *testing.T) {
			var got box
			if err := strictyaml.Decode("f", []byte(file), schema(t), &got).Err(); err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

// Every message is what somebody at a bench would read, so the texts stand here in full.
func TestDecodeSaysWhatIsWrong(t *testing.T) {
	const ok = "name: wren\nlid: {width_mm: 1}\n"
	for _, tt := range []struct {
		name, file string
		want       []string
	}{
		{"empty", "", []string{`f:1:1: the file is empty`}},
		{"only a comment", "# nothing\n", []string{`f:1:1: the file is empty`}},
		{"a list", "- 1\n", []string{`f:1:1: want lines of the form "key: value", got a list of 1 value`}},
		{"text", "hello\n", []string{`f:1:1: want lines of the form "key: value", got "hello"`}},
		{"missing", "kind: open\n", []string{
			`f:1:1: name: missing: want text (a name of small letters)`,
			`f:1:1: lid: missing: want the keys gap_um, turn_deg, width_mm`}},
		{"missing below", "name: wren\nlid:\n  turn_deg: 1\n", []string{`f:2:1: lid.width_mm: missing: want a number in mm above 0`}},
		{"typo", "name: wren\nlid:\n  widht_mm: 2\n", []string{`f:3:3: lid.widht_mm: unknown key; did you mean width_mm?`}},
		{"other level", ok + "gap_um: 2\n", []string{`f:3:1: gap_um: unknown key; it belongs under lid`}},
		{"nothing near", ok + "colour: red\n", []string{`f:3:1: colour: unknown key; want one of kind, labels, lid, made, name, pins, spare`}},
		{"twice", ok + "kind: open\nkind: closed\n", []string{`f:4:1: kind: given twice, first on line 3; delete one`}},
		{"unit", "name: wren\nlid: {width_mm: 12 um}\n", []string{`f:2:17: lid.width_mm: want a number in mm above 0, got "12 um"; did you mean 0.012?`}},
		{"unit µm", "name: wren\nlid: {width_mm: 1, gap_um: 0.5mm}\n", []string{`f:2:28: lid.gap_um: want a number in µm, 0 or more, got "0.5mm"; did you mean 500?`}},
		{"unit rad", "name: wren\nlid: {width_mm: 1, turn_deg: 10 mrad}\n", []string{`f:2:30: lid.turn_deg: want a number in degrees from -45 to 45, got "10 mrad"; did you mean 0.572958?`}},
		{"wrong unit", "name: wren\nlid: {width_mm: 3 deg}\n", []string{`f:2:17: lid.width_mm: want a number in mm above 0, got "3 deg"`}},
		{"comma", "name: wren\nlid:\n  width_mm: 1,5\n", []string{`f:3:13: lid.width_mm: want a number in mm above 0, got "1,5"; did you mean 1.5?`}},
		{"quoted", "name: wren\nlid:\n  width_mm: \"1.5\"\n", []string{`f:3:13: lid.width_mm: want a number in mm above 0, got "1.5"; did you mean 1.5?`}},
		{"sign", "name: wren\nlid: {width_mm: -3}\n", []string{`f:2:17: lid.width_mm: want a number in mm above 0, got -3`}},
		{"infinite", "name: wren\nlid: {width_mm: .inf}\n", []string{`f:2:17: lid.width_mm: want a number in mm above 0, got .inf`}},
		{"octal", "name: wren\nlid: {width_mm: 010}\n", []string{`f:2:17: lid.width_mm: want a number in mm above 0, got 010`}},
		{"nothing", "name:\nlid: {width_mm: 3}\n", []string{`f:1:6: name: want text, got nothing`}},
		{"number for text", ok + "labels: [A1, 12]\n", []string{`f:3:14: labels[1]: want text, got 12; write it in quotes: "12"`}},
		{"pattern", "name: Wren\nlid: {width_mm: 3}\n", []string{`f:1:7: name: got "Wren" (a name of small letters)`}},
		{"enum", ok + "kind: opne\n", []string{`f:3:7: kind: want one of open, closed, got "opne"; did you mean open?`}},
		{"enum case", ok + "kind: Open\n", []string{`f:3:7: kind: want one of open, closed, got "Open"; did you mean open?`}},
		{"date", ok + "made: 4.3.2031\n", []string{`f:3:7: made: want a date as 2031-03-04, got "4.3.2031"`}},
		{"no such day", ok + "made: 2031-02-29\n", []string{`f:3:7: made: want a date as 2031-03-04, got "2031-02-29"`}},
		{"not whole", ok + "spare: 1.5\n", []string{`f:3:8: spare: want a whole number, 0 or more, got 1.5`}},
		{"huge", ok + "spare: 1e300\n", []string{`f:3:8: spare: want a whole number, 0 or more, got "1e300"`}},
		{"short list", ok + "pins: [{x_mm: 1}]\n", []string{`f:3:1: pins: want a list of at least 2, got 1`}},
		{"in a list", ok + "pins:\n  - x_mm: 1\n  - x_mm: one\n  - n: 2\n", []string{
			`f:5:11: pins[1].x_mm: want a number in mm, got "one"`,
			`f:6:5: pins[2].x_mm: missing: want a number in mm`}},
		{"group for text", ok + "labels: [A1: C3]\n", []string{`f:3:10: labels[0]: want text, got a group of keys`}},
		{"braces for text", ok + "labels: [{A1:C3}]\n", []string{`f:3:10: labels[0]: want text, got a group of keys`}},
		{"no list", ok + "labels: A1\n", []string{`f:3:9: labels: want a list, got "A1"`}},
		{"no mapping", "name: wren\nlid: 3\n", []string{`f:2:6: lid: want the keys gap_um, turn_deg, width_mm, got 3`}},
		{"several", "nmae: wren\nlid: {width_mm: -1, gap_um: x}\nfoo: 1\n", []string{
			`f:1:1: nmae: unknown key; did you mean name?`,
			`f:2:17: lid.width_mm: want a number in mm above 0, got -1`,
			`f:2:29: lid.gap_um: want a number in µm, 0 or more, got "x"`,
			`f:3:1: foo: unknown key; want one of kind, labels, lid, made, name, pins, spare`}},
		{"column after µ", "name: wren\nlid: {µµµ: 1, width_mm: x}\n", []string{
			`f:2:7: lid.µµµ: unknown key; want one of gap_um, turn_deg, width_mm`,
			`f:2:25: lid.width_mm: want a number in mm above 0, got "x"`}},
		{"open bracket", ok + "labels: [A1\nkind: open\n", []string{`f:4:1: no YAML: ',' or ']' must be specified`}},
		{"tab", "name: wren\nlid:\n\twidth_mm: 1\n", []string{`f:3:1: no YAML: found character '	' that cannot start any token`}},
		{"needs quotes", ok + "kind: {a}_{b}\n", []string{`f:3:10: no YAML: value is not allowed in this context; text with : # { } [ ] in it needs quotes`}},
		{"alias", "name: &a wren\nkind: *a\n", []string{`f:1:7: anchors, aliases and merge keys (& * <<) are not used in these files; write the value out, or put text with such a character in quotes`}},
		{"tag", ok + "kind: !!str open\n", []string{`f:3:7: tags (!) are not used in these files; put text that starts with ! in quotes`}},
		{"two documents", ok + "---\n" + ok, []string{`f:3:1: a second document starts here; put it into a file of its own`}},
		{"latin-1", "name: wren\nkind: \xb5\n", []string{`f:2:7: not UTF-8 text; save the file as UTF-8`}},
		{"binary", "\x89PNG\r\n\x1a\n", []string{`f:1:1: not UTF-8 text; save the file as UTF-8`}},
		{"zeros", "\x00\x00", []string{`f:1:1: control character 0x00; this is no text file`}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			err := strictyaml.Decode("f", []byte(tt.file), schema(t), new(box)).Err()
			if err == nil {
				t.Fatalf("no error for\n%s", tt.file)
			}
			if d := cmp.Diff(tt.want, strings.Split(err.Error(), "\n")); d != "" {
				t.Errorf("-want +got\n%s", d)
			}
		})
	}
}

// Files made to exhaust the reader end in an error at once.
func TestDecodeRefusesBombs(t *testing.T) {
	const n = strictyaml.MaxBytes - 10
	for name, file := range map[string]string{
		"too long":  strings.Repeat("#", strictyaml.MaxBytes+1),
		"brackets":  strings.Repeat("[", n),
		"braces":    strings.Repeat("{a: ", n/4),
		"mixed":     strings.Repeat("{a: [", n/5),
		"dashes":    strings.Repeat("- ", n/2),
		"anchors":   strings.Repeat("&a ", n/3),
		"tags":      strings.Repeat("! ", n/2),
		"questions": strings.Repeat("? ", n/2),
		"pipes":     strings.Repeat("|\n", n/2),
		"junk keys": junk(5000),
		"same key":  strings.Repeat("a: 1\n", n/5),
		"deep":      deep(350),
		"laughs":    "a: &a [x,x]\nb: &b [*a,*a]\nc: &c [*b,*b]\n",
	} {
		t.Run(name, func(t *testing.T) {
			err := strictyaml.Decode("f", []byte(file), schema(t), new(box)).Err()
			if err == nil {
				t.Fatal("no error")
			}
			if len(err.Error()) > 10_000 {
				t.Errorf("message of %d bytes", len(err.Error()))
			}
		})
	}
}

func junk(keys int) string {
	var b strings.Builder
	for i := range keys {
		fmt.Fprintf(&b, "k%d: 1\n", i)
	}
	return b.String()
}

func deep(levels int) string {
	var b strings.Builder
	for i := range levels {
		b.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	return b.String()
}

func TestDocumentAddsProblems(t *testing.T) {
	d := strictyaml.Decode("f", []byte("name: wren\nlid:\n  width_mm: 1\n  gap_um: -1\n"), schema(t), new(box))
	for path, want := range map[string]bool{"name": true, "lid.width_mm": true, "lid.gap_um": false, "lid": false, "kind": false} {
		if got := d.Sound(path); got != want {
			t.Errorf("Sound(%s) = %v, want %v", path, got, want)
		}
	}
	d.Problemf("lid.width_mm", "too %s", "narrow")
	d.Problemf("lid.turn_deg", "forgotten")
	want := []string{"f:2:1: lid.turn_deg: forgotten", "f:3:13: lid.width_mm: too narrow", "f:4:11: lid.gap_um: want a number in µm, 0 or more, got -1"}
	if diff := cmp.Diff(want, strings.Split(d.Err().Error(), "\n")); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}

func FuzzDecode(f *testing.F) {
	for _, s := range []string{
		"name: wren\nlid:\n  width_mm: 1.5\npins:\n  - x_mm: 1\n  - {x_mm: 2, n: 4}\nspare: 3\nmade: 2031-03-04\nlabels: [yes, \"12\"]\n",
		"{name: wren, lid: {width_mm: 12 um}}", "labels: [A1:C3, a:, :b, b:c:d, a::b]", "a: |\n  b\n", "? a\n: b", "<<: *a", "%YAML 1.2\n---\n", "name: !!str x", "'", "-\n-\n", "a:\n\t- b", "...", "[", "}",
	} {
		f.Add([]byte(s))
	}
	s := schema(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		var got box
		err := strictyaml.Decode("f", data, s, &got).Err()
		if err == nil && (got.Name == "" || got.Lid == nil || !(got.Lid.WidthMm > 0)) {
			t.Errorf("accepted without what is required: %+v", got)
		}
	})
}
