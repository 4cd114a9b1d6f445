package watch_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/store"
	"plumbsquare/internal/watch"
	"plumbsquare/internal/worker"
)

func TestPicturesAreAnswered(t *testing.T) {
	at(t, func(b *bench) {
		b.start(nil)
		b.shot("a.png", "accept 1")
		b.shot("lot 7/b \"ö\" 語\n.png", "retake 2")
		b.pass(4 * time.Second)
		b.has("results/a.png.accept.txt", "results/a.png.json", "results/a.png.overlay.png")
		if got := b.read("results/lot 7/b \"ö\" 語\n.png.retake.txt"); !strings.HasPrefix(got, "RETAKE   lot 7/b \"ö\" 語\\n.png\n\nTake this picture again: lower the light.\n") {
			t.Errorf("the answer is:\n%s", got)
		}
		if b.said("accept a.png") != 1 || b.said("retake", "lot 7", "saturated: lower the light") != 1 {
			t.Errorf("said %v", b.lines)
		}
		if s := b.status; s.Verdicts["accept"] != 1 || s.Verdicts["retake"] != 1 || s.Queued+s.Settling != 0 || len(s.Recent) != 2 {
			t.Errorf("status %+v", s)
		}
		b.stop()
		statuses, err := watch.ReadStatus(b.inbox)
		if err != nil || len(statuses) != 1 || !statuses[0].Ended {
			t.Errorf("after the end: %+v, %v", statuses, err)
		}

		// Another start measures nothing twice. What a power cut has left empty is made again.
		b.put("results/a.png.accept.txt", "")
		b.start(nil)
		b.pass(10 * time.Second)
		b.stop()
		if len(b.measured) != 2 || !strings.HasPrefix(b.read("results/a.png.accept.txt"), "ACCEPT   a.png\n") {
			t.Errorf("measured %q", b.measured)
		}
	})
}

// Names that aren't UTF-8, as older systems leave them, and one as long as names may be.
func TestStrangeNames(t *testing.T) {
	at(t, func(b *bench) {
		latin := "J\xfcrg's \"best\".png"
		long := strings.Repeat("x", 246) + ".png"
		b.start(nil)
		b.shot(latin, "accept 1")
		b.shot(long, "accept 2")
		b.pass(5 * time.Second)
		b.stop()
		b.has("results/"+latin+".accept.txt", "results/"+latin+".json")
		if got := b.read("results/" + latin + ".accept.txt"); !strings.HasPrefix(got, "ACCEPT   J\\xfcrg's \"best\".png\n") {
			t.Errorf("the answer is:\n%s", got)
		}
		if answers, _ := filepath.Glob(filepath.Join(b.inbox, "results", strings.Repeat("x", 171)+"~*.accept.txt")); len(answers) != 1 || len(b.measured) != 2 {
			t.Errorf("measured %q, answers %q", b.measured, answers)
		}
	})
}

func TestAFileThatGrowsWaits(t *testing.T) {
	at(t, func(b *bench) {
		b.start(func(o *watch.Options) { o.Settle = 3 * time.Second })
		for i := range 8 {
			b.shot("a.png", "accept "+strings.Repeat("x", i))
			b.pass(2 * time.Second)
		}
		if len(b.measured) > 0 {
			t.Errorf("measured %q while it grew", b.measured)
		}
		b.pass(4 * time.Second)
		if b.times("a.png") != 1 {
			t.Errorf("measured %q", b.measured)
		}
		b.stop()
	})
}

func TestTheSamePictureIsOneShot(t *testing.T) {
	at(t, func(b *bench) {
		b.start(nil)
		b.shot("a.png", "reject 1")
		b.pass(4 * time.Second)
		b.shot("a copy.png", "reject 1")
		b.pass(4 * time.Second)
		b.stop()
		if len(b.measured) != 1 {
			t.Errorf("measured %q", b.measured)
		}
		if got := b.read("results/a copy.png.reject.txt"); !strings.Contains(got, "This is the very same picture as a.png, and counts once.") {
			t.Errorf("the copy's answer is:\n%s", got)
		}
		if got := b.read("results/a copy.png.overlay.png"); got != "overlay of reject" {
			t.Errorf("the copy's overlay is %q", got)
		}
		if b.status.Verdicts["reject"] != 1 {
			t.Errorf("counted %v", b.status.Verdicts)
		}
	})
}

