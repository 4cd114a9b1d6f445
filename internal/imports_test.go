// Package internal_test keeps the floors of the program apart.
package internal_test

import (
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const module = "plumbsquare/"

// levels says on which floor each room is. A room imports rooms of lower floors only, and those
// beside it that neighbours names.
var levels = map[string]int{
	"internal/geom": 0, "internal/spc": 0, "internal/strictyaml": 0,
	"internal/reading": 1, "internal/part": 1, "internal/scope": 1, "internal/picture": 1, "internal/station": 1,
	"internal/cv": 2, "internal/cv/peers": 2, "internal/fit": 2, "internal/verdict": 2, "internal/synth": 2, "internal/drawing": 2, "internal/series": 2, "internal/design": 2, "internal/sites": 2,
	"internal/fiducial": 3, "internal/offset": 3, "internal/column": 3, "internal/drift": 3,
	"internal/measure": 4, "internal/calibrate": 4,
	"internal/intake": 5, "internal/batch": 5, "internal/worker": 5, "internal/overlay": 5, "internal/store": 5, "internal/store/pgtest": 5, "internal/signal": 5, "internal/chart": 5, "internal/mail": 5,
	"internal/report": 6, "internal/watch": 6, "internal/web": 6, "internal/accuracy": 6, "internal/performance": 6, "internal/torture": 6,
	"cmd/inspect": 7, "cmd/accuracy": 7, "cmd/performance": 7, "cmd/torture": 7, "cmd/torture-watch": 7,
}

var neighbours = map[string][]string{
	"internal/offset":  {"internal/fiducial"},
	"internal/column":  {"internal/fiducial"},
	"internal/batch":   {"internal/intake"},
	"internal/worker":  {"internal/overlay"},
	"internal/signal":  {"internal/store"},
	"internal/picture": {"internal/reading"}, // for refusals
}

// alone says which rooms may import what nobody else may.
var alone = map[string][]string{
	"gocv.io/x/gocv":         {"internal/cv"},
	"gonum.org/v1/plot":      {"internal/chart"},
	"database/sql":           {"internal/store"},
	"net/http":               {"internal/web", "cmd/inspect"},
	"github.com/spf13/cobra": {"cmd/inspect"},

	"github.com/wneessen/go-mail": {"internal/mail"},
}

// Rooms of the lower floors compute: they touch no file, no network, no process and write no log.
var (
	computing = 4
	worldly   = []string{"os", "os/exec", "os/signal", "net", "log", "log/slog", "syscall"}
)

// within reports whether an import is a package or lies under it.
func within(imported, pkg string) bool {
	return imported == pkg || strings.HasPrefix(imported, pkg+"/")
}

// TestImports reads the files itself, so that a changed file is a reason to run it again.
func TestImports(t *testing.T) {
	rooms := map[string]bool{}
	err := filepath.WalkDir("..", func(file string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		switch name := d.Name(); {
		case d.IsDir() && (name == "testdata" || len(name) > 2 && strings.HasPrefix(name, ".")):
			return fs.SkipDir
		case d.IsDir() || !strings.HasSuffix(name, ".go") || strings.HasSuffix(name, "_test.go"):
			return nil
		}
		room := strings.TrimPrefix(filepath.ToSlash(filepath.Dir(file)), "../")
		level, known := levels[room]
		if !known {
			t.Errorf("%s has no floor: give it one in levels, and a line in DEVELOPERS.md", room)
			return nil
		}
		rooms[room] = true
		f, err := parser.ParseFile(token.NewFileSet(), file, nil, parser.ImportsOnly)
		if err != nil {
			return err
		}
		for _, spec := range f.Imports {
			imported, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				return err
			}
			check(t, room, level, imported)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(rooms) < 10 {
		t.Errorf("found only the rooms %v; is something amiss?", rooms)
	}
}

func check(t *testing.T, room string, level int, imported string) {
	t.Helper()
	if ours, ok := strings.CutPrefix(imported, module); ok {
		if levels[ours] >= level && !slices.Contains(neighbours[room], ours) {
			t.Errorf("%s (floor %d) must not import %s (floor %d)", room, level, ours, levels[ours])
		}
		return
	}
	if room == "internal/spc" && !within(imported, "gonum.org/v1/gonum") && strings.Contains(imported, ".") {
		t.Errorf("spc must not import %s: numbers in, numbers out", imported)
	}
	for pkg, may := range alone {
		if within(imported, pkg) && !slices.Contains(may, room) {
			t.Errorf("%s must not import %s: that is for %s", room, imported, strings.Join(may, ", "))
		}
	}
	if level <= computing && slices.Contains(worldly, imported) {
		t.Errorf("%s computes and must not import %s", room, imported)
	}
}
