package watch

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/reading"
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
	later(k.gather(ctx))
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
	f.corner = nil
	delete(k.cornered, f.path)
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
	if job.Shot.Stage != nil {
		f.state, f.corner, f.since, f.next = gathering, &job, time.Now(), time.Time{}
		k.cornered[f.path] = f
		return
	}
	k.enqueue(ctx, k.shotOf([]*file{f}, job.Shot, job))
}

// A shot is what makes one job: a picture, or the corner shots of a die in their order.
type shot struct {
	files []*file
	job   store.Job
}

// shotOf returns the shot of files, of which one's part and scope are all's.
func (k *keeper) shotOf(files []*file, of reading.Shot, j intake.Job) shot {
	s := shot{files, store.Job{Shot: of, Part: j.Part.Name, Scope: j.Scope.Name, Line: k.o.Line, Inbox: k.inbox}}
	var paths, sums []string
	for _, f := range files {
		paths, sums = append(paths, jobPath(k.results.rel(f.path))), append(sums, f.sum)
	}
	s.job.Path, s.job.SHA256 = strings.Join(paths, " + "), sums[0]
	if len(files) > 1 {
		s.job.SHA256 = measure.JointSHA256(sums)
		for i := range files {
			s.job.Corners = append(s.job.Corners, store.Corner{Path: paths[i], SHA256: sums[i]})
		}
	}
	return s
}

// enqueue takes a shot into the queue, or gives it what the store has of it.
func (k *keeper) enqueue(ctx context.Context, s shot) {
	for _, f := range s.files {
		f.shot = s.job.SHA256
	}
	over := k.patience()
	known, err := k.o.Store.Enqueue(ctx, s.job)
	if err == nil && known {
		err = k.known(ctx, s)
	}
	over()
	if err != nil {
		if ctx.Err() == nil {
			k.trouble("store", storeAway(err))
			s.each(func(f *file) { f.next = time.Now().Add(tryAgain) })
		}
		return
	}
	k.well("store", "the store can be written to again")
	if !known {
		s.each(func(f *file) { f.state = queued })
	}
}

func (s shot) each(do func(*file)) {
	for _, f := range s.files {
		do(f)
	}
}

// unfit says why a picture of which all is known can't be measured so.
func unfit(j intake.Job) *intake.Lack {
	if err := (measure.Job{Part: j.Part, Scope: j.Scope, Shot: j.Shot}).Check(); err != nil {
		return &intake.Lack{Wrong: []error{err}}
	}
	return nil
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
		k.setAside(fmt.Sprintf("%.3g GB are more than any picture takes; check that the file is what the microscope wrote", float64(at.Size)/1e9), f)
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

// pictures returns the pictures of a job with their paths here.
func (k *keeper) pictures(j store.Job) []store.Corner {
	if len(j.Corners) == 0 {
		return []store.Corner{{Path: k.path(j.Path), SHA256: j.SHA256}}
	}
	all := slices.Clone(j.Corners)
	for i := range all {
		all[i].Path = k.path(all[i].Path)
	}
	return all
}

// path returns where a picture of a job is.
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

// known deals with a shot of which the store knew the content: measured before, set aside, or in
// the queue under another name, by another machine or since another start.
func (k *keeper) known(ctx context.Context, s shot) error {
	has := true
	for _, f := range s.files {
		delete(k.copies, f.path)
		has = has && k.results.answers(f.path, f.sum, f.shot)
	}
	if has {
		s.each(func(f *file) { f.state = answered })
		k.replaced(ctx, s)
		return nil
	}
	kept, err := k.o.Store.OfPicture(ctx, s.job.SHA256, s.job.Part, s.job.Shot.View)
	if err != nil {
		return err
	}
	if kept != nil {
		k.answerAgain(s, kept)
		k.replaced(ctx, s)
		return nil
	}
	set, err := k.o.Store.AsideOf(ctx, s.job)
	again := slices.ContainsFunc(s.files, func(f *file) bool { return f.again })
	switch {
	case err != nil:
		return err
	case set != nil && again:
		s.each(func(f *file) { f.again = false })
		return k.o.Store.TakeUp(ctx, set.ID) // and the next try takes it into the queue
	case set != nil:
		k.setAside(set.Why, s.files...)
		return nil
	}
	s.each(func(f *file) {
		f.state, f.next = queued, time.Now().Add(askAgain)
		k.copies[f.path] = f
	})
	return nil
}

// answerAgain gives a shot the answer that is in the store.
func (k *keeper) answerAgain(s shot, kept *store.Kept) {
	var pictures []Picture
	var paths []string
	for _, f := range s.files {
		paths = append(paths, f.path)
		pictures = append(pictures, Picture{k.results.rel(f.path), f.stamp.Size, f.stamp.Modified, f.sum})
	}
	as := NewAnswers(kept.Reading, kept.Shot.RecordedAt, pictures...)
	var err error
	// The store keeps text: in a name that isn't UTF-8 the odd bytes have become U+FFFD, as here.
	if other := kept.Reading.Source.Picture; other != string([]rune(strings.Join(paths, " + "))) {
		for _, a := range as {
			a.SameAs = strings.ReplaceAll(other, k.o.Inbox+string(filepath.Separator), "")
		}
		if len(kept.Reading.Looks) > 0 {
			other = kept.Reading.Looks[0].Picture
		}
		err = k.results.copyOverlay(other, paths[0])
	}
	for i, a := range as {
		err = errors.Join(err, k.results.write(paths[i], a))
	}
	if err != nil {
		k.trouble("results", cantWrite(err))
		s.each(func(f *file) { f.next = time.Now().Add(tryAgain) })
		return
	}
	s.each(func(f *file) { f.state = answered })
	k.say(Line{Word: string(as[0].Verdict.Decision), Path: as[0].name(), Text: "measured before: " + as[0].Remark(), Answer: as[0]})
}

// replaced forgets that a file was set aside which has been replaced by one that could be measured: a
// damaged copy that was made anew isn't missing from the record.
func (k *keeper) replaced(ctx context.Context, s shot) {
	for _, f := range s.files {
		if f.spoilt == "" {
			continue
		}
		j := s.job
		j.SHA256, f.spoilt = f.spoilt, ""
		set, err := k.o.Store.AsideOf(ctx, j)
		if err == nil && set != nil {
			err = k.o.Store.TakeUp(ctx, set.ID)
		}
		if err != nil && ctx.Err() == nil { // it stays on the list of what wasn't measured
			k.say(Line{Word: "trouble", Path: k.results.rel(f.path), Text: fmt.Sprintf("that it was set aside before can't be forgotten: %v", err)})
		}
	}
}

// setAside notes why files can't be measured.
func (k *keeper) setAside(why string, files ...*file) {
	var names []string
	news := false
	for _, f := range files {
		why = without(why, f.path)
	}
	why = strings.ReplaceAll(why, k.o.Inbox+string(filepath.Separator), "")
	for _, f := range files {
		if err := k.results.setAside(f.path, why); err != nil {
			k.trouble("results", cantWrite(err))
			f.state, f.next = settled, time.Now().Add(tryAgain)
			k.active[f.path] = f
			continue
		}
		news = news || f.why != why
		names = append(names, k.results.rel(f.path))
		f.state, f.why = aside, why
	}
	if news {
		k.say(Line{Word: "aside", Path: strings.Join(names, " + "), Text: why})
	}
	k.touch()
}
