package torture

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/store"
	"plumbsquare/internal/worker"
)

// A Result is what became of the pictures.
type Result struct {
	WatchesKilled, WatchesAsked, WorkersKilled int
	InTheMiddle                                int // ends of a watch that had pictures under way

	Dropped [fates]int // pictures by fate
	Shots   int        // in the store
	Aside   int        // in the store

	Faults []string // sentences about what isn't as it must be
	Took   time.Duration
}

// Kills counts all that was ended.
func (r *Result) Kills() int { return r.WatchesKilled + r.WatchesAsked + r.WorkersKilled }

func (r *Result) fault(format string, args ...any) {
	r.Faults = append(r.Faults, fmt.Sprintf(format, args...))
}

// Print writes a table.
func (r *Result) Print(w io.Writer) {
	fmt.Fprintf(w, "%6d  kills: %d watches with SIGKILL, %d with SIGTERM, %d workers with SIGKILL\n", r.Kills(), r.WatchesKilled, r.WatchesAsked, r.WorkersKilled)
	fmt.Fprintf(w, "%6d  of the watches were measuring\n\n", r.InTheMiddle)
	dropped := 0
	for f, n := range r.Dropped {
		fmt.Fprintf(w, "%6d  %s\n", n, fate(f))
		dropped += n
	}
	fmt.Fprintf(w, "%6d  pictures dropped\n\n", dropped)
	fmt.Fprintf(w, "%6d  shots in the store, %d jobs set aside\n", r.Shots, r.Aside)
	fmt.Fprintf(w, "%6d  faults\n", len(r.Faults))
	for _, f := range r.Faults {
		fmt.Fprintf(w, "        %s\n", f)
	}
	fmt.Fprintf(w, "\nin %v\n", r.Took.Round(time.Second))
}

// prove holds the store against what was dropped.
func (b *bench) prove(ctx context.Context) error {
	r := &b.result
	shots := map[string][]store.Kept{}
	for k, err := range b.store.Kept(ctx, store.Query{}) {
		if err != nil {
			return err
		}
		r.Shots++
		shots[k.Reading.Source.SHA256] = append(shots[k.Reading.Source.SHA256], k)
	}
	asides := map[string][]store.Aside{}
	all, err := b.store.SetAside(ctx)
	if err != nil {
		return err
	}
	for _, a := range all {
		r.Aside++
		asides[a.SHA256] = append(asides[a.SHA256], a)
	}
	for _, p := range b.pictures {
		r.Dropped[p.fate]++
		if p.fate == deadly || p.fate == damaged {
			b.proveAside(p, shots[p.sum], asides[p.sum])
		} else if err := b.proveShot(p, shots[p.sum], asides[p.sum]); err != nil {
			return err
		}
	}
	for _, p := range b.pictures { // now those that may be there or not
		delete(shots, p.sum)
		delete(asides, p.sum)
		if p.first != nil {
			sum := sha256.Sum256(p.first)
			before := hex.EncodeToString(sum[:])
			if n := len(shots[before]); n > 1 {
				r.fault("%s: what was there before is recorded %d times", p.name, n)
			}
			delete(shots, before)
		}
	}
	for _, k := range shots {
		r.fault("%s: a shot of nothing that was dropped", k[0].Reading.Source.Picture)
	}
	for _, a := range asides {
		if !b.halfWritten(a[0]) {
			r.fault("%s: set aside, %s, and nothing of the kind was dropped", a[0].Path, a[0].Why)
		}
	}
	q, err := b.store.QueueState(ctx)
	if err == nil && q.Waiting+q.Running > 0 {
		r.fault("the queue still holds %d jobs", q.Waiting+q.Running)
	}
	return err
}

// halfWritten reports whether a picture that was written slowly was taken for whole once: this
// machine didn't get around to writing for half a second. It was taken up again.
func (b *bench) halfWritten(a store.Aside) bool {
	for _, p := range b.pictures {
		if p.slow && strings.HasSuffix(a.Path, p.name) {
			return true
		}
	}
	return false
}

// proveShot holds the shots of a picture against what measuring it gives.
func (b *bench) proveShot(p *picture, shots []store.Kept, asides []store.Aside) error {
	switch {
	case len(asides) > 0:
		b.result.fault("%s: %s, but set aside: %s", p.name, p.fate, asides[0].Why)
		return nil
	case len(shots) == 0:
		b.result.fault("%s: lost", p.name)
		return nil
	case len(shots) > 1 || shots[0].Shot.Readings != 1:
		b.result.fault("%s: %d shots, the first with %d readings", p.name, len(shots), shots[0].Shot.Readings)
		return nil
	}
	got := shots[0].Reading
	want, err := worker.Measure(worker.Request{
		Path: filepath.Join(b.inbox, filepath.FromSlash(p.name)), SHA256: p.sum, Part: b.part, Scope: b.scope,
		Shot: got.Shot, Program: got.Source.Program, Today: time.Now(),
	})
	if err != nil {
		return err
	}
	want.Reading.Source.Picture = got.Source.Picture // of the copy that came first, or its other name
	if d := cmp.Diff(want.Reading, got); d != "" || got.Shot.View != reading.DiePlan {
		b.result.fault("%s: another reading than measuring it gives:\n%s", p.name, d)
	}
	return nil
}

func (b *bench) proveAside(p *picture, shots []store.Kept, asides []store.Aside) {
	switch {
	case len(shots) > 0:
		b.result.fault("%s: %s, but recorded", p.name, p.fate)
	case len(asides) != 1:
		b.result.fault("%s: %s, but set aside %d times", p.name, p.fate, len(asides))
	case p.fate == deadly && !strings.Contains(asides[0].Why, "died: "): // by itself
		b.result.fault("%s: set aside for another reason: %s", p.name, asides[0].Why)
	case p.fate == damaged && !strings.Contains(asides[0].Why, "damaged"):
		b.result.fault("%s: set aside for another reason: %s", p.name, asides[0].Why)
	}
}