func TestTwinsThatArriveTogether(t *testing.T) {
	at(t, func(b *bench) {
		b.shot("a1.png", "accept 1")
		b.shot("a2.png", "accept 1")
		b.start(func(o *watch.Options) { o.Once = true })
		if err := <-b.over; err != nil {
			t.Error(err)
		}
		if len(b.measured) != 1 {
			t.Errorf("measured %q", b.measured)
		}
		b.has("results/a1.png.accept.txt", "results/a2.png.accept.txt")
	})
}

func TestReplacedUnderTheSameName(t *testing.T) {
	at(t, func(b *bench) {
		b.start(nil)
		b.shot("a.png", "retake 1")
		b.pass(4 * time.Second)
		sum := sha256.Sum256([]byte("retake 1"))
		before := "results/a.png~" + hex.EncodeToString(sum[:4])
		b.put("a.png", "accept 22")
		b.pass(4 * time.Second)
		b.stop()
		b.has("results/a.png.accept.txt", before+".retake.txt", before+".json", before+".overlay.png")
		b.hasNot("results/a.png.retake.txt")
		if got := b.read("results/a.png.overlay.png"); got != "overlay of accept" {
			t.Errorf("overlay is %q", got)
		}
	})
}

func TestNeedsInfo(t *testing.T) {
	at(t, func(b *bench) {
		b.start(nil)
		b.put("a,b.png", "accept 1")
		b.put("c.png", "accept 2")
		b.pass(4 * time.Second)
		got := b.read("needs-info/a,b.png.txt")
		for _, want := range []string{"WAITS   a,b.png", "Not known of this picture: part, scope, view.", "image,part,scope,view\n    \"a,b.png\",…,…,…", "a,b.png.yaml beside it", "measured by itself as soon as"} {
			if !strings.Contains(got, want) {
				t.Errorf("the note doesn't say %q:\n%s", want, got)
			}
		}
		if len(b.measured) > 0 || b.status.Counts.NeedsInfo != 2 || b.said("waits a,b.png") != 1 {
			t.Errorf("measured %q, status %+v", b.measured, b.status.Counts)
		}
		b.put("traveler.csv", "image,part,scope,view\n\"a,b.png\",tiny,bench,die-plan\nc.png,tiny,bench,plan\n")
		b.pass(4 * time.Second)
		if b.times("a,b.png") != 1 || b.times("c.png") != 0 {
			t.Errorf("measured %q", b.measured)
		}
		b.hasNot("needs-info/a,b.png.txt")
		if got := b.read("needs-info/c.png.txt"); !strings.Contains(got, `traveler.csv:3: no view is named "plan"`) {
			t.Errorf("the note doesn't name the row:\n%s", got)
		}
		// One that is taken away leaves no note behind.
		if err := os.Remove(filepath.Join(b.inbox, "c.png")); err != nil {
			t.Fatal(err)
		}
		b.pass(4 * time.Second)
		b.hasNot("needs-info/c.png.txt")
		b.stop()
	})
}

func TestAPartFileEditedMeanwhile(t *testing.T) {
	at(t, func(b *bench) {
		b.start(nil)
		b.shot("a.png", "accept 1")
		b.pass(4 * time.Second)
		put(t, filepath.Join(b.parts, "tiny.yaml"), partFile+"dye: {}\n")
		b.pass(4 * time.Second)
		b.shot("b.png", "accept 2")
		b.pass(4 * time.Second)
		if got := b.read("needs-info/b.png.txt"); !strings.Contains(got, "tiny.yaml:11:1: dye: unknown key") {
			t.Errorf("the note doesn't say what is wrong with the part file:\n%s", got)
		}
		put(t, filepath.Join(b.parts, "tiny.yaml"), strings.Replace(partFile, "25", "30", 1))
		b.pass(4 * time.Second)
		b.stop()
		if len(b.versions) != 2 || b.versions[0] == b.versions[1] {
			t.Errorf("part versions %q", b.versions)
		}
		if len(b.kept) != 3 || !strings.HasPrefix(b.kept[0], "tiny: part: tiny\n") || !strings.HasPrefix(b.kept[1], "bench: scope: bench\n") || !strings.Contains(b.kept[2], "30}") {
			t.Errorf("kept %q", b.kept)
		}
		if got := b.read("results/b.png.json"); !strings.Contains(got, b.versions[1]) {
			t.Errorf("the answer doesn't name the part's version:\n%s", got)
		}
	})
}

