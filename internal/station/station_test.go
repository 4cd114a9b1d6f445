package station_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/station"
	"plumbsquare/internal/strictyaml"
)

func TestSchemaAgrees(t *testing.T) {
	s, err := strictyaml.ParseSchema([]byte(station.SchemaJSON))
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range strictyaml.Agree(s, station.Station{}) {
		t.Error(d)
	}
	var views []string
	for _, v := range reading.Views {
		views = append(views, string(v))
	}
	if d := cmp.Diff(views, s.Properties["view"].Enum); d != "" {
		t.Errorf("-views +schema\n%s", d)
	}
}

func TestLoadExample(t *testing.T) {
	const path = "../../examples/station.yaml"
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	s, err := station.Load(data, path)
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range []string{filepath.Join(s.Parts, s.Part+".yaml"), filepath.Join(s.Scopes, s.Scope+".yaml")} {
		if _, err := os.Stat(file); err != nil {
			t.Error(err)
		}
	}
}

func TestLoadJoinsPathsToTheFilesFolder(t *testing.T) {
	for _, tt := range []struct{ name, file, parts, part string }{
		{"names", "parts: parts\npart: tern", "line/parts", "tern"},
		{"a path up", "parts: ../parts\npart: ../tern.yaml", "parts", "tern.yaml"},
		{"a file", "part: tern.yaml", "", "line/tern.yaml"},
		{"a dot in the name", "part: tern.2", "", "tern.2"},
		{"absolute", "parts: /srv/parts\npart: /srv/tern.yaml", "/srv/parts", "/srv/tern.yaml"},
		{"nothing", "", "", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s, err := station.Load([]byte("station: s\n"+tt.file+"\n"), "line/station.yaml")
			if err != nil {
				t.Fatal(err)
			}
			if s.Parts != tt.parts || s.Part != tt.part {
				t.Errorf("got %q, %q, want %q, %q", s.Parts, s.Part, tt.parts, tt.part)
			}
		})
	}
}

func TestLoadStore(t *testing.T) {
	for file, want := range map[string]string{
		"store: line.db": "line/line.db", "store: /srv/line.db": "/srv/line.db",
		"store: postgres://inspect@linedb/line": "postgres://inspect@linedb/line", "": "",
	} {
		s, err := station.Load([]byte("station: s\n"+file+"\n"), "line/station.yaml")
		if err != nil {
			t.Fatal(err)
		}
		if s.Store != want {
			t.Errorf("%s: got %q, want %q", file, s.Store, want)
		}
	}
}

func TestLoadSaysWhatIsWrong(t *testing.T) {
	for _, tt := range []struct{ name, file, want string }{
		{"view", "station: s\nview: die plan\n", `f:2:7: view: want one of die-plan, die-ir, cap-plan, column-plan, column-side, ball-plan, got "die plan"; did you mean die-plan?`},
		{"key", "station: s\npatern: \"{lot}\"\n", `f:2:1: patern: unknown key; did you mean pattern?`},
		{"pattern", "station: s\npattern: lot_sample\n", `f:2:10: pattern: got "lot_sample" (how the names of pictures`},
		{"braces without quotes", "station: s\npattern: {lot}_{sample}\n", `f:2:`},
		{"name", "part: tern\n", `f:1:1: station: missing`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := station.Load([]byte(tt.file), "f")
			if err == nil || !strings.HasPrefix(err.Error(), tt.want) {
				t.Errorf("got  %v\nwant %s", err, tt.want)
			}
			t.Log(err)
		})
	}
}
