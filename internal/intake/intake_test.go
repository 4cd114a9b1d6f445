package intake_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
)

// folder writes files into a new folder and goes there.
func folder(t *testing.T, files map[string]string) {
	t.Helper()
	t.Chdir(t.TempDir())
	for name, text := range files {
		if err := os.MkdirAll(filepath.Dir(name), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(name, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

func paths(shots []intake.Shot) (p []string) {
	for _, s := range shots {
		p = append(p, filepath.ToSlash(s.Path))
	}
	return p
}

func texts(errs []error) string {
	var b strings.Builder
	for _, err := range errs {
		b.WriteString(err.Error() + "\n")
	}
	return b.String()
}

func TestGatherFindsPictures(t *testing.T) {
	folder(t, map[string]string{
		"lot/b.png": "", "lot/a.TIF": "", "lot/notes.txt": "", "lot/.hidden.png": "", "lot/b.overlay.png": "", "lot/sub/c.png": "",
		"other/d.jpeg": "", "other/e[1].bmp": "", "empty/readme.md": "",
	})
	for _, c := range []struct {
		name string
		args []string
		want []string
		errs []string // a part of each, in order
	}{
		{"a folder, by name", []string{"lot"}, []string{"lot/a.TIF", "lot/b.png"}, nil},
		{"a picture once", []string{"lot/b.png", "./lot/b.png", "lot"}, []string{"lot/b.png", "lot/a.TIF"}, nil},
		{"a pattern skips what is no picture", []string{"lot/*"}, []string{"lot/a.TIF", "lot/b.png", "lot/sub/c.png"}, nil},
		{"a name that looks like a pattern", []string{"other/e[1].bmp"}, []string{"other/e[1].bmp"}, nil},
		{"any file that is named", []string{"lot/notes.txt"}, []string{"lot/notes.txt"}, nil},
		{"one wrong, the rest goes on", []string{"nowhere.png", "other/d.jpeg"}, []string{"other/d.jpeg"}, []string{"nowhere.png: no such picture"}},
		{"no pictures", []string{"empty"}, nil, []string{"empty: no pictures in this folder"}},
		{"nothing matches", []string{"x*.png"}, nil, []string{"x*.png: nothing matches"}},
		{"a broken pattern", []string{"[x"}, nil, []string{"[x: the pattern is not complete"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			shots, errs := intake.Gather(c.args, intake.Options{})
			if d := cmp.Diff(c.want, paths(shots)); d != "" {
				t.Errorf("pictures (-want +got):\n%s", d)
			}
			if len(errs) != len(c.errs) {
				t.Fatalf("got errors:\n%swant %d", texts(errs), len(c.errs))
			}
			for i, want := range c.errs {
				if !strings.Contains(errs[i].Error(), want) {
					t.Errorf("error %q does not say %q", errs[i], want)
				}
			}
		})
	}
}

func TestOrderOfParticulars(t *testing.T) {
	folder(t, map[string]string{
		"lot/K1_7_die-plan.png":      "",
		"lot/K1_7_die-plan.png.yaml": "sample: from sidecar\nhead: from sidecar\nnozzle: N3\n",
		"lot/traveler.csv":           "image,head,lot\nK1_7_die-plan.png,from traveler,\n",
	})
	pattern, err := intake.ParsePattern("{lot}_{sample}_{view}")
	if err != nil {
		t.Fatal(err)
	}
	shots, errs := intake.Gather([]string{"lot"}, intake.Options{
		Override: intake.Particulars{Part: "from flag"}, Pattern: pattern,
		Fallback: intake.Particulars{Part: "from station", Scope: "from station"},
	})
	if len(errs) > 0 {
		t.Fatal(texts(errs))
	}
	want := intake.Particulars{Part: "from flag", Scope: "from station", Shot: reading.Shot{
		View: reading.DiePlan, Lot: "K1", Sample: "from sidecar", Head: "from traveler", Nozzle: "N3"}}
	if d := cmp.Diff(want, shots[0].Particulars); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestTravelerNamesPicturesElsewhere(t *testing.T) {
	folder(t, map[string]string{
		"lot/sub/a.png": "", "b.png": "",
		"lot/traveler.csv": "image,sample\r\nsub\\a.png,1\r\n../b.png,2\r\ngone.png,3\r\n",
	})
	shots, errs := intake.Gather([]string{"lot"}, intake.Options{})
	if d := cmp.Diff([]string{"b.png", "lot/sub/a.png"}, paths(shots)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if got := texts(errs); !strings.Contains(filepath.ToSlash(got), "lot/traveler.csv:4: picture lot/gone.png is not there") {
		t.Errorf("errors: %s", got)
	}
	if shots[1].Sample != "1" {
		t.Errorf("got sample %q, want 1", shots[1].Sample)
	}
}

func TestSidecarErrorsNameFileAndLine(t *testing.T) {
	folder(t, map[string]string{"a.png": "", "a.png.yaml": "lot: K1\nnozle: N3\n", "b.png": ""})
	shots, errs := intake.Gather([]string{"."}, intake.Options{})
	if len(shots) != 2 {
		t.Errorf("got %d shots, want both", len(shots))
	}
	if got := texts(errs); !strings.Contains(got, "a.png.yaml:2:1") || !strings.Contains(got, "nozzle") {
		t.Errorf("error %q names neither place nor the key that was meant", got)
	}
}

const partFile = `part: tiny
substrate: {width_mm: 20, height_mm: 20, thickness_mm: 1}
marks:
  shape: disc
  diameter_mm: 0.5
  at:
    - {name: F1, x_mm: -4, y_mm: 4}
    - {name: F2, x_mm: 4, y_mm: -4}
die: {width_mm: 5, height_mm: 4, top_mm: 0.8}
limits: {offset_x_um: 25}
`

const scopeFile = `scope: bench
um_per_px_x: 5
um_per_px_y: 5
camera: telecentric
calibrated: 2031-01-01
expires: 2032-01-01
`

func TestLibrary(t *testing.T) {
	folder(t, map[string]string{
		"lot/a.png": "", "lot/b.png": "", "lot/c.png": "", "lot/d.png": "", "lot/e.png": "",
		"parts/tiny.yaml": partFile, "parts/bad.yaml": "part: bad\nsubstrat: {}\n", "lot/bench.yaml": scopeFile,
		"lot/traveler.csv": "image,part,scope,view\na.png,tiny,bench,die-plan\nb.png,bad,bench,die-plan\n" +
			"c.png,bad,bench,die-plan\nd.png,tiny,,die-plan\ne.png,../parts/tiny.yaml,bench,\n",
	})
	shots, errs := intake.Gather([]string{"lot"}, intake.Options{})
	if len(errs) > 0 {
		t.Fatal(texts(errs))
	}
	library := intake.Library{PartDirs: []string{"parts"}}
	jobs, errs := library.Jobs(shots)
	if len(jobs) != 1 || jobs[0].Part.Name != "tiny" || jobs[0].Scope.Name != "bench" || jobs[0].Shot.View != reading.DiePlan {
		t.Errorf("jobs: %+v; errors: %s", jobs, texts(errs))
	}
	if len(errs) != 3 {
		t.Fatalf("got errors:\n%swant 3, one a cause", texts(errs))
	}
	for i, want := range []string{"lot/b.png and 1 more: ", "lot/d.png: which scope took it?", "lot/e.png: which view is it?"} {
		if got := filepath.ToSlash(errs[i].Error()); !strings.HasPrefix(got, want) {
			t.Errorf("error %q does not begin with %q", got, want)
		}
	}
	if got := errs[0].Error(); !strings.Contains(filepath.ToSlash(got), "parts/bad.yaml:2:1") || !strings.Contains(got, "substrate") {
		t.Errorf("error %q names neither place nor the key that was meant", got)
	}
	_, errs = library.Jobs([]intake.Shot{{Path: "x/a.png", Particulars: intake.Particulars{Part: "unknown"}}})
	if got := filepath.ToSlash(texts(errs)); !strings.Contains(got, "x/unknown.yaml, parts/unknown.yaml") {
		t.Errorf("error %q does not say where it looked", got)
	}
}

func TestBench(t *testing.T) {
	folder(t, map[string]string{
		"bench/station.yaml":    "station: s1\nparts: parts\nscopes: ../scopes\npart: tiny\nscope: bench\nview: die-plan\npattern: \"{lot}_{sample}\"\n",
		"bench/parts/tiny.yaml": partFile, "scopes/bench.yaml": scopeFile, "K7_3.png": "",
	})
	var o intake.Options
	var l intake.Library
	if err := o.Bench(&l, "bench/station.yaml"); err != nil {
		t.Fatal(err)
	}
	shots, _ := intake.Gather([]string{"K7_3.png"}, o)
	jobs, errs := l.Jobs(shots)
	if len(errs) > 0 || len(jobs) != 1 {
		t.Fatalf("jobs %v, errors %s", jobs, texts(errs))
	}
	if d := cmp.Diff(reading.Shot{View: reading.DiePlan, Lot: "K7", Sample: "3"}, jobs[0].Shot); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}
