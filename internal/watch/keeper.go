package watch

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
)

// A state is where a picture of the inbox stands.
type state int

const (
	settling   state = iota // may still be growing
	settled                 // to be taken into the queue
	gathering               // a corner shot, until it is known which others belong to it
	needsInfo               // waits for particulars
	unreadable              // can't be opened as yet
	queued                  // in the store's queue
	answered                // measured, and its answer is in results/
	aside                   // can't be measured
)

// A file is a picture of the inbox.
type file struct {
	path string
	state
	settling intake.Settling
	stamp    intake.Stamp // as it was last seen
	next     time.Time    // when to look again, or to try again
	sum      string       // SHA-256 of the content under stamp; empty when not known
	shot     string       // SHA-256 of the job that it is in or was: sum, or over those of all corners
	why      string       // it waits or is set aside
	again    bool         // it was set aside and somebody wants it tried again
	spoilt   string       // SHA-256 of the job that was set aside under this name before

	corner *intake.Job // of a corner shot
	since  time.Time   // it is known as that
}

// A keeper keeps an inbox. All but what mu guards belongs to the goroutine of run.
type keeper struct {
	o       Options
	inbox   string // its name in the store
	results results
	touched *touched
	awake   chan struct{}
	kept    sync.Map // versions of part and scope files that the store has
	// unjudged says that there are readings that the control charts haven't been held against.
	unjudged atomic.Bool

	files       map[string]*file // by path
	active      map[string]*file // those of them that settle or are settled
	copies      map[string]*file // those that are queued under another name, or were
	cornered    map[string]*file // those that are corner shots
	particulars map[string]intake.Stamp
	alone       map[string]string // why a file is left alone
	desk        *intake.Desk      // that the last pictures were taken with; nil when it may be out of date
	walked      bool
	deaf        bool // it has been said that the system doesn't tell all
	status      Status
	published   time.Time // when it was written last

	mu       sync.Mutex // of what follows
	endings  []ending
	troubles map[string]string // by what is in trouble
	verdicts map[reading.Decision]int
	recent   []Recent
	damaged  map[string]damage // by path of the picture
	changed  bool              // the status is to be written
	saying   sync.Mutex
}

func (k *keeper) wake() {
	select {
	case k.awake <- struct{}{}:
	default:
	}
}

// run keeps the inbox until ctx ends, or with Once until all that is there has been dealt with.
func (k *keeper) run(ctx context.Context) {
	var rescan time.Time
	for ctx.Err() == nil {
		k.drain(ctx)
		now := time.Now()
		paths, lost, err := k.touched.take()
		if err != nil && !k.deaf {
			k.deaf = true
			k.say(Line{Word: "alone", Text: fmt.Sprintf("the system doesn't tell of all that is touched (%v); it is found by looking through the inbox, every few seconds", err)})
		}
		if lost || !now.Before(rescan) {
			k.walk(ctx)
			rescan = time.Now().Add(k.restAfter(time.Since(now)))
		}
		k.look(paths)
		next := k.advance(ctx)
		if k.o.Once && k.idle() {
			return
		}
		for _, t := range []time.Time{rescan, k.publish(time.Now())} {
			if t.Before(next) {
				next = t
			}
		}
		timer := time.NewTimer(time.Until(next))
		select {
		case <-ctx.Done():
		case <-k.awake:
		case <-timer.C:
		}
		timer.Stop()
	}
}

// restAfter returns how long to wait after a look through the inbox that took so long.
func (k *keeper) restAfter(took time.Duration) time.Duration {
	if k.o.Rescan > 0 {
		return k.o.Rescan
	}
	return min(max(leastRescan, restPerScan*took), mostRescan)
}