func TestSetAside(t *testing.T) {
	at(t, func(b *bench) {
		b.start(nil)
		b.shot("a.png", "kill")
		b.shot("b.png", "rubbish")
		huge, err := os.Create(filepath.Join(b.inbox, "c.png"))
		if err != nil {
			t.Fatal(err)
		}
		b.put("c.png.yaml", "part: tiny\nscope: bench\nview: die-plan\n")
		if err := errors.Join(huge.Truncate(1<<30), huge.Close()); err != nil {
			t.Fatal(err)
		}
		b.pass(3 * time.Second)
		b.has("set-aside/a.png.txt")
		b.hasNot("set-aside/b.png.txt") // it may not all be there yet
		b.pass(7 * time.Second)
		for name, want := range map[string]string{
			"a": "This file can't be measured: the process that measured it was ended by signal SIGABRT.",
			"b": "This file can't be measured: not a picture.",
			"c": "This file can't be measured: 1.07 GB are more than any picture takes",
		} {
			if got := b.read("set-aside/" + name + ".png.txt"); !strings.Contains(got, want) {
				t.Errorf("the note doesn't say %q:\n%s", want, got)
			}
		}
		if b.times("a.png") != 2 || b.times("b.png") < 2 || b.status.Counts.SetAside != 3 {
			t.Errorf("measured %q, status %+v", b.measured, b.status.Counts)
		}
		before := len(b.measured)
		b.pass(time.Minute)
		if len(b.measured) != before {
			t.Errorf("set aside and measured again: %q", b.measured)
		}
		b.put("b.png", "accept 2")
		b.pass(4 * time.Second)
		b.has("results/b.png.accept.txt")
		b.hasNot("set-aside/b.png.txt")
		if len(b.aside) != 1 {
			t.Errorf("a damaged copy that was replaced is still set aside in the store: %v", b.aside)
		}
		// Deleting a note has the same file tried once more, also of a program that has started since.
		b.stop()
		b.start(nil)
		b.pass(4 * time.Second)
		if b.status.Counts.SetAside != 2 || b.times("a.png") != 2 {
			t.Errorf("after a new start: measured %q, status %+v", b.measured, b.status.Counts)
		}
		if err := os.Remove(filepath.Join(b.inbox, "set-aside/a.png.txt")); err != nil {
			t.Fatal(err)
		}
		b.pass(6 * time.Second)
		b.has("set-aside/a.png.txt")
		if b.times("a.png") != 4 {
			t.Errorf("measured %q", b.measured)
		}
		b.stop()
	})
}

func TestReplacedAndTakenAwayBeforeMeasuring(t *testing.T) {
	at(t, func(b *bench) {
		b.failing = errors.New("database is locked")
		b.shot("a.png", "accept 1")
		b.shot("b.png", "accept 2")
		b.start(nil)
		b.pass(4 * time.Second)
		if b.said("trouble", "the store can't be written to (database is locked)") != 1 || len(b.status.Troubles) != 1 {
			t.Errorf("said %v", b.lines)
		}
		// The jobs get in, but before they are measured the files are others.
		b.mu.Lock()
		b.failing = nil
		b.jobs = append(b.jobs, job(b, "a.png", "accept 1"), job(b, "b.png", "accept 2"))
		b.put("a.png", "retake 11")
		if err := os.Remove(filepath.Join(b.inbox, "b.png")); err != nil {
			t.Fatal(err)
		}
		b.mu.Unlock()
		b.more <- struct{}{}
		b.pass(6 * time.Second)
		b.stop()
		if b.said("again a.png", "replaced") != 1 || b.said("again b.png", "taken away") != 1 || b.said("well", "the store can be written to again") != 1 {
			t.Errorf("said %v", b.lines)
		}
		b.has("results/a.png.retake.txt")
		b.hasNot("results/a.png.accept.txt", "results/b.png.accept.txt")
	})
}

func job(b *bench, name, text string) store.Job {
	sum := sha256.Sum256([]byte(text))
	return store.Job{Path: name, SHA256: hex.EncodeToString(sum[:]), Part: "tiny", Shot: reading.Shot{View: "die-plan", Lot: "K3", Sample: name[:1]}}
}

