package strictyaml

import (
	"fmt"
	"reflect"
	"strings"
	"time"
)

// fieldsOf returns the index of each field by its yaml key; "-" and untagged ones are left out.
func fieldsOf(t reflect.Type) map[string][]int {
	fields := map[string][]int{}
	for i := range t.NumField() {
		key, _, _ := strings.Cut(t.Field(i).Tag.Get("yaml"), ",")
		if key != "" && key != "-" {
			fields[key] = []int{i}
		}
	}
	return fields
}

// Agree returns what differs between a schema and the struct that files are read into: keys
// that only one of them has and types that don't fit. Packages that own a schema call it in
// their tests with a zero value of the struct.
func Agree(s *Schema, zero any) []string { return agree(s, reflect.TypeOf(zero), "") }

func agree(s *Schema, t reflect.Type, path string) []string {
	if t.Kind() == reflect.Pointer {
		t = t.Elem()
	}
	ok := false
	switch s.Type {
	case "object":
		ok = t.Kind() == reflect.Struct
	case "array":
		ok = t.Kind() == reflect.Slice
	case "string":
		ok = t.Kind() == reflect.String || s.Format == "date" && t == reflect.TypeFor[time.Time]()
	case "number":
		ok = t.Kind() == reflect.Float64
	case "integer":
		ok = t.Kind() == reflect.Int
	}
	if !ok {
		return []string{fmt.Sprintf("%s: schema has type %s %s, struct has %v", path, s.Type, s.Format, t)}
	}
	var diff []string
	if s.Type == "array" {
		return agree(s.Items, t.Elem(), path+"[]")
	}
	if s.Type != "object" {
		return nil
	}
	fields := fieldsOf(t)
	for key := range fields {
		if s.Properties[key] == nil {
			diff = append(diff, join(path, key)+": in the struct, not in the schema")
		}
	}
	for _, key := range s.keys() {
		index, there := fields[key]
		if !there {
			diff = append(diff, join(path, key)+": in the schema, not in the struct")
			continue
		}
		diff = append(diff, agree(s.Properties[key], t.FieldByIndex(index).Type, join(path, key))...)
	}
	return diff
}