// idle reports whether nothing is left to be done.
func (k *keeper) idle() bool {
	if !k.walked || len(k.active) > 0 {
		return false
	}
	for _, f := range k.files {
		if f.state == queued || f.state == gathering {
			return false
		}
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	return len(k.endings) == 0
}

// walk looks through the whole inbox.
func (k *keeper) walk(ctx context.Context) {
	if err := k.plugged(); err != nil {
		k.trouble("inbox", unplugged(err))
		return
	}
	seen := map[string]bool{}
	particulars := map[string]intake.Stamp{}
	alone := map[string]string{}
	k.touched.add(k.o.Inbox)
	err := intake.Walk(ctx, k.o.Inbox, func(f intake.Found) {
		switch f.Kind {
		case intake.Folder:
			k.touched.add(f.Path)
		case intake.Particular:
			particulars[f.Path] = f.Stamp
		case intake.Picture:
			seen[f.Path] = true
			k.found(f)
		case intake.Other:
			alone[k.results.rel(f.Path)] = f.Note
		}
	})
	if ctx.Err() != nil {
		return
	}
	if err == nil {
		err = k.plugged() // and was so all the while
	}
	if err != nil {
		k.trouble("inbox", unplugged(err))
		return
	}
	k.well("inbox", "the inbox is back")
	k.walked = true
	for path := range k.files {
		if !seen[path] {
			k.forget(path)
		}
	}
	k.beside(particulars)
	if !maps.EqualFunc(particulars, k.particulars, intake.Stamp.Same) {
		k.particulars = particulars
		k.retry()
	}
	k.recheck()
	k.leaveAlone(alone)
}

func unplugged(err error) string {
	return fmt.Sprintf("the inbox can't be reached (%v): is its share unplugged? Nothing is lost; work goes on by itself once it is back", err)
}

// beside adds what the desk reads outside the inbox.
func (k *keeper) beside(stamps map[string]intake.Stamp) {
	for _, b := range k.o.Beside {
		info, err := os.Stat(b)
		if err != nil {
			continue // the pictures that need it tell
		}
		if !info.IsDir() {
			stamps[b] = intake.Stamp{Size: info.Size(), Modified: info.ModTime()}
			continue
		}
		k.touched.add(b)
		entries, _ := os.ReadDir(b)
		for _, e := range entries {
			if info, err := e.Info(); err == nil {
				stamps[filepath.Join(b, e.Name())] = intake.Stamp{Size: info.Size(), Modified: info.ModTime()}
			}
		}
	}
}

// look takes notice of what was touched.
func (k *keeper) look(paths map[string]bool) {
	told := false
	for path := range paths {
		if rel, err := filepath.Rel(k.o.Inbox, path); err != nil || !filepath.IsLocal(rel) {
			told = true
			continue
		}
		f, err := intake.Look(k.o.Inbox, path)
		switch {
		case err != nil: // the next look through the inbox tells
		case f.Kind == intake.Picture:
			k.found(f)
		case f.Kind == intake.Folder:
			k.touched.lose() // what is in it may have come before anybody watched it
		case f.Kind == intake.Particular:
			told = true
		}
	}
	if told {
		k.retry()
	}
}

// found takes notice of a picture.
func (k *keeper) found(f intake.Found) {
	old := k.files[f.Path]
	switch {
	case old == nil:
		old = &file{path: f.Path, stamp: f.Stamp}
		k.files[f.Path] = old
	case !f.Stamp.Same(old.stamp): // another content, whatever became of the one before
		spoilt := old.spoilt
		if old.state == aside {
			spoilt = old.shot
		}
		*old = file{path: old.path, settling: old.settling, stamp: f.Stamp, spoilt: spoilt}
		delete(k.cornered, f.Path)
	case old.state == unreadable:
		old.state = settled
	default:
		return
	}
	k.active[f.Path] = old
	k.touch()
}

// forget lets go of a picture that has been taken away. Its answer stays.
func (k *keeper) forget(path string) {
	f := k.files[path]
	delete(k.files, path)
	delete(k.active, path)
	delete(k.copies, path)
	if f.corner != nil {
		delete(k.cornered, path)
		k.gatherAgain(filepath.Dir(path))
	}
	k.mu.Lock()
	delete(k.damaged, path)
	k.mu.Unlock()
	if f.state == needsInfo || f.state == aside {
		if err := k.results.clearNotes(path); err != nil {
			k.trouble("results", cantWrite(err))
		}
	}
	k.touch()
}

// retry looks again at pictures that wait, since what is said of them has changed.
func (k *keeper) retry() {
	k.desk = nil
	for path, f := range k.files {
		if f.state == needsInfo || f.state == gathering {
			f.state, f.next = settled, time.Time{}
			k.active[path] = f
		}
	}
}

// recheck finds the answers that another machine has given, and the notes that somebody has deleted to
// have a file tried again.
func (k *keeper) recheck() {
	for path, f := range k.files {
		switch f.state {
		case queued:
			if k.results.answers(path, f.sum, f.shot) {
				f.state = answered
				delete(k.copies, path)
				k.touch()
			}
		case aside:
			if _, err := os.Lstat(k.results.note(intake.SetAsideFolder, path)); errors.Is(err, fs.ErrNotExist) {
				f.state, f.next, f.why, f.again = settled, time.Time{}, "", true
				k.active[path] = f
				k.touch()
			}
		}
	}
	for path, f := range k.copies {
		if f.state == queued && !time.Now().Before(f.next) {
			f.state = settled
			k.active[path] = f
		}
	}
}

// leaveAlone notes files that aren't pictures, and says so once.
func (k *keeper) leaveAlone(alone map[string]string) {
	if maps.Equal(alone, k.alone) {
		return
	}
	for path, why := range alone {
		if k.alone[path] != why {
			k.say(Line{Word: "alone", Path: path, Text: why})
		}
	}
	k.alone = alone
	k.touch()
}

// drain takes notice of what became of jobs.
func (k *keeper) drain(ctx context.Context) {
	k.mu.Lock()
	endings := k.endings
	k.endings = nil
	k.mu.Unlock()
	for _, e := range endings {
		var files []*file
		for _, p := range e.pictures {
			if f := k.files[p.Path]; f != nil && f.sum == p.SHA256 && f.shot == e.job.SHA256 {
				files = append(files, f)
			}
		}
		switch e.outcome {
		case measured:
			for _, f := range files {
				f.state = answered
			}
			k.replaced(ctx, shot{files, e.job})
		case putAside:
			k.setAside(e.why, files...)
		case putBack:
			for _, f := range files {
				f.state, f.sum, f.next = settled, "", time.Now().Add(tryAgain)
				k.active[f.path] = f
			}
		}
		if e.outcome != putBack {
			k.alike(e)
		}
	}
}

// alike has pictures of the same content that wait for a job's outcome look for it.
func (k *keeper) alike(e ending) {
	for path, f := range k.copies {
		if f.shot == e.job.SHA256 && f.state == queued {
			f.state, f.next = settled, time.Time{}
			k.active[path] = f
			delete(k.copies, path)
		}
	}
}
