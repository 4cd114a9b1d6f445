// Package batch measures many shots on all cores. Results come in the order of the jobs, whatever
// the timing, and memory holds a few pictures at a time, not the batch.
package batch

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"os"
	"runtime"
	"time"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/intake"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
)

// A Result is what became of a job: a reading, or an error that names the picture.
type Result struct {
	Job     intake.Job
	Reading *reading.Reading
	Err     error

	Decode, Measure time.Duration // wall time of the two halves of the work
}

// Options steers a batch. Program and Today go into each measurement; the zero value of the
// others works.
type Options struct {
	Program string         // version of the program, for the record
	Today   time.Time      // the day against which a scope's expiry is held
	Workers int            // 0 means one a core
	Limits  picture.Limits // of the pictures

	// After, when set, is called by the worker with each picture and its reading while the
	// picture is still in memory, many at a time; of corner shots with the pictures of all and the
	// first one's job. Its error becomes the result's.
	After func([]*picture.Gray, intake.Job, *reading.Reading) error
	// Progress, when set, is called once a job as it ends, many at a time.
	Progress func()
}

// Run measures jobs and gives each result to each, one at a time and in the order of the jobs.
// A bad picture is a result. Run ends early only when ctx does or when each returns an error, and
// returns that; all its goroutines have ended by then.
func Run(ctx context.Context, jobs []intake.Job, o Options, each func(Result) error) error {
	if err := cv.SetThreads(1); err != nil { // pictures are spread over the cores, not each by itself
		return err
	}
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	workers := o.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	// Finished results wait in their own channel until those before them are taken. No more jobs
	// start than there is room for in pending, so a slow picture bounds how far others run ahead.
	pending := make(chan chan Result, 8*workers)
	free := make(chan struct{}, workers)
	go func() {
		defer close(pending)
		for _, j := range jobs {
			select {
			case free <- struct{}{}:
			case <-ctx.Done():
				return
			}
			done := make(chan Result, 1)
			pending <- done // taken until closed, also after cancellation
			go func() {
				defer func() { <-free }()
				done <- one(ctx, j, o)
			}()
		}
	}()
	for done := range pending {
		r := <-done
		if ctx.Err() != nil {
			continue // drain: every goroutine is waited for
		}
		if err := each(r); err != nil {
			cancel(err)
		}
	}
	return context.Cause(ctx)
}

// one measures one picture file. A measurement can't be interrupted; between its steps ctx is
// looked at.
func one(ctx context.Context, j intake.Job, o Options) (r Result) {
	r.Job = j
	if o.Progress != nil {
		defer o.Progress()
	}
	if r.Err = ctx.Err(); r.Err != nil {
		return r
	}
	start := time.Now()
	b, err := os.ReadFile(j.Path)
	if err != nil {
		r.Err = err // names the file already
		return r
	}
	g, err := picture.Decode(b, o.Limits)
	r.Decode = time.Since(start)
	if err != nil {
		r.Err = fmt.Errorf("%s: %w", j.Path, err)
		return r
	}
	sum := sha256.Sum256(b)
	start = time.Now()
	r.Reading, err = measure.Shot(g, measure.Job{
		Picture: j.Path, SHA256: hex.EncodeToString(sum[:]),
		Part: j.Part, Scope: j.Scope, Shot: j.Shot, Program: o.Program, Today: o.Today,
	})
	r.Measure = time.Since(start)
	if err == nil && o.After != nil && ctx.Err() == nil {
		err = o.After([]*picture.Gray{g}, j, r.Reading)
	}
	if err != nil {
		r.Err = fmt.Errorf("measure %s: %w", j.Path, err)
	}
	return r
}
