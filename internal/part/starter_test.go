package part_test

import (
	"strings"
	"testing"

	"plumbsquare/internal/part"
	"plumbsquare/internal/strictyaml"
)

func TestStarterLoads(t *testing.T) {
	for _, name := range []string{"kestrel", "CCGA-1152", "1152", "a.b_c"} {
		text, err := part.Starter(name)
		if err != nil {
			t.Error(err)
			continue
		}
		p, err := part.Load(text, name)
		if err != nil {
			t.Error(err)
		} else if p.Name != name {
			t.Errorf("got name %s, want %s", p.Name, name)
		}
	}
	for _, name := range []string{"", "a b", "../a", "a\nb: 1", `a"`, "-x"} {
		if _, err := part.Starter(name); err == nil {
			t.Errorf("no error for %q", name)
		}
	}
}

// Somebody who starts from the starter must see every key that there is.
func TestStarterShowsEveryKey(t *testing.T) {
	text, err := part.Starter("p")
	if err != nil {
		t.Fatal(err)
	}
	s, err := strictyaml.ParseSchema([]byte(part.SchemaJSON))
	if err != nil {
		t.Fatal(err)
	}
	var walk func(*strictyaml.Schema)
	walk = func(s *strictyaml.Schema) {
		for key, p := range s.Properties {
			if !strings.Contains(string(text), key) {
				t.Errorf("%s is not mentioned", key)
			}
			walk(p)
		}
		if s.Items != nil {
			walk(s.Items)
		}
	}
	walk(s)
}