func TestStoreHeldByABackup(t *testing.T) {
	at(t, func(b *bench) {
		b.slow = 25 * time.Second
		b.start(nil)
		b.shot("a.png", "accept 1")
		b.pass(10 * time.Second)
		if b.said("trouble", "the store is busy: another program, such as a backup, holds it") != 1 {
			t.Errorf("said %v", b.lines)
		}
		b.pass(30 * time.Second)
		b.stop()
		b.has("results/a.png.accept.txt")
		if b.said("well", "the store") != 1 || len(b.status.Troubles) != 0 {
			t.Errorf("said %v", b.lines)
		}
	})
}

func TestShareUnpluggedAndBack(t *testing.T) {
	at(t, func(b *bench) {
		b.start(nil)
		b.shot("a.png", "accept 1")
		b.pass(4 * time.Second)
		away := b.inbox + " away"
		if err := errors.Join(os.Rename(b.inbox, away), os.Mkdir(b.inbox, 0o777)); err != nil {
			t.Fatal(err)
		}
		b.pass(10 * time.Second)
		if b.said("trouble", "is its share unplugged?") != 1 {
			t.Errorf("said %v", b.lines)
		}
		if left, _ := os.ReadDir(b.inbox); len(left) > 0 {
			t.Errorf("wrote %v into the empty place", left)
		}
		put(t, filepath.Join(away, "b.png"), "accept 2")
		put(t, filepath.Join(away, "b.png.yaml"), "part: tiny\nscope: bench\nview: die-plan\n")
		if err := errors.Join(os.Remove(b.inbox), os.Rename(away, b.inbox)); err != nil {
			t.Fatal(err)
		}
		b.pass(10 * time.Second)
		b.stop()
		if b.said("well", "the inbox is back") != 1 || len(b.measured) != 2 || b.times("b.png") != 1 {
			t.Errorf("measured %q, said %v", b.measured, b.lines)
		}
	})
}

func TestNoRoomForAnswers(t *testing.T) {
	at(t, func(b *bench) {
		b.start(nil)
		b.pass(time.Second)
		// A file where the folder belongs stands in for a full disk: nothing can be written there.
		place := filepath.Join(b.inbox, "results")
		if err := errors.Join(os.Remove(place), os.WriteFile(place, nil, 0o666)); err != nil {
			t.Fatal(err)
		}
		b.shot("a.png", "accept 1")
		b.pass(20 * time.Second)
		if b.said("trouble", "answers can't be written") != 1 || len(b.readings) != 0 || len(b.status.Troubles) != 1 {
			t.Errorf("said %v, recorded %d", b.lines, len(b.readings))
		}
		if err := os.Remove(place); err != nil {
			t.Fatal(err)
		}
		b.pass(4 * time.Second)
		b.stop()
		b.has("results/a.png.accept.txt")
		if b.said("well", "answers can be written again") != 1 || len(b.readings) != 1 {
			t.Errorf("said %v, recorded %d", b.lines, len(b.readings))
		}
	})
}

func TestNoOverlay(t *testing.T) {
	at(t, func(b *bench) {
		now := func(overlay, workers error) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.overlay, b.workers = overlay, workers
		}
		b.start(nil)
		now(errors.New("write /inbox/results/.a.png.overlay.png.1.partial: no space left on device"), nil)
		b.shot("a.png", "accept 1")
		b.pass(10 * time.Second)
		if b.said("trouble", "answers can't be written") != 1 || len(b.readings) != 0 {
			t.Errorf("a full disk: said %v, recorded %d", b.lines, len(b.readings))
		}
		now(errors.New("overlay: a picture of 0×0 pixels"), nil)
		b.pass(4 * time.Second)
		if got := b.read("results/a.png.accept.txt"); !strings.Contains(got, "Note: no overlay could be drawn (overlay: a picture of 0×0 pixels).") || len(b.readings) != 1 {
			t.Errorf("one that can't be drawn: recorded %d, the answer is\n%s", len(b.readings), got)
		}
		now(nil, fmt.Errorf("%w: fork: cannot allocate memory", worker.ErrStart))
		b.shot("b.png", "accept 2")
		b.pass(10 * time.Second)
		if b.said("trouble", "pictures can't be measured", "cannot allocate memory") != 1 || len(b.aside) != 0 {
			t.Errorf("no worker: said %v, set aside %v", b.lines, b.aside)
		}
		now(nil, nil)
		b.pass(4 * time.Second)
		b.stop()
		b.has("results/b.png.accept.txt", "results/b.png.overlay.png")
		if len(b.status.Troubles) != 0 {
			t.Errorf("still in trouble: %q", b.status.Troubles)
		}
	})
}

