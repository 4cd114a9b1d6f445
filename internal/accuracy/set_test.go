package accuracy

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"plumbsquare/internal/batch"
)

// A set is measured through a traveler and scope files like anybody's pictures, and its truth is
// never looked at on the way: here it is absent until scoring.
func TestSetFromEndToEnd(t *testing.T) {
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	set, work := t.TempDir(), filepath.Join(t.TempDir(), "work")
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(set, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	b, err := os.ReadFile(filepath.Join(root, "testdata/images/dunlin-die-009.png"))
	if err != nil {
		t.Fatal(err)
	}
	write("a.png", string(b))
	write("cut.png", string(b[:1000]))
	write("images.csv", "image,part,view,um_per_px,camera,lot,sample,file\n"+
		"good,dunlin,die-plan,16.0,telecentric,ladder,9,a.png\ncut,dunlin,die-plan,16.0,telecentric,ladder,9,cut.png\nother,none,die-plan,16.0,telecentric,,,x.png\n")
	if err := Prepare(set, work, regexp.MustCompile("nothing like it")); !errors.Is(err, ErrNone) {
		t.Errorf("no picture matches: got %v", err)
	}
	if err := Prepare(set, work, regexp.MustCompile("^(good|cut)$")); err != nil {
		t.Fatal(err)
	}
	answers, err := Measure(context.Background(), work, []string{filepath.Join(root, "internal/part/testdata")}, batch.Options{})
	if err != nil {
		t.Fatal(err)
	}
	measured := Results(answers)
	m, ok := measured["a"]
	if !ok || len(measured) != 1 {
		t.Fatalf("measured %v", measured)
	}

	write("truth.csv", "image,part,view,um_per_px,dx_um,dy_um,theta_deg,crlb_dx_um\na,dunlin,die-plan,16,-60,-29,-0.43,0.1\ncut,dunlin,die-plan,16,0,0,0,\n")
	truths, err := ReadTruth(set)
	if err != nil {
		t.Fatal(err)
	}
	s := NewSet("tiny", truths, measured, answers, 1)
	hold(t, []check{{"error of X", s.Scores[0].Components[0].Err[0], m.Offset[0] + 60}, {"lost", n(s.Scores[0].Lost), 1}})
	var page strings.Builder
	if err := Markdown(&page, []*Set{s}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"## tiny", "| die-plan / dunlin | 2 | 1 | 0 | 1 | 0 |", "every good picture measured | 1 of 2 | **not met**", "Error “the PNG file"} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("the page lacks %q:\n%s", want, page.String())
		}
	}
	if strings.Contains(page.String(), root) || strings.Contains(page.String(), set) {
		t.Errorf("the page names a folder of this machine:\n%s", page.String())
	}
	if err := WriteResults(work, truths, measured, answers); err != nil {
		t.Fatal(err)
	}
	rows, err := readTable(filepath.Join(work, "results.csv"))
	if err != nil {
		t.Fatal(err)
	}
	hold(t, []check{{"rows", n(rows), 1}, {"X", rows[0].number("dx_um"), m.Offset[0]}, {"off", rows[0].number("off_dx_px"), (m.Offset[0] + 60) / 16}})
}
