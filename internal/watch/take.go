package watch

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"strconv"
	"sync"
	"time"
	"unicode/utf8"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/store"
)

const (
	// takesAtATime bounds how long the keeper takes pictures in before it looks around again.
	takesAtATime = 500 * time.Millisecond
	// tryAgain is how long to wait after something that isn't the picture's fault.
	tryAgain = 2 * time.Second
	// never is farther away than any other time to look again.
	never = time.Hour
)

// advance looks again at the files that settle, takes those that have settled into the queue, and
// returns when to look again.
func (k *keeper) advance(ctx context.Context) (next time.Time) {
	now := time.Now()
	next = now.Add(never)
	later := func(t time.Time) {
		if t.Before(next) {
			next = t
		}
	}
	for path, f := range k.active {
		if ctx.Err() != nil {
			return next
		}
		if time.Since(now) > takesAtATime {
			return time.Now()
		}
		if f.state == settling {
			k.settle(f)
		}
		if f.state == settled && !time.Now().Before(f.next) {
			k.take(ctx, f)
		}
		if f.state != settling && f.state != settled {
			delete(k.active, path)
			continue
		}
		later(f.next)
	}
	return next
}

// settle looks at a file that may be growing.
func (k *keeper) settle(f *file) {
	now := time.Now()
	if now.Before(f.next) {
		return
	}
	look, err := intake.Look(k.o.Inbox, f.path)
	if err != nil || look.Kind != intake.Picture {
		f.next = now.Add(tryAgain) // it is gone or can't be reached; the look through the inbox tells which
		return
	}
	f.stamp = look.Stamp
	wait := f.settling.Look(f.stamp, now, k.o.Settle)
	if f.next = now.Add(wait); wait == 0 {
		f.state = settled
	}
}

// take takes a picture into the queue, or says why not yet.
func (k *keeper) take(ctx context.Context, f *file) {
	defer k.touch()
	later := func(what, text string) {
		k.trouble(what, text)
		f.next = time.Now().Add(tryAgain)
	}
	if k.desk == nil {
		desk, err := k.o.Desk()
		if err != nil {
			later("station", err.Error())
			return
		}
		k.well("station", "the station file can be read again")
		k.desk = desk
	}
	job, lack := k.desk.Job(f.path)
	if lack == nil {
		lack = unfit(job)
	}
	if lack != nil {
		k.waits(f, lack)
		return
	}
	if !k.content(ctx, f) {
		return
	}
	j := store.Job{
		Path: jobPath(k.results.rel(f.path)), SHA256: f.sum, Shot: job.Shot, Part: job.Part.Name, Scope: job.Scope.Name, Line: k.o.Line, Inbox: k.inbox,
	}
	over := k.patience()
	known, err := k.o.Store.Enqueue(ctx, j)
	if err == nil && known {
		err = k.known(ctx, f, j)
	}
	over()
	if err != nil {
		if ctx.Err() == nil {
			later("store", storeAway(err))
		}
		return
	}
	k.well("store", "the store can be written to again")
	if !known {
		f.state = queued
	}
}

// unfit says why a picture of which all is known can't be measured so.
func unfit(j intake.Job) *intake.Lack {
	err := measure.Job{Part: j.Part, Scope: j.Scope, Shot: j.Shot}.Check()
	if err == nil && j.Shot.Stage != nil {
		err = errors.New("it is one of several corners of a sample (stage_x_mm): measure those together, with inspect measure")
	}
	if err == nil {
		return nil
	}
	return &intake.Lack{Wrong: []error{err}}
}

// content sees to it that the sum of a file is known, and reports whether it is.
func (k *keeper) content(ctx context.Context, f *file) bool {
	if f.sum != "" {
		return true
	}
	if a := k.results.of(f.path); a != nil && f.stamp.Same(intake.Stamp{Size: a.Picture.Bytes, Modified: a.Picture.Modified}) {
		f.sum = a.Picture.SHA256
		return true
	}
	sum, at, err := intake.Content(ctx, f.path)
	switch {
	case err == nil && at.Same(f.stamp):
		f.sum = sum
		return true
	case err == nil, errors.Is(err, intake.ErrChanged):
		f.state, f.stamp, f.next = settling, at, time.Time{}
	case errors.Is(err, intake.ErrTooLarge):
		k.setAside(f, fmt.Sprintf("%.3g GB are more than any picture takes; check that the file is what the microscope wrote", float64(at.Size)/1e9))
	case errors.Is(err, fs.ErrPermission):
		const why = "this program has no permission to read it"
		if f.why != why {
			k.say(Line{Word: "waits", Path: k.results.rel(f.path), Text: why})
		}
		f.state, f.why = unreadable, why
	case errors.Is(err, fs.ErrNotExist), ctx.Err() != nil:
		f.next = time.Now().Add(tryAgain)
	default: // the share, or the disk
		k.trouble("inbox", unplugged(err))
		f.next = time.Now().Add(tryAgain)
	}
	return false
}

// waits has a picture wait for its particulars.
func (k *keeper) waits(f *file, lack *intake.Lack) {
	if err := k.results.needsInfo(f.path, lack); err != nil {
		k.trouble("results", cantWrite(err))
		f.next = time.Now().Add(tryAgain)
		return
	}
	why := lack.String()
	if f.why != why {
		k.say(Line{Word: "waits", Path: k.results.rel(f.path), Text: why + " (see needs-info)"})
	}
	f.state, f.why = needsInfo, why
}

