package intake_test

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"plumbsquare/internal/intake"
)

func TestOwn(t *testing.T) {
	long := strings.Repeat("長", 80) + ".png" // 244 bytes
	for _, c := range []struct{ picture, want string }{
		{"in/a.png", "in/results/a.png.json"},
		{"in/lot 7/a \"b\".tif", "in/results/lot 7/a \"b\".tif.json"},
		{"elsewhere/a.png", "in/results/a.png.json"}, // never outside the inbox
		{"in/../../a.png", "in/results/a.png.json"},
		{"in/" + long, "in/results/" + strings.Repeat("長", 57) + "~"},
	} {
		if got := intake.Own("in", intake.ResultsFolder, c.picture, ".json"); !strings.HasPrefix(got, c.want) {
			t.Errorf("%s: got %s, want %s", c.picture, got, c.want)
		}
	}
}

// Whatever a picture is called, its own files lie in the inbox, have names that file systems take
// and are told apart.
func TestOwnIsInsideAndItsOwn(t *testing.T) {
	name := rapid.StringMatching(`[a-z é語 "'\n.]{1,90}\.png`)
	rapid.Check(t, func(t *rapid.T) {
		a, b := name.Draw(t, "a"), name.Draw(t, "b")
		own := func(name string) string { return intake.Own("in", "results", "in/"+name, intake.OverlaySuffix) }
		got := own(a)
		if !strings.HasPrefix(got, filepath.Join("in", "results")+"/") || len(filepath.Base(got)) > 200 || !utf8.ValidString(got) {
			t.Errorf("%q gives %q", a, got)
		}
		if a != b && got == own(b) {
			t.Errorf("%q and %q both give %q", a, b, got)
		}
	})
}

func TestPrintable(t *testing.T) {
	for name, want := range map[string]string{
		`a "b" \ é 語.png`: `a "b" \ é 語.png`,
		"a\nb\x1b[2J\xff": `a\nb\x1b[2J\xff`,
	} {
		if got := intake.Printable(name); got != want {
			t.Errorf("%q: got %s, want %s", name, got, want)
		}
	}
}

func TestWriteWhole(t *testing.T) {
	t.Chdir(t.TempDir())
	for _, text := range []string{"first", "second"} {
		if err := intake.WriteWhole("a/b/c.txt", []byte(text)); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile("a/b/c.txt"); err != nil || string(got) != text {
			t.Errorf("got %q, %v", got, err)
		}
	}
	if err := os.Mkdir("taken", 0o777); err != nil {
		t.Fatal(err)
	}
	if err := intake.WriteWhole("taken", nil); err == nil {
		t.Error("a folder was written over")
	}
	if err := intake.WriteWhole("a/b/c.txt/d", nil); err == nil || errors.Is(err, os.ErrNotExist) {
		t.Errorf("below a file: got %v", err)
	}
	if left, _ := filepath.Glob(".*"); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
	if left, _ := filepath.Glob("a/b/.*"); len(left) > 0 {
		t.Errorf("left behind: %q", left)
	}
}
