package watch_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbsquare/internal/watch"
	"plumbsquare/internal/worker"
)

const cornerTraveler = `image,part,scope,view,lot,sample,stage_x_mm,stage_y_mm
a.png,tiny,bench,die-plan,K3,7,-2,2
b.png,tiny,bench,die-plan,K3,7,2,-2
`

func TestCornersOfADieAreOneShot(t *testing.T) {
	at(t, func(b *bench) {
		b.start(nil)
		b.put("traveler.csv", cornerTraveler)
		b.put("b.png", "accept 2")
		b.pass(40 * time.Second)
		if len(b.measured) > 0 || b.said("waits b.png it waits for a.png, a corner of the same sample that traveler.csv names") != 1 {
			t.Errorf("measured %q, said %v", b.measured, b.lines)
		}
		if note := b.read("needs-info/b.png.txt"); !strings.Contains(note, "it waits for a.png") || !strings.Contains(note, "together with the others") {
			t.Errorf("the note is:\n%s", note)
		}
		b.put("a.png", "accept 1")
		b.pass(4 * time.Second)
		b.has("results/a.png.accept.txt", "results/b.png.accept.txt", "results/a.png.overlay.png")
		b.hasNot("results/b.png.overlay.png", "needs-info/b.png.txt")
		if b.said("accept a.png + b.png") != 1 || b.status.Verdicts["accept"] != 1 || len(b.measured) != 1 {
			t.Errorf("said %v", b.lines)
		}
		if got := b.read("results/b.png.accept.txt"); !strings.Contains(got, "One die in corner shots, a.png + b.png;") {
			t.Errorf("the answer is:\n%s", got)
		}

		// One that comes late would count the sample twice.
		b.corner("c.png", "7", 2, 2, "accept 3")
		b.pass(40 * time.Second)
		b.stop()
		if len(b.measured) != 1 || b.said("waits c.png", "has been measured already, from a.png, b.png") != 1 {
			t.Errorf("measured %q, said %v", b.measured, b.lines)
		}

		// Another start knows all that. Answers that were deleted come back.
		b.put("results/a.png.json", "")
		b.start(nil)
		b.pass(40 * time.Second)
		b.stop()
		if len(b.measured) != 1 || b.status.Counts.NeedsInfo != 1 || b.status.Settling != 0 {
			t.Errorf("measured %q, status %+v", b.measured, b.status)
		}
		b.has("results/a.png.accept.txt", "results/b.png.accept.txt", "needs-info/c.png.txt")
	})
}

// Without a traveler four are all; two or three are measured when no other has come for a while.
func TestCornersThatNobodyNames(t *testing.T) {
	at(t, func(b *bench) {
		b.start(nil)
		b.corner("a1.png", "7", -2, 2, "accept 1")
		b.corner("a2.png", "7", 2, 2, "accept 2")
		b.corner("a3.png", "7", -2, -2, "accept 3")
		b.corner("b1.png", "8", -2, 2, "accept 4")
		b.corner("b1 copy.png", "8", -2, 2, "accept 4")
		b.corner("e1.png", "9", -2, 2, "accept 5")
		b.corner("e2.png", "9", 2, -2, "accept 6")
		b.pass(20 * time.Second)
		if len(b.measured) != 0 || b.status.Settling != 6 /* but for the copy */ {
			t.Errorf("measured %q, %d settle", b.measured, b.status.Settling)
		}
		b.corner("a4.png", "7", 2, -2, "accept 7")
		b.pass(4 * time.Second)
		if b.said("accept a1.png + a2.png + a3.png + a4.png") != 1 {
			t.Errorf("said %v", b.lines)
		}
		b.pass(40 * time.Second)
		b.stop()
		if b.said("accept e1.png + e2.png") != 1 || b.said("waits", "the only one of its sample") != 1 || b.said("waits", "the very same picture as") != 1 {
			t.Errorf("said %v", b.lines)
		}
	})
}

func TestCornersOnce(t *testing.T) {
	at(t, func(b *bench) {
		b.corner("a1.png", "7", -2, 2, "accept 1")
		b.corner("a2.png", "7", 2, -2, "accept 2")
		b.corner("b.png", "8", 2, -2, "accept 3")
		b.start(func(o *watch.Options) { o.Once = true })
		if err := <-b.over; err != nil {
			t.Error(err)
		}
		if b.said("accept a1.png + a2.png") != 1 || b.said("waits b.png") != 1 || b.status.Counts.NeedsInfo != 1 {
			t.Errorf("said %v", b.lines)
		}
	})
}

