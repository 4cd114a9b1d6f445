package reading_test

import (
	"encoding/json"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"plumbsquare/internal/reading"
)

// A schema is the part of JSON Schema that docs/reading.schema.json uses.
type schema struct {
	Type        any                `json:"type"` // a word or a list of words
	Const       any                `json:"const"`
	Enum        []any              `json:"enum"`
	Properties  map[string]*schema `json:"properties"`
	Required    []string           `json:"required"`
	Additional  *bool              `json:"additionalProperties"`
	Items       *schema            `json:"items"`
	Description string             `json:"description"`
	Ref         string             `json:"$ref"`
	Defs        map[string]*schema `json:"$defs"`
	Length      int                `json:"minItems"`
}

func loadSchema(t *testing.T) *schema {
	t.Helper()
	b, err := os.ReadFile("../../docs/reading.schema.json")
	if err != nil {
		t.Fatal(err)
	}
	s := new(schema)
	if err := json.Unmarshal(b, s); err != nil {
		t.Fatal(err)
	}
	return s
}

func (s *schema) resolve(root *schema) *schema {
	if name, ok := strings.CutPrefix(s.Ref, "#/$defs/"); ok {
		return root.Defs[name]
	}
	return s
}

func (s *schema) types() []string {
	switch t := s.Type.(type) {
	case string:
		return []string{t}
	case []any:
		var words []string
		for _, w := range t {
			words = append(words, w.(string))
		}
		return words
	}
	return nil
}

// faults returns what a decoded JSON value has that the schema doesn't allow.
func (s *schema) faults(root *schema, path string, v any) (f []string) {
	s = s.resolve(root)
	kind := map[bool]string{true: "integer", false: "number"}
	got := "null"
	switch v := v.(type) {
	case string:
		got = "string"
	case bool:
		got = "boolean"
	case float64:
		got = kind[v == float64(int64(v))]
	case []any:
		got = "array"
		for i, item := range v {
			f = append(f, s.Items.faults(root, fmt.Sprintf("%s[%d]", path, i), item)...)
		}
		if len(v) < s.Length {
			f = append(f, path+": too few items")
		}
	case map[string]any:
		got = "object"
		for _, key := range s.Required {
			if _, ok := v[key]; !ok {
				f = append(f, path+"."+key+": missing")
			}
		}
		for key, value := range v {
			if p := s.Properties[key]; p != nil {
				f = append(f, p.faults(root, path+"."+key, value)...)
			} else {
				f = append(f, path+"."+key+": unknown")
			}
		}
	}
	if types := s.types(); !slices.Contains(types, got) && !(got == "integer" && slices.Contains(types, "number")) {
		f = append(f, fmt.Sprintf("%s: is %s, want %v", path, got, types))
	}
	if s.Enum != nil && !slices.Contains(s.Enum, v) || s.Const != nil && s.Const != v {
		f = append(f, fmt.Sprintf("%s: %v is not allowed", path, v))
	}
	return f
}

// full returns a reading with every field set.
func full() *reading.Reading {
	r := new(reading.Reading)
	fill(reflect.ValueOf(r).Elem())
	r.Schema, r.Shot.View, r.Verdict.Decision, r.Verdict.Reasons[0].Decision = reading.Schema, reading.DiePlan, reading.Reject, reading.Reject
	r.Shot.Focus = reading.Tip
	r.Array.Kind, r.Offset.Of = "columns", "die"
	r.Array.Sites[0].State = reading.Present
	for _, edges := range [][]reading.Edge{r.Substrate.Edges, r.Offset.Edges, r.Looks[0].Corner.Edges} {
		edges[0].Side = "+x"
		edges[0].Profile = append(edges[0].Profile, nil) // a gap
	}
	return r
}

func fill(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(v.Elem())
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i))
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		fill(v.Index(0))
	case reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i))
		}
	case reflect.String:
		v.SetString("x")
	case reflect.Float64:
		v.SetFloat(1.5)
	case reflect.Int:
		v.SetInt(2)
	case reflect.Bool:
		v.SetBool(true)
	}
}

