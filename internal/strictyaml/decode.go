package strictyaml

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// Decode reads data into the struct that into points to, by its yaml tags, and holds it to the
// schema. file is the name used in messages. Values with a problem are left as they were.
//
// It never fails: what is wrong is in the Document. It panics when the struct and the schema
// don't agree, which [Agree] tests.
func Decode(file string, data []byte, s *Schema, into any) *Document {
	d := &Document{file: file, places: map[string]place{}, bad: map[string]bool{}}
	root, problem := parse(data)
	if problem != nil {
		d.add(place{problem.Line, problem.Column}, "", problem.Text)
		return d
	}
	d.places[""] = start(root)
	r := reader{Document: d, root: s}
	r.object(root, s, "", reflect.ValueOf(into).Elem())
	return d
}

type reader struct {
	*Document
	root *Schema
}

// value reads one value of any kind.
func (r *reader) value(n ast.Node, s *Schema, path string, into reflect.Value) {
	switch s.Type {
	case "object":
		m, ok := n.(*ast.MappingNode)
		if !ok {
			r.wrong(n, s, path, "")
			return
		}
		if into.Kind() == reflect.Pointer {
			into.Set(reflect.New(into.Type().Elem()))
			into = into.Elem()
		}
		r.object(m, s, path, into)
	case "array":
		r.list(n, s, path, into)
	case "string":
		r.text(n, s, path, into)
	default:
		r.number(n, s, path, into)
	}
}

func (r *reader) object(n *ast.MappingNode, s *Schema, path string, into reflect.Value) {
	seen := map[string]int{} // line of each key
	given := map[string]bool{}
	for _, kv := range n.Values {
		given[kv.Key.GetToken().Value] = true
	}
	free := slices.DeleteFunc(s.keys(), func(k string) bool { return given[k] })
	meant := map[string]bool{}
	fields := fieldsOf(into.Type())
	for _, kv := range n.Values {
		at := placeOf(kv.Key.GetToken())
		key := kv.Key.GetToken().Value
		sub := join(path, clip(key))
		if line, twice := seen[key]; twice {
			r.add(at, sub, fmt.Sprintf("given twice, first on line %d; delete one", line))
			continue
		}
		seen[key] = at.line
		prop := s.Properties[key]
		if prop == nil {
			r.unknown(at, key, path, s, free, meant)
			continue
		}
		r.places[sub] = at
		if prop.Type != "object" && prop.Type != "array" && kv.Value != nil {
			r.places[sub] = start(kv.Value)
		}
		r.value(kv.Value, prop, sub, into.FieldByIndex(fields[key]))
	}
	for _, key := range s.Required {
		if _, there := seen[key]; !there && !meant[key] {
			r.add(r.places[path], join(path, key), "missing: want "+s.Properties[key].wants()+about(s.Properties[key]))
		}
	}
}

// unknown reports a key that the schema doesn't have, with the nearest of the keys not given,
// which then counts as given but not as sound.
func (r *reader) unknown(at place, key, above string, s *Schema, free []string, meant map[string]bool) {
	text := "unknown key"
	if near := Nearest(key, free); near != "" {
		meant[near] = true
		r.places[join(above, near)], r.bad[join(above, near)] = at, true
		text += fmt.Sprintf("; did you mean %s?", near)
	} else if homes := r.root.homesOf(key, ""); len(homes) > 0 {
		for i, h := range homes {
			if h == "" {
				homes[i] = "the top level"
			}
		}
		text += "; it belongs under " + strings.Join(homes, " or ")
	} else {
		text += "; want one of " + strings.Join(s.keys(), ", ")
	}
	r.add(at, join(above, clip(key)), text)
}