// A corner that is to be taken again is, and the others count with it.
func TestACornerIsRetaken(t *testing.T) {
	at(t, func(b *bench) {
		b.put("traveler.csv", cornerTraveler)
		b.put("a.png", "accept 1")
		b.put("b.png", "retake 2")
		b.start(nil)
		b.pass(4 * time.Second)
		b.has("results/a.png.retake.txt", "results/b.png.retake.txt")
		b.put("b.png", "accept 22")
		b.pass(4 * time.Second)
		b.stop()
		b.has("results/a.png.accept.txt", "results/b.png.accept.txt")
		b.hasNot("results/a.png.retake.txt", "results/b.png.retake.txt")
		if len(b.readings) != 2 || b.status.Verdicts["retake"] != 1 || b.status.Verdicts["accept"] != 1 {
			t.Errorf("%d readings, %v", len(b.readings), b.status.Verdicts)
		}
	})
}

func TestCornersSetAside(t *testing.T) {
	at(t, func(b *bench) {
		b.put("traveler.csv", cornerTraveler)
		b.put("a.png", "accept 1")
		b.put("b.png", "kill 2")
		b.start(nil)
		b.pass(4 * time.Second)
		b.has("set-aside/a.png.txt", "set-aside/b.png.txt")
		if len(b.measured) != 2 || b.said("aside a.png + b.png", "SIGABRT") != 1 {
			t.Errorf("measured %q, said %v", b.measured, b.lines)
		}
		b.put("b.png", "accept 22")
		b.pass(4 * time.Second)
		b.stop()
		b.has("results/a.png.accept.txt", "results/b.png.accept.txt")
		b.hasNot("set-aside/a.png.txt", "set-aside/b.png.txt")
		if len(b.aside) != 0 {
			t.Errorf("still known as set aside: %v", b.aside)
		}
	})
}

func TestCornersThatDontGoTogether(t *testing.T) {
	at(t, func(b *bench) {
		b.put("traveler.csv", "image,part,scope,view,lot,sample,stage_x_mm,stage_y_mm\n"+
			"a.png,tiny,bench,die-plan,K3,7,-2,2\nb.png,tiny,blind,die-plan,K3,7,2,-2\n")
		b.put("blind.yaml", strings.Replace(strings.Replace(scopeFile, "u_stage_um: 1\n", "", 1), "bench", "blind", 1))
		b.put("a.png", "accept 1")
		b.put("b.png", "accept 2")
		b.start(nil)
		b.pass(4 * time.Second)
		if b.said("waits a.png + b.png", "u_stage_um is missing") != 1 {
			t.Errorf("said %v", b.lines)
		}
		b.put("traveler.csv", cornerTraveler) // it is corrected
		b.pass(4 * time.Second)
		b.stop()
		b.has("results/a.png.accept.txt", "results/b.png.accept.txt")
	})
}

// queueCorners lays both corners of a die into the inbox of a watch whose workers don't start.
func (b *bench) queueCorners() {
	b.put("traveler.csv", cornerTraveler)
	b.put("a.png", "accept 1")
	b.put("b.png", "accept 2")
	b.workers = worker.ErrStart
	b.start(nil)
	b.pass(4 * time.Second)
}

// Corners that are in the queue when the watch is stopped are measured at the next start, once.
func TestCornersOverARestart(t *testing.T) {
	at(t, func(b *bench) {
		b.queueCorners()
		if b.status.Queued != 2 || b.said("trouble", "pictures can't be measured") != 1 {
			t.Errorf("status %+v, said %v", b.status, b.lines)
		}
		b.stop()
		b.workers = nil
		b.start(nil)
		b.pass(40 * time.Second)
		b.stop()
		if len(b.readings) != 1 || len(b.measured) != 1 || b.status.Verdicts["accept"] != 1 {
			t.Errorf("%d readings, measured %q, status %+v", len(b.readings), b.measured, b.status)
		}
		b.has("results/a.png.accept.txt", "results/b.png.accept.txt")
	})
}

// One that is taken away before its sample is measured leaves the other waiting; one that is replaced
// then is measured as it is by then.
func TestCornersThatGoOrChange(t *testing.T) {
	at(t, func(b *bench) {
		b.queueCorners()
		if err := os.Remove(filepath.Join(b.inbox, "b.png")); err != nil {
			t.Fatal(err)
		}
		b.workers = nil
		b.pass(60 * time.Second)
		b.has("needs-info/a.png.txt")
		if len(b.readings) != 0 || b.said("again", "it was taken away") != 1 || b.said("waits a.png it waits for b.png") != 1 {
			t.Errorf("%d readings, said %v", len(b.readings), b.lines)
		}
		b.put("b.png", "reject 22")
		b.pass(10 * time.Second)
		b.stop()
		b.has("results/a.png.reject.txt", "results/b.png.reject.txt")
		if len(b.readings) != 1 {
			t.Errorf("%d readings", len(b.readings))
		}
	})
}
