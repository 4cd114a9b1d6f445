package watch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"syscall"
	"time"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/store"
	"plumbsquare/internal/worker"
)

// An ending is what became of a job.
type ending struct {
	pictures []store.Corner // of the job, by their paths here
	job      store.Job
	outcome
	why string
}

type outcome int

const (
	measured outcome = iota
	putAside         // can't be measured
	putBack          // is to be looked at again: it has changed, is gone, or what is said of it has changed
)

// A laterError isn't the picture's fault: it is tried again as it is.
type laterError struct{ what, text string }

func (e *laterError) Error() string { return e.text }

// work measures what is in the queue until ctx ends.
func (k *keeper) work(ctx context.Context) {
	for ctx.Err() == nil {
		err := k.o.Store.Work(ctx, k.inbox, k.o.Workers, k.measure, k.done)
		if err != nil && ctx.Err() == nil {
			k.trouble("queue", fmt.Sprintf("the queue can't be worked through (%v); it is tried again", err))
		}
		sleep(ctx, tryAgain)
	}
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// measure measures the pictures of a task and lays the answer into results/, before the store records
// the reading and ends the task in one step: a kill in between has it measured again, to the same
// reading and the same answer.
func (k *keeper) measure(ctx context.Context, t store.Task) (*reading.Reading, error) {
	pictures := k.pictures(t.Job)
	for {
		r, err := k.try(ctx, t, pictures)
		later, ok := errors.AsType[*laterError](err)
		if !ok {
			return r, err
		}
		k.trouble(later.what, later.text)
		sleep(ctx, tryAgain)
		if ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
	}
}

// try measures a picture, or the corners of a die, once.
func (k *keeper) try(ctx context.Context, t store.Task, pictures []store.Corner) (*reading.Reading, error) {
	if err := k.plugged(); err != nil {
		return nil, &laterError{"inbox", unplugged(err)}
	}
	desk, err := k.o.Desk()
	if err != nil {
		return nil, &laterError{"station", err.Error()}
	}
	var files []Picture
	var jobs []intake.Job
	for _, p := range pictures {
		job, look, err := k.again(desk, t, p.Path)
		if err != nil {
			return nil, err
		}
		if err := k.keepFiles(ctx, job); err != nil {
			return nil, &laterError{"store", storeAway(err)}
		}
		if err := k.results.makeRoom(p.Path, p.SHA256); err != nil {
			return nil, &laterError{"results", cantWrite(err)}
		}
		jobs = append(jobs, job)
		files = append(files, Picture{k.results.rel(p.Path), look.Size, look.Modified, p.SHA256})
	}
	first := pictures[0].Path
	overlay := k.results.overlay(first)
	if err := intake.MakeFolder(overlay); err != nil {
		return nil, &laterError{"results", cantWrite(err)}
	}
	now := time.Now()
	ask := worker.Request{
		Path: first, SHA256: pictures[0].SHA256, Part: jobs[0].Part, Scope: jobs[0].Scope, Shot: jobs[0].Shot,
		Program: k.o.Program, Today: now, Overlay: overlay,
	}
	for i, p := range pictures[1:] {
		ask.Corners = append(ask.Corners, worker.Corner{Path: p.Path, SHA256: p.SHA256, Shot: jobs[i+1].Shot})
	}
	res, err := k.o.Measurer.Measure(ctx, ask)
	switch {
	case ctx.Err() != nil:
		return nil, context.Cause(ctx)
	case errors.Is(err, worker.ErrChanged):
		return nil, back("it was replaced before it was measured")
	case errors.Is(err, worker.ErrStart):
		return nil, &laterError{"workers", fmt.Sprintf("pictures can't be measured (%v); it is tried again", err)}
	case errors.Is(err, worker.ErrFile):
		return nil, &laterError{"inbox", unplugged(err)}
	case errors.Is(err, worker.ErrDied): // the store sets it aside when that happens again
		return nil, err
	case err != nil && k.growing(first, t.SHA256):
		return nil, &damagedError{err}
	case err != nil: // the store sets it aside
		return nil, err
	case res.OverlayErr != nil && noRoom(res.OverlayErr):
		return nil, &laterError{"results", cantWrite(res.OverlayErr)}
	}
	for i, a := range NewAnswers(res.Reading, now, files...) {
		if res.OverlayErr != nil {
			a.Warnings = append(slices.Clip(a.Warnings), fmt.Sprintf("no overlay could be drawn (%v)", res.OverlayErr))
		}
		if err := k.results.write(pictures[i].Path, a); err != nil {
			return nil, &laterError{"results", cantWrite(err)}
		}
	}
	k.well("results", "answers can be written again")
	k.well("workers", "pictures can be measured again")
	k.well("queue", "the queue can be worked through again")
	return res.Reading, nil
}

// again looks at a picture of a task anew, which may have been in the queue for long.
func (k *keeper) again(desk *intake.Desk, t store.Task, path string) (intake.Job, intake.Found, error) {
	look, err := intake.Look(k.o.Inbox, path)
	switch {
	case err != nil:
		return intake.Job{}, look, &laterError{"inbox", unplugged(err)}
	case look.Kind != intake.Picture:
		return intake.Job{}, look, back("it was taken away before it was measured")
	}
	job, lack := desk.Job(path)
	if lack == nil {
		lack = unfit(job)
	}
	if lack != nil {
		return job, look, back(lack.String())
	}
	corner := len(t.Corners) > 0
	if job.Part.Name != t.Part || job.Shot.View != t.Shot.View || job.Shot.Lot != t.Shot.Lot || job.Shot.Sample != t.Shot.Sample || corner != (job.Shot.Stage != nil) {
		return job, look, back("what is said of it has changed")
	}
	return job, look, nil
}

// keepFiles has the store keep the part and scope files that a picture is measured with.
func (k *keeper) keepFiles(ctx context.Context, j intake.Job) error {
	for _, f := range []struct {
		version, name string
		text          []byte
		keep          func(context.Context, string, []byte, time.Time) error
	}{{j.Part.Hash, j.Part.Name, j.PartText, k.o.Store.KeepPart}, {j.Scope.Hash, j.Scope.Name, j.ScopeText, k.o.Store.KeepScope}} {
		if _, kept := k.kept.Load(f.version); kept {
			continue
		}
		if err := f.keep(ctx, f.name, f.text, time.Now()); err != nil {
			return err
		}
		k.kept.Store(f.version, true)
	}
	return nil
}

// A damagedError is of a picture that may not all be there yet.
type damagedError struct{ error }

func (e *damagedError) Is(target error) bool { return target == store.ErrPutBack }

// damagedTimes is how many times longer than usual a damaged file must have looked the same until it
// is taken for good: it may have been taken in while its copying stood still.
const damagedTimes = 10

// growing reports whether a file that can't be measured may not all be there yet.
func (k *keeper) growing(path, sum string) bool {
	now := time.Now()
	k.mu.Lock()
	defer k.mu.Unlock()
	d := k.damaged[path]
	if d.sum != sum {
		d = damage{sum, now}
		k.damaged[path] = d
	}
	if now.Sub(d.since) < damagedTimes*k.o.Settle {
		return true
	}
	delete(k.damaged, path)
	return false
}

// A damage is a content that couldn't be measured.
type damage struct {
	sum   string
	since time.Time
}

// noRoom reports whether an error, come as text from another process, says that nothing can be written.
func noRoom(err error) bool {
	for _, e := range []syscall.Errno{syscall.ENOSPC, syscall.EDQUOT, syscall.EROFS, syscall.EACCES, syscall.EIO, syscall.ESTALE, syscall.EFBIG} {
		if strings.Contains(err.Error(), e.Error()) {
			return true
		}
	}
	return false
}

// without takes the path of a picture from the front of an error's text, for notes that name it anyway.
func without(text, path string) string {
	return strings.TrimPrefix(strings.TrimPrefix(text, "measure "), path+": ")
}

// back ends a job without a reading: the picture is looked at anew.
func back(why string) error { return fmt.Errorf("%w: %s", store.ErrPutBack, why) }

// done takes notice of a task that has ended, after the store has recorded that.
func (k *keeper) done(t store.Task, r *reading.Reading, err error) {
	e := ending{pictures: k.pictures(t.Job), job: t.Job}
	switch {
	case err == nil:
		path := e.pictures[0].Path
		a := k.results.of(path)
		if a == nil || a.Source.SHA256 != t.SHA256 { // overwritten since by another machine, or taken away
			var files []Picture
			for _, p := range e.pictures {
				files = append(files, Picture{Path: k.results.rel(p.Path), SHA256: p.SHA256})
			}
			a = NewAnswers(r, time.Now(), files...)[0]
		}
		k.verdict(a)
	case errors.As(err, new(*damagedError)):
		e.outcome = putBack // nobody needs to know of it yet
	case errors.Is(err, store.ErrPutBack):
		e.outcome = putBack
		k.say(Line{Word: "again", Path: t.Path, Text: err.Error()})
	default:
		e.outcome, e.why = putAside, err.Error()
	}
	k.mu.Lock()
	k.endings = append(k.endings, e)
	k.mu.Unlock()
	k.wake()
}