func TestLinksPipesAndOtherFiles(t *testing.T) {
	at(t, func(b *bench) {
		b.shot("a.png", "accept 1")
		b.put("notes.docx", "")
		link := func(to, name string) {
			if err := os.Symlink(to, filepath.Join(b.inbox, name)); err != nil {
				t.Fatal(err)
			}
		}
		put(t, filepath.Join(b.parts, "elsewhere.png"), "accept 2")
		b.shot("b.png", "")
		if err := os.Remove(filepath.Join(b.inbox, "b.png")); err != nil {
			t.Fatal(err)
		}
		link(filepath.Join(b.parts, "elsewhere.png"), "b.png")
		link(".", "loop")
		link("nowhere", "c.png")
		if err := syscall.Mkfifo(filepath.Join(b.inbox, "pipe.png"), 0o666); err != nil {
			t.Fatal(err)
		}
		b.start(nil)
		b.pass(6 * time.Second)
		b.stop()
		if len(b.measured) != 2 || b.times("b.png") != 1 {
			t.Errorf("measured %q", b.measured)
		}
		for _, want := range []string{"notes.docx not named as a picture", "loop a link to a folder", "c.png a link that leads nowhere", "pipe.png not a file"} {
			if b.said("alone", want) != 1 {
				t.Errorf("did not say %q once: %v", want, b.lines)
			}
		}
	})
}

func TestAThousandAtOnce(t *testing.T) {
	at(t, func(b *bench) {
		b.start(func(o *watch.Options) {
			o.Desk = func() (*intake.Desk, error) {
				said := intake.Particulars{Part: "tiny", Scope: "bench", Shot: reading.Shot{View: "die-plan"}}
				return &intake.Desk{Options: intake.Options{Fallback: said}, Library: intake.Library{PartDirs: []string{b.parts}, ScopeDirs: []string{b.parts}}}, nil
			}
		})
		for i := range 1000 {
			b.put(fmt.Sprintf("%d.png", i), fmt.Sprint("accept ", i))
		}
		b.pass(20 * time.Second)
		b.stop()
		if len(b.measured) != 1000 || b.status.Verdicts["accept"] != 1000 {
			t.Errorf("measured %d, counted %v", len(b.measured), b.status.Verdicts)
		}
	})
}

func TestEndedInTheMiddle(t *testing.T) {
	at(t, func(b *bench) {
		b.shot("a.png", "accept 1")
		b.shot("b.png", "accept 2")
		b.start(nil)
		time.Sleep(10 * time.Millisecond)
		b.stop()
		b.start(nil)
		b.pass(6 * time.Second)
		b.stop()
		b.has("results/a.png.accept.txt", "results/b.png.accept.txt")
		if len(b.readings) != 2 {
			t.Errorf("recorded %d", len(b.readings))
		}
	})
}

func TestNewReadingsAreHeldAgainstTheCharts(t *testing.T) {
	at(t, func(b *bench) {
		judged := 0
		b.start(func(o *watch.Options) {
			o.Judge = func(context.Context) ([]string, error) {
				if judged++; judged == 1 {
					return nil, errors.New("the store is away")
				}
				return []string{"x_um of tern: a point beyond its limits"}, nil
			}
		})
		b.pass(5 * time.Minute)
		if judged != 0 {
			t.Errorf("judged %d times with nothing new", judged)
		}
		b.shot("a.png", "accept 1")
		b.pass(5 * time.Minute)
		if judged != 2 {
			t.Errorf("judged %d times, want 2", judged)
		}
		b.pass(time.Hour) // the newest lot is complete by now
		b.stop()
		if judged != 3 || b.said("signal", "beyond its limits") != 2 || b.said("trouble", "the store is away") != 1 || b.said("well", "charts") != 1 {
			t.Errorf("judged %d times, said %v", judged, b.lines)
		}
	})
}

func TestAnInboxThatIsNotThere(t *testing.T) {
	err := watch.Run(t.Context(), watch.Options{Inbox: filepath.Join(t.TempDir(), "inbox")})
	if err == nil || !strings.HasPrefix(err.Error(), "inbox: ") {
		t.Errorf("got %v", err)
	}
	file := filepath.Join(t.TempDir(), "inbox")
	put(t, file, "")
	if err := watch.Run(t.Context(), watch.Options{Inbox: file}); err == nil || !strings.Contains(err.Error(), "not a folder") {
		t.Errorf("got %v", err)
	}
}
