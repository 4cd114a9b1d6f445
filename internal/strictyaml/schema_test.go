package strictyaml_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/strictyaml"
)

func TestParseSchemaRefusesWhatItWouldNotEnforce(t *testing.T) {
	for _, tt := range []struct{ name, schema, want string }{
		{"keyword", `{"type": "string", "maxLength": 3}`, "maxLength"},
		{"open object", `{"type": "object", "properties": {}}`, "additionalProperties must be false"},
		{"type", `{"type": "boolean"}`, `type "boolean" is not supported`},
		{"reference", `{"$ref": "#/$defs/none"}`, "no definition"},
		{"required", `{"type": "object", "additionalProperties": false, "required": ["a"]}`, "required key a"},
		{"array", `{"type": "array"}`, "needs items"},
		{"pattern", `{"type": "string", "pattern": "("}`, "missing closing"},
		{"circle", `{"$ref": "#/$defs/a", "$defs": {"a": {"type": "array", "items": {"$ref": "#/$defs/a"}}}}`, "refers to itself"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := strictyaml.ParseSchema([]byte(tt.schema))
			if err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want an error with %q", err, tt.want)
			}
		})
	}
}

func TestAgree(t *testing.T) {
	if diff := strictyaml.Agree(schema(t), box{}); len(diff) > 0 {
		t.Errorf("box: %q", diff)
	}
	type other struct {
		Name  int    `yaml:"name"`
		Extra string `yaml:"extra"`
		Lid   lid    `yaml:"lid"`
	}
	want := []string{
		"extra: in the struct, not in the schema",
		"kind: in the schema, not in the struct",
		"labels: in the schema, not in the struct",
		"made: in the schema, not in the struct",
		"name: schema has type string , struct has int",
		"pins: in the schema, not in the struct",
		"spare: in the schema, not in the struct",
	}
	if diff := cmp.Diff(want, strictyaml.Agree(schema(t), other{})); diff != "" {
		t.Errorf("-want +got\n%s", diff)
	}
}

// The definition's own cases: one edit each, then the classic pair.
func TestNearest(t *testing.T) {
	keys := []string{"width_mm", "height_mm", "pitch_mm", "at", "absent"}
	for word, want := range map[string]string{
		"width": "", "widht_mm": "width_mm", "with_mm": "width_mm", "width_um": "width_mm", "hight_mm": "height_mm",
		"pich_mm": "pitch_mm", "a": "at", "abscent": "absent", "zebra": "", "": "",
	} {
		if got := strictyaml.Nearest(word, keys); got != want {
			t.Errorf("Nearest(%q) = %q, want %q", word, got, want)
		}
	}
}
