package strictyaml

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
)

// A Schema is a JSON Schema (draft 2020-12) restricted to what this package enforces, so that
// an editor and the program hold a file to the same rules. "unit" is an annotation of our own
// that editors ignore; messages print it.
type Schema struct {
	Meta        string `json:"$schema,omitempty"`
	ID          string `json:"$id,omitempty"`
	Title       string `json:"title,omitempty"`
	Description string `json:"description,omitempty"`

	Type string   `json:"type,omitempty"` // object, array, string, number or integer
	Unit string   `json:"unit,omitempty"` // of a number: "mm", "µm", "degrees", "percent" …
	Enum []string `json:"enum,omitempty"`

	// Objects. Keys that are not listed are refused, so additionalProperties must be false.
	Properties           map[string]*Schema `json:"properties,omitempty"`
	Required             []string           `json:"required,omitempty"`
	AdditionalProperties *bool              `json:"additionalProperties,omitempty"`

	// Arrays.
	Items    *Schema `json:"items,omitempty"`
	MinItems int     `json:"minItems,omitempty"`

	// Numbers.
	Minimum          *float64 `json:"minimum,omitempty"`
	Maximum          *float64 `json:"maximum,omitempty"`
	ExclusiveMinimum *float64 `json:"exclusiveMinimum,omitempty"`
	Default          any      `json:"default,omitempty"` // annotation: what leaving the key out means

	// Strings.
	Format   string `json:"format,omitempty"` // only "date", yyyy-mm-dd
	Pattern  string `json:"pattern,omitempty"`
	Examples []any  `json:"examples,omitempty"`

	Ref  string             `json:"$ref,omitempty"` // only "#/$defs/NAME"
	Defs map[string]*Schema `json:"$defs,omitempty"`

	pattern *regexp.Regexp
}

// ParseSchema reads a schema. It refuses every keyword that [Decode] would not enforce.
func ParseSchema(data []byte) (*Schema, error) {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	s := new(Schema)
	if err := d.Decode(s); err != nil {
		return nil, fmt.Errorf("schema: %w", err)
	}
	if err := s.prepare("", s.Defs, 0); err != nil {
		return nil, fmt.Errorf("schema: %w", err)
	}
	return s, nil
}

// prepare puts the definitions in place of the references, compiles patterns and refuses what
// is not supported.
func (s *Schema) prepare(path string, defs map[string]*Schema, depth int) error {
	const maxDepth = 16
	if depth > maxDepth {
		return fmt.Errorf("%s: nested too deep, or refers to itself", path)
	}
	if s.Ref != "" {
		def := defs[strings.TrimPrefix(s.Ref, "#/$defs/")]
		if def == nil {
			return fmt.Errorf("%s: no definition %s", path, s.Ref)
		}
		description := s.Description
		*s = *def
		if description != "" {
			s.Description = description
		}
	}
	if s.Pattern != "" {
		re, err := regexp.Compile(s.Pattern)
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		s.pattern = re
	}
	switch s.Type {
	case "object":
		if s.AdditionalProperties == nil || *s.AdditionalProperties {
			return fmt.Errorf("%s: additionalProperties must be false", path)
		}
		for _, key := range s.Required {
			if s.Properties[key] == nil {
				return fmt.Errorf("%s: required key %s is no property", path, key)
			}
		}
		for key, p := range s.Properties {
			if err := p.prepare(join(path, key), defs, depth+1); err != nil {
				return err
			}
		}
	case "array":
		if s.Items == nil {
			return fmt.Errorf("%s: an array needs items", path)
		}
		return s.Items.prepare(path+"[]", defs, depth+1)
	case "string", "number", "integer":
	default:
		return fmt.Errorf("%s: type %q is not supported", path, s.Type)
	}
	return nil
}

// keys returns the keys of an object in alphabetical order.
func (s *Schema) keys() []string {
	var keys []string
	for k := range s.Properties {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// homesOf returns the paths of objects that have the key, in alphabetical order.
func (s *Schema) homesOf(key, path string) []string {
	var homes []string
	if s.Properties[key] != nil {
		homes = append(homes, path)
	}
	for _, k := range s.keys() {
		homes = append(homes, s.Properties[k].homesOf(key, join(path, k))...)
	}
	return homes
}

// wants says what a value should be: "a number in mm above 0".
func (s *Schema) wants() string {
	switch s.Type {
	case "object":
		return "the keys " + strings.Join(s.keys(), ", ")
	case "array":
		return "a list"
	case "string":
		switch {
		case len(s.Enum) > 0:
			return "one of " + strings.Join(s.Enum, ", ")
		case s.Format == "date":
			return "a date as 2031-03-04"
		}
		return "text"
	}
	w := "a number"
	if s.Type == "integer" {
		w = "a whole number"
	}
	if s.Unit != "" {
		w += " in " + s.Unit
	}
	switch {
	case s.ExclusiveMinimum != nil && s.Maximum != nil:
		w += fmt.Sprintf(" above %g, at most %g", *s.ExclusiveMinimum, *s.Maximum)
	case s.ExclusiveMinimum != nil:
		w += fmt.Sprintf(" above %g", *s.ExclusiveMinimum)
	case s.Minimum != nil && s.Maximum != nil:
		w += fmt.Sprintf(" from %g to %g", *s.Minimum, *s.Maximum)
	case s.Minimum != nil:
		w += fmt.Sprintf(", %g or more", *s.Minimum)
	case s.Maximum != nil:
		w += fmt.Sprintf(", %g or less", *s.Maximum)
	}
	return w
}

// inRange reports whether x keeps the bounds.
func (s *Schema) inRange(x float64) bool {
	return (s.ExclusiveMinimum == nil || x > *s.ExclusiveMinimum) &&
		(s.Minimum == nil || x >= *s.Minimum) &&
		(s.Maximum == nil || x <= *s.Maximum)
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}
