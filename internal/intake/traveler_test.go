package intake

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/strictyaml"
)

func TestTraveler(t *testing.T) {
	for _, c := range []struct {
		name, text string
		rows       string // path sample, one a line
		errs       []string
	}{
		{"plain", "image,sample\na.png,1\nb.png,2\n", "a.png 1\nb.png 2\n", nil},
		{"as a spreadsheet saves it", "\ufeffImage;Sample;view\r\n\"a;1.png\";\"1 \"\"x\"\"\";Die-Plan\r\n\r\n", "a;1.png 1 \"x\"\n", nil},
		{"tabs", "sample\timage\n7\ta,b.png", "a,b.png 7\n", nil},
		{"unknown columns, short rows", "note,image,sample\nx,a.png\n", "a.png \n", nil},
		{"nothing", "", "", nil},
		{"no image column", "picture,sample\na.png,1\n", "", []string{`f:1: no column is named "image"`}},
		{"two columns alike", "image,Lot,lot\na.png,1,2\n", "", []string{`f:1: two columns are named "lot"`}},
		{"a bad row, the others count", "image,sample\na.png,\"1\nb.png,2\nc.png,3,4,5\n,6\nd.png,7\n", "b.png 2\nd.png 7\n",
			[]string{"f:2: a quote", "f:4: the row has 4 columns", "f:5: the column image is empty"}},
		{"an unknown view", "image,view\na.png,plan\nb.png,cap-plan\n", "b.png \n", []string{`f:2: no view is named "plan"; there are die-plan, die-ir`}},
		{"twice", "image,sample\na.png,1\n./a.png,2\n", "a.png 1\n", []string{"f:3: picture a.png has a row already, line 2"}},
		{"how the sample lay", "image,turn_deg,stage_x_mm,stage_y_mm\na.png,180,\"1,5\",-2\nb.png,45\nc.png,x\nd.png,,1\ne.png,,nan,0\nf.png,,1,1e9\ng.png,,,\n", "a.png \ng.png \n",
			[]string{`f:3: turn_deg is "45"; want 0, 90, 180 or 270`, `f:4: turn_deg is "x"; want a number`, "f:5: of stage_x_mm and stage_y_mm one is empty", `f:6: stage_x_mm is "nan"`, `f:7: stage_y_mm is "1e9"`}},
		{"UTF-16", "\xff\xfei\x00m\x00", "", []string{"f:1: the file is in UTF-16"}},
		{"Latin-1", "image,operator\na.png,J\xfcrg\nb.png,\n", "b.png \n", []string{"f:2: there are letters that are not UTF-8"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			tr, errs := parseTraveler("f", []byte(c.text))
			var rows strings.Builder
			for _, r := range tr.rows {
				fmt.Fprintln(&rows, r.path, r.Sample)
			}
			if rows.String() != c.rows {
				t.Errorf("got rows\n%swant\n%s", rows.String(), c.rows)
			}
			if len(errs) != len(c.errs) {
				t.Fatalf("got errors %v, want %d", errs, len(c.errs))
			}
			for i, want := range c.errs {
				if !strings.HasPrefix(errs[i].Error(), want) {
					t.Errorf("error %q does not begin with %q", errs[i], want)
				}
			}
		})
	}
}

// Every line of whatever comes in is a row, an error or the header; nothing is lost in silence.
func FuzzTraveler(f *testing.F) {
	f.Add([]byte("image,part,view,scope,lot\na.png,tern,die-plan,b1,K3\n"))
	f.Add([]byte("\ufeffimage;sample\r\n\"a\";1\r\nb;\"2\r\n"))
	f.Add([]byte("image\n\x00\n\xff\n,\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		tr, errs := parseTraveler(filepath.Join("lot", TravelerName), b)
		lines := 0
		for l := range strings.Lines(strings.TrimPrefix(string(b), "\ufeff")) {
			if strings.TrimSpace(l) != "" {
				lines++
			}
		}
		if len(tr.rows) > 0 && len(tr.rows)+len(errs) != lines-1 {
			t.Errorf("%d lines, %d rows and %d errors", lines, len(tr.rows), len(errs))
		}
		if lines > 1 && len(tr.rows) == 0 && len(errs) == 0 {
			t.Errorf("%d lines, nothing came of them", lines)
		}
		for _, r := range tr.rows {
			if tr.rows[tr.of[r.path]].line != r.line {
				t.Errorf("%q leads to another row", r.path)
			}
		}
	})
}

func FuzzSidecar(f *testing.F) {
	f.Add([]byte("part: tern\nview: die-plan\nsample: \"7\"\n"))
	f.Add([]byte("- a\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		if _, err := parseSidecar("a.png.yaml", b); err != nil && !strings.Contains(err.Error(), "a.png.yaml") {
			t.Errorf("error %q does not name the file", err)
		}
	})
}

func FuzzPattern(f *testing.F) {
	f.Add("{lot}_{sample}_{view}", "K203_4_die-plan.png")
	f.Add("{}-{nozzle}", "x-N3.tif")
	f.Fuzz(func(t *testing.T, pattern, name string) {
		p, err := ParsePattern(pattern)
		if err == nil {
			p.particulars(name)
		}
	})
}

func TestPattern(t *testing.T) {
	for _, c := range []struct {
		pattern, name string
		want          string // lot sample view
	}{
		{"{lot}_{sample}_{view}", "K203_4_die-plan.png", "K203 4 die-plan"},
		{"{lot}-{view}-{sample}", "K203-Column-Plan-4.tif", "K203 4 column-plan"},
		{"{lot}_{sample}", "K203_4_5.png", "K203 4_5 "},
		{"{}.{sample}", "scan.9.png", " 9 "},
		{"{lot}_{sample}_{view}", "holiday.png", "  "},
	} {
		p, err := ParsePattern(c.pattern)
		if err != nil {
			t.Fatal(err)
		}
		got := p.particulars(c.name)
		if s := fmt.Sprintf("%s %s %s", got.Lot, got.Sample, got.View); s != c.want {
			t.Errorf("%s of %s: got %q, want %q", c.pattern, c.name, s, c.want)
		}
	}
	for _, bad := range []string{"", "lot", "{lott}", "{lot}_{lot}", "{lot", "{lot}}"} {
		if _, err := ParsePattern(bad); err == nil {
			t.Errorf("pattern %q was taken", bad)
		}
	}
}

func TestSidecarSchemaAgrees(t *testing.T) {
	s, err := strictyaml.ParseSchema([]byte(SchemaJSON))
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range strictyaml.Agree(s, sidecarFile{}) {
		t.Error(d)
	}
}

func TestPlaceUnderTheScope(t *testing.T) {
	tr, errs := parseTraveler("f", []byte("image;turn_deg;stage_x_mm;stage_y_mm\na.png;180;1,5;-2\nb.png;;;\n"))
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	a, b := tr.rows[0], tr.rows[1]
	if a.TurnDeg != 180 || a.Stage == nil || *a.Stage != (reading.Stage{XMm: 1.5, YMm: -2}) {
		t.Errorf("got turn %g, stage %v", a.TurnDeg, a.Stage)
	}
	if b.TurnDeg != 0 || b.Stage != nil {
		t.Errorf("got turn %g, stage %v where nothing was said", b.TurnDeg, b.Stage)
	}
}