func decoded(t *testing.T, r *reading.Reading) any {
	t.Helper()
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	var v any
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

func TestReadingsFitTheSchema(t *testing.T) {
	s := loadSchema(t)
	least := &reading.Reading{Schema: reading.Schema}
	least.Shot.View, least.Verdict.Decision = reading.BallPlan, reading.Accept
	for _, r := range []*reading.Reading{full(), least} {
		for _, f := range s.faults(s, "reading", decoded(t, r)) {
			t.Error(f)
		}
	}
	wrong := full()
	wrong.Verdict.Decision = "perhaps"
	if len(s.faults(s, "reading", decoded(t, wrong))) != 1 {
		t.Error("the schema allows a verdict that there is not")
	}
}

// Every key of the schema must be a field, be required exactly when it is always written, and say
// what it means; and nothing more may be allowed.
func TestSchemaHasNothingElse(t *testing.T) {
	s := loadSchema(t)
	compare(t, s, s, reflect.TypeFor[reading.Reading](), "reading")
}

func compare(t *testing.T, root, s *schema, typ reflect.Type, path string) {
	t.Helper()
	s = s.resolve(root)
	for typ.Kind() == reflect.Pointer || typ.Kind() == reflect.Slice || typ.Kind() == reflect.Array {
		if typ.Kind() != reflect.Pointer {
			s = s.Items.resolve(root)
		}
		typ = typ.Elem()
	}
	if typ.Kind() != reflect.Struct {
		return
	}
	if s.Additional == nil || *s.Additional {
		t.Errorf("%s: additionalProperties must be false", path)
	}
	keys := map[string]bool{}
	for i := range typ.NumField() {
		name, options, _ := strings.Cut(typ.Field(i).Tag.Get("json"), ",")
		keys[name] = true
		p := s.Properties[name]
		if p == nil {
			t.Errorf("%s.%s: not in the schema", path, name)
			continue
		}
		if p.Description == "" && p.resolve(root).Description == "" {
			t.Errorf("%s.%s: the schema doesn't say what it means", path, name)
		}
		if always := options != "omitempty"; always != slices.Contains(s.Required, name) {
			t.Errorf("%s.%s: always written %v, required %v", path, name, always, !always)
		}
		compare(t, root, p, typ.Field(i).Type, path+"."+name)
	}
	for name := range s.Properties {
		if !keys[name] {
			t.Errorf("%s.%s: in the schema only", path, name)
		}
	}
}

// docs/readings.md must name every key, every column and every gate.
func TestPageIsComplete(t *testing.T) {
	b, err := os.ReadFile("../../docs/readings.md")
	if err != nil {
		t.Fatal(err)
	}
	page := string(b)
	var keys func(v any)
	keys = func(v any) {
		switch v := v.(type) {
		case []any:
			for _, item := range v {
				keys(item)
			}
		case map[string]any:
			for key, value := range v {
				plain := strings.TrimPrefix(key, "u_")
				if !strings.Contains(page, plain) {
					t.Errorf("docs/readings.md doesn't mention %s", key)
				}
				keys(value)
			}
		}
	}
	keys(decoded(t, full()))
	for _, gate := range gates(t) {
		if !strings.Contains(page, "| "+gate+" |") {
			t.Errorf("docs/readings.md doesn't list the gate %s", gate)
		}
	}
	var table strings.Builder
	if _, err := reading.NewShotTable(&table); err != nil {
		t.Fatal(err)
	}
	table.WriteByte(',')
	if _, err := reading.NewSiteTable(&table); err != nil {
		t.Fatal(err)
	}
	csv := page[strings.Index(page, "## CSV"):]
	for _, column := range strings.FieldsFunc(table.String(), func(r rune) bool { return r == ',' || r == '\n' }) {
		if !strings.Contains(csv, column) {
			t.Errorf("docs/readings.md doesn't mention the column %s", column)
		}
	}
}