// patient is how long the store may take until somebody is told.
const patient = 5 * time.Second

// patience says so when the store takes long; what it returns ends that.
func (k *keeper) patience() (over func()) {
	var mu sync.Mutex
	ended := false
	timer := time.AfterFunc(patient, func() {
		mu.Lock()
		defer mu.Unlock()
		if !ended {
			k.trouble("store", "the store is busy: another program, such as a backup, holds it; pictures wait and are taken in once it is free")
		}
	})
	return func() {
		timer.Stop()
		mu.Lock()
		defer mu.Unlock()
		ended = true
	}
}

func storeAway(err error) string {
	return fmt.Sprintf("the store can't be written to (%v); pictures wait and are taken in once it can", err)
}

// cantWrite says why answers can't be laid into the inbox.
func cantWrite(err error) string {
	return fmt.Sprintf("answers can't be written (%v): make room, or give this program permission to write there; the pictures are kept and tried again", err)
}

// A job's path is from the inbox, since machines may have it under different names. The queue keeps
// text only: a name that isn't UTF-8 is quoted as in Go.
func jobPath(rel string) string {
	if utf8.ValidString(rel) {
		return rel
	}
	return strconv.Quote(rel)
}

// path returns where the picture of a job is.
func (k *keeper) path(job string) string {
	path := filepath.Join(k.o.Inbox, filepath.FromSlash(job))
	if look, err := intake.Look(k.o.Inbox, path); err == nil && look.Kind == intake.Nothing {
		if name, err := strconv.Unquote(job); err == nil {
			return filepath.Join(k.o.Inbox, filepath.FromSlash(name))
		}
	}
	return path
}

// askAgain is how long to wait before the store is asked again about a job of somebody else.
const askAgain = 30 * time.Second

// known deals with a picture of which the store knew the content: measured before, set aside, or in
// the queue under another name, by another machine or since another start.
func (k *keeper) known(ctx context.Context, f *file, j store.Job) error {
	delete(k.copies, f.path)
	if a := k.results.of(f.path); a != nil && a.Picture.SHA256 == f.sum {
		f.state = answered
		k.replaced(ctx, f, j)
		return nil
	}
	kept, err := k.o.Store.OfPicture(ctx, f.sum, j.Part, j.Shot.View)
	if err != nil {
		return err
	}
	if kept != nil {
		k.answerAgain(f, kept)
		k.replaced(ctx, f, j)
		return nil
	}
	set, err := k.o.Store.AsideOf(ctx, j)
	switch {
	case err != nil:
		return err
	case set != nil && f.again:
		f.again = false
		return k.o.Store.TakeUp(ctx, set.ID) // and the next try takes it into the queue
	case set != nil:
		k.setAside(f, set.Why)
		return nil
	}
	f.state, f.next = queued, time.Now().Add(askAgain)
	k.copies[f.path] = f
	return nil
}

// answerAgain gives a picture the answer that is in the store.
func (k *keeper) answerAgain(f *file, kept *store.Kept) {
	a := NewAnswer(kept.Reading, Picture{k.results.rel(f.path), f.stamp.Size, f.stamp.Modified, f.sum}, kept.Shot.RecordedAt)
	var err error
	// The store keeps text: in a name that isn't UTF-8 the odd bytes have become U+FFFD, as here.
	if other := kept.Reading.Source.Picture; other != string([]rune(f.path)) {
		a.SameAs = k.results.rel(other)
		err = k.results.copyOverlay(other, f.path)
	}
	if err = errors.Join(err, k.results.write(f.path, a)); err != nil {
		k.trouble("results", cantWrite(err))
		f.next = time.Now().Add(tryAgain)
		return
	}
	f.state = answered
	k.say(Line{Word: string(a.Verdict.Decision), Path: a.Picture.Path, Text: "measured before: " + a.Remark(), Answer: a})
}

// replaced forgets that a file was set aside which has been replaced by one that could be measured: a
// damaged copy that was made anew isn't missing from the record.
func (k *keeper) replaced(ctx context.Context, f *file, j store.Job) {
	if f.spoilt == "" {
		return
	}
	j.SHA256, f.spoilt = f.spoilt, ""
	set, err := k.o.Store.AsideOf(ctx, j)
	if err == nil && set != nil {
		err = k.o.Store.TakeUp(ctx, set.ID)
	}
	if err != nil && ctx.Err() == nil { // it stays on the list of what wasn't measured
		k.say(Line{Word: "trouble", Path: k.results.rel(f.path), Text: fmt.Sprintf("that it was set aside before can't be forgotten: %v", err)})
	}
}

// setAside notes why a file can't be measured.
func (k *keeper) setAside(f *file, why string) {
	why = without(why, f.path)
	if err := k.results.setAside(f.path, why); err != nil {
		k.trouble("results", cantWrite(err))
		f.state, f.next = settled, time.Now().Add(tryAgain)
		k.active[f.path] = f
		return
	}
	if f.why != why {
		k.say(Line{Word: "aside", Path: k.results.rel(f.path), Text: why})
	}
	f.state, f.why = aside, why
	k.touch()
}