func (r *reader) list(n ast.Node, s *Schema, path string, into reflect.Value) {
	seq, ok := n.(*ast.SequenceNode)
	if !ok {
		r.wrong(n, s, path, "")
		return
	}
	if len(seq.Values) < s.MinItems {
		r.add(r.places[path], path, fmt.Sprintf("want a list of at least %d, got %d", s.MinItems, len(seq.Values)))
	}
	into.Set(reflect.MakeSlice(into.Type(), len(seq.Values), len(seq.Values)))
	for i, v := range seq.Values {
		item := fmt.Sprintf("%s[%d]", path, i)
		r.places[item] = r.places[path]
		if v != nil {
			r.places[item] = start(v)
		}
		r.value(v, s.Items, item, into.Index(i))
	}
}

func (r *reader) text(n ast.Node, s *Schema, path string, into reflect.Value) {
	text, ok := plainText(n)
	if !ok {
		if scalar, ok := n.(ast.ScalarNode); ok && s.Enum == nil && s.Format == "" && n.Type() != ast.NullType && n.Type() != ast.LiteralType {
			r.wrong(n, s, path, fmt.Sprintf("; write it in quotes: %q", clip(scalar.GetToken().Value)))
			return
		}
		r.wrong(n, s, path, "")
		return
	}
	switch {
	case len(s.Enum) > 0 && !slices.Contains(s.Enum, text):
		also := ""
		if near := Nearest(strings.ToLower(text), s.Enum); near != "" {
			also = fmt.Sprintf("; did you mean %s?", near)
		}
		r.wrong(n, s, path, also)
	case s.pattern != nil && !s.pattern.MatchString(text):
		r.add(r.places[path], path, fmt.Sprintf("got %q%s", clip(text), about(s)))
	case s.Format == "date":
		day, err := time.Parse(time.DateOnly, text)
		if err != nil {
			r.wrong(n, s, path, "")
			return
		}
		into.Set(reflect.ValueOf(day))
	default:
		into.SetString(text)
	}
}

// plainText returns the text of a string. In brackets the parser takes A1:A3 for a mapping, where
// YAML 1.2 (section 7.3.3) has text unless a space follows the colon.
func plainText(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.MappingNode:
		if len(n.Values) != 1 || n.IsFlowStyle || n.Values[0].Value == nil {
			return "", false
		}
		key, value := n.Values[0].Key.GetToken(), n.Values[0].Value.GetToken()
		end := key.Position.Column + utf8.RuneCountInString(key.Value) + len(":")
		if key.Type != token.StringType || value.Type != token.StringType || key.Position.Line != value.Position.Line || end != value.Position.Column {
			return "", false
		}
		return key.Value + ":" + value.Value, true
	}
	return "", false
}

func (r *reader) number(n ast.Node, s *Schema, path string, into reflect.Value) {
	scalar, isScalar := n.(ast.ScalarNode)
	if !isScalar {
		r.wrong(n, s, path, about(s))
		return
	}
	tk := scalar.GetToken()
	text := tk.Value
	x, ok := number(text)
	if !ok || tk.Type == token.DoubleQuoteType || tk.Type == token.SingleQuoteType {
		also := ""
		if meant := hint(text, s.Unit); meant != "" {
			also = fmt.Sprintf("; did you mean %s?", meant)
		}
		r.wrong(n, s, path, also)
		return
	}
	if !s.inRange(x) {
		r.wrong(n, s, path, about(s))
		return
	}
	if into.Kind() == reflect.Pointer {
		into.Set(reflect.New(into.Type().Elem()))
		into = into.Elem()
	}
	if s.Type == "integer" {
		if x != math.Trunc(x) || math.Abs(x) > 1e9 {
			r.wrong(n, s, path, "")
			return
		}
		into.SetInt(int64(x))
		return
	}
	into.SetFloat(x)
}

// wrong reports a value that is not what the schema wants.
func (r *reader) wrong(n ast.Node, s *Schema, path, also string) {
	at := r.places[path]
	if n != nil {
		at = start(n)
	}
	r.add(at, path, "want "+s.wants()+", got "+describe(n)+also)
}

// about returns the schema's description as a remark.
func about(s *Schema) string {
	if s.Description == "" {
		return ""
	}
	return " (" + strings.TrimSuffix(s.Description, ".") + ")"
}
