package intake_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
)

func TestWalkTellsWhatIsThere(t *testing.T) {
	folder(t, map[string]string{
		"in/a.png": "1", "in/lot 7/ö \"x\"\n.TIF": "22", "in/lot 7/traveler.csv": "", "in/a.png.yaml": "", "in/notes.docx": "",
		"in/.hidden.png": "", "in/.sync/b.png": "", "in/b.overlay.png": "", "in/results/a.png.json": "", "in/results/x.png": "",
		"in/needs-info/a.png.txt": "", "in/set-aside/a.png.txt": "", "in/lot 7/results/c.png": "", "elsewhere/d.png": "333",
	})
	for link, to := range map[string]string{
		"in/link.png": "../elsewhere/d.png", "in/broken.png": "nowhere.png", "in/folder.png": "../elsewhere", "in/loop": ".",
	} {
		if err := os.Symlink(to, link); err != nil {
			t.Fatal(err)
		}
	}
	if err := syscall.Mkfifo("in/pipe.png", 0o666); err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	err := intake.Walk(t.Context(), "in", func(f intake.Found) {
		text := [...]string{"nothing", "picture", "particular", "folder", "other"}[f.Kind]
		if f.Kind == intake.Picture {
			text += fmt.Sprint(" ", f.Size)
		}
		if f.Note != "" {
			text += ": " + f.Note
		}
		got[f.Path] = text
		again, err := intake.Look("in", f.Path)
		if err != nil || again != f {
			t.Errorf("looked at alone %q is %+v, %v; in the walk it is %+v", f.Path, again, err, f)
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	want := map[string]string{
		"in/a.png": "picture 1", "in/lot 7": "folder", "in/lot 7/ö \"x\"\n.TIF": "picture 2", "in/lot 7/traveler.csv": "particular",
		"in/a.png.yaml": "particular", "in/notes.docx": "other: not named as a picture is: .png, .tif, .tiff, .jpg, .jpeg, .bmp",
		"in/b.overlay.png": "nothing", "in/lot 7/results": "folder", "in/lot 7/results/c.png": "picture 0",
		"in/link.png": "picture 3", "in/broken.png": "other: a link that leads nowhere",
		"in/folder.png": "other: a link to a folder; links to folders are not followed",
		"in/loop":       "other: a link to a folder; links to folders are not followed", "in/pipe.png": "other: not a file",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	for _, own := range []string{"in/results/x.png", "in/.hidden.png", "in/.sync/b.png", "in/gone.png"} {
		if f, err := intake.Look("in", own); err != nil || f.Kind != intake.Nothing {
			t.Errorf("%s: got %+v, %v; want nothing", own, f, err)
		}
	}
	if err := intake.Walk(t.Context(), "unplugged", func(intake.Found) {}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("an inbox that is not there: got %v", err)
	}
}

func TestSettling(t *testing.T) {
	const settle = time.Second
	start := time.Date(2031, 3, 5, 6, 0, 0, 0, time.UTC)
	type look struct {
		after    time.Duration // since the start
		size     int64
		modified time.Duration // since the start
		wait     time.Duration
	}
	for _, c := range []struct {
		name  string
		looks []look
	}{
		{"written in one go", []look{{0, 5, 0, settle}, {400 * time.Millisecond, 5, 0, 600 * time.Millisecond}, {settle, 5, 0, 0}}},
		{"growing", []look{{0, 5, 0, settle}, {900 * time.Millisecond, 9, 900 * time.Millisecond, settle}, {1800 * time.Millisecond, 9, 900 * time.Millisecond, 100 * time.Millisecond}, {1900 * time.Millisecond, 9, 900 * time.Millisecond, 0}}},
		{"rewritten at the same size", []look{{0, 5, 0, settle}, {900 * time.Millisecond, 5, 900 * time.Millisecond, settle}}},
		{"moved here whole", []look{{0, 5, -time.Hour, settle / 5}, {settle / 5, 5, -time.Hour, 0}}},
		{"copied with its old time, still growing", []look{{0, 5, -time.Hour, settle / 5}, {settle / 5, 9, -time.Hour, settle}}},
		{"from a clock that is ahead", []look{{0, 5, time.Hour, settle}, {settle, 5, time.Hour, 0}}},
		{"empty as yet", []look{{0, 0, 0, 10 * settle}, {2 * settle, 0, 0, 8 * settle}, {3 * settle, 7, 3 * settle, settle}}},
		{"empty for good", []look{{0, 0, -time.Hour, 10 * settle}, {10 * settle, 0, -time.Hour, 0}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var s intake.Settling
			for i, l := range c.looks {
				got := s.Look(intake.Stamp{Size: l.size, Modified: start.Add(l.modified)}, start.Add(l.after), settle)
				if got != l.wait {
					t.Errorf("look %d after %v: got a wait of %v, want %v", i, l.after, got, l.wait)
				}
			}
		})
	}
}

// Whatever happens to a file, it never counts before it has looked the same for a fifth of the
// settle time, and always does once it has for the whole of it.
func TestSettlingHolds(t *testing.T) {
	const settle = time.Second
	rapid.Check(t, func(t *rapid.T) {
		var s intake.Settling
		now := time.Date(2031, 3, 5, 6, 0, 0, 0, time.UTC)
		var at intake.Stamp
		var since time.Time
		for i := range rapid.IntRange(1, 30).Draw(t, "looks") {
			if i == 0 || rapid.Bool().Draw(t, "written") {
				size := at.Size + int64(rapid.IntRange(1, 3).Draw(t, "grows"))
				at = intake.Stamp{Size: size, Modified: now.Add(time.Duration(rapid.IntRange(-5000, 5000).Draw(t, "modified_ms")) * time.Millisecond)}
				since = now
			}
			wait := s.Look(at, now, settle)
			switch same := now.Sub(since); {
			case wait == 0 && same < settle/5:
				t.Fatalf("counts after %v", same)
			case wait > 0 && same >= settle:
				t.Fatalf("doesn't count after %v, wants %v more", same, wait)
			}
			now = now.Add(time.Duration(rapid.IntRange(0, 400).Draw(t, "step_ms")) * time.Millisecond)
		}
	})
}

func TestContent(t *testing.T) {
	folder(t, map[string]string{"a b\n\"é\".png": "abc", "empty.png": ""})
	// FIPS 180-2, appendix B.1, and the SHA-256 of nothing (NIST's example values).
	for name, want := range map[string]string{
		"a b\n\"é\".png": "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
		"empty.png":      "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
	} {
		sum, at, err := intake.Content(t.Context(), name)
		if err != nil || sum != want || (at.Size == 3) != (name != "empty.png") {
			t.Errorf("%q: got %s, %+v, %v", name, sum, at, err)
		}
	}
	huge, err := os.Create("huge.tif")
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(huge.Truncate(1<<30), huge.Close()); err != nil { // takes up no room
		t.Fatal(err)
	}
	if _, _, err := intake.Content(t.Context(), "huge.tif"); !errors.Is(err, intake.ErrTooLarge) || !strings.Contains(err.Error(), "huge.tif: 1.07 GB") {
		t.Errorf("1 GB: got %v", err)
	}
	if err := syscall.Mkfifo("pipe.png", 0o666); err != nil {
		t.Fatal(err)
	}
	if _, _, err := intake.Content(t.Context(), "pipe.png"); err == nil || !strings.Contains(err.Error(), "not a file") {
		t.Errorf("a pipe: got %v", err)
	}
	if _, _, err := intake.Content(t.Context(), "gone.png"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a file that is gone: got %v", err)
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := intake.Content(ended, "empty.png"); !errors.Is(err, context.Canceled) {
		t.Errorf("after the end: got %v", err)
	}
}

func TestDesk(t *testing.T) {
	folder(t, map[string]string{
		"lot/a.png": "", "parts/tiny.yaml": partFile, "parts/bad.yaml": "part: bad\nsubstrat: {}\n", "parts/bench.yaml": scopeFile,
		"lot/f.png.yaml": "lott: K3\n",
		"lot/traveler.csv": "image,part,scope,view,lot,turn_deg\na.png,tiny,bench,die-plan,K3\nb.png,bad,bench,die-plan,K3\n" +
			"c.png,tiny,bench,die-plan,K3,45\nd.png,tiny,bench,die-plan,\ne.png,,,,\nf.png,tiny,bench,die-plan,K3\n",
	})
	for _, c := range []struct {
		name, picture string
		fallback      intake.Particulars
		want          string // of the lack; empty when there is none
	}{
		{"all known", "a.png", intake.Particulars{}, ""},
		{"a wrong part file", "b.png", intake.Particulars{}, "parts/bad.yaml:2:1: substrat: unknown key"},
		{"a wrong row counts for its picture only", "c.png", intake.Particulars{Part: "tiny", Scope: "bench", Shot: reading.Shot{View: "die-plan", Lot: "K9"}}, `lot/traveler.csv:4: turn_deg is "45"`},
		{"what the site insists on", "d.png", intake.Particulars{}, "not known: lot"},
		{"nothing known, all asked for at once", "e.png", intake.Particulars{}, "not known: part, scope, view, lot"},
		{"a wrong sidecar", "f.png", intake.Particulars{}, "lot/f.png.yaml:1:1: lott: unknown key"},
		{"no row", "g.png", intake.Particulars{}, `lot/traveler.csv:4: turn_deg is "45"`},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := intake.Desk{Options: intake.Options{Fallback: c.fallback}, Library: intake.Library{PartDirs: []string{"parts"}, ScopeDirs: []string{"parts"}}, Needed: []string{"lot"}}
			j, lack := d.Job(filepath.Join("lot", c.picture))
			switch {
			case lack == nil:
				if c.want != "" {
					t.Fatalf("nothing lacks; want %q", c.want)
				}
				if j.Part.Name != "tiny" || j.Scope.Name != "bench" || j.Shot.Lot != "K3" {
					t.Errorf("got part %s, scope %s, shot %+v", j.Part.Name, j.Scope.Name, j.Shot)
				}
			case c.want == "" || !strings.Contains(filepath.ToSlash(lack.String()), c.want):
				t.Errorf("lacks %q, want %q", lack, c.want)
			}
		})
	}
	if err := intake.ParseNeeded([]string{"lot", "sample"}); err != nil {
		t.Error(err)
	}
	if err := intake.ParseNeeded([]string{"lots"}); err == nil {
		t.Error("lots was taken for a particular")
	}
}

// BenchmarkWalk is what a look through an inbox of ten thousand pictures takes.
func BenchmarkWalk(b *testing.B) {
	inbox := b.TempDir()
	for i := range 10_000 {
		if err := os.WriteFile(filepath.Join(inbox, fmt.Sprintf("%d.png", i)), nil, 0o666); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		n := 0
		if err := intake.Walk(b.Context(), inbox, func(intake.Found) { n++ }); err != nil || n != 10_000 {
			b.Fatal(n, err)
		}
	}
}
