package watch_test

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/store"
	"plumbsquare/internal/watch"
	"plumbsquare/internal/worker"
)

const partFile = `part: tiny
substrate: {width_mm: 20, height_mm: 20, thickness_mm: 1}
marks:
  shape: disc
  diameter_mm: 0.5
  at:
    - {name: F1, x_mm: -4, y_mm: 4}
    - {name: F2, x_mm: 4, y_mm: -4}
die: {width_mm: 5, height_mm: 4, top_mm: 0.8}
limits: {offset_x_um: 25}
`

const scopeFile = `scope: bench
um_per_px_x: 5
um_per_px_y: 5
camera: telecentric
u_stage_um: 1
calibrated: 2031-01-01
expires: 2032-01-01
`

// A bench is a watch with a queue in memory and a measurer that tells by a picture's first word what
// becomes of it. Its clock is the bubble's.
type bench struct {
	*testing.T
	inbox, parts string
	cancel       func()
	over         chan error

	mu       sync.Mutex
	jobs     []store.Job
	known    map[string]bool
	readings map[string]*reading.Reading
	aside    map[int64]store.Aside
	failing  error         // of Enqueue
	slow     time.Duration // Enqueue takes
	overlay  error         // of drawing
	workers  error         // of starting one
	measured []string
	versions []string // of the part, by measurement
	kept     []string // part and scope files
	lines    []watch.Line
	status   *watch.Status
	more     chan struct{}
}

func (b *bench) start(change func(*watch.Options)) {
	b.Helper()
	o := watch.Options{
		Inbox: b.inbox, Store: b, Measurer: b, Machine: "bench", Program: "test",
		Desk: func() (*intake.Desk, error) {
			return &intake.Desk{Library: intake.Library{PartDirs: []string{b.parts}, ScopeDirs: []string{b.parts}}}, nil
		},
		Beside: []string{b.parts},
		Say: func(l watch.Line) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.lines = append(b.lines, l)
		},
		Show: func(s *watch.Status) {
			b.mu.Lock()
			defer b.mu.Unlock()
			b.status = s
		},
	}
	if change != nil {
		change(&o)
	}
	ctx, cancel := context.WithCancel(b.Context())
	b.cancel, b.over = cancel, make(chan error, 1)
	go func() { b.over <- watch.Run(ctx, o) }()
}

func (b *bench) stop() {
	b.Helper()
	b.inOrder()
	b.cancel()
	if err := <-b.over; err != nil {
		b.Error(err)
	}
	b.inOrder()
}

func (b *bench) Enqueue(_ context.Context, j store.Job) (bool, error) {
	time.Sleep(b.slow)
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.failing != nil {
		return false, b.failing
	}
	if b.known[key(j)] {
		return true, nil
	}
	b.known[key(j)] = true
	b.jobs = append(b.jobs, j)
	select {
	case b.more <- struct{}{}:
	default:
	}
	return false, nil
}

func (b *bench) OfPicture(_ context.Context, sha256, part string, v reading.View) (*store.Kept, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if r := b.readings[fmt.Sprint(sha256, part, v)]; r != nil {
		return &store.Kept{Reading: r, Shot: store.Shot{RecordedAt: time.Now()}}, nil
	}
	return nil, nil
}

func (b *bench) AsideOf(_ context.Context, j store.Job) (*store.Aside, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for id, a := range b.aside {
		if key(a.Job) == key(j) {
			return &store.Aside{ID: id, Job: j, Why: a.Why}, nil
		}
	}
	return nil, nil
}

func (b *bench) KeepPart(_ context.Context, name string, text []byte, _ time.Time) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.kept = append(b.kept, name+": "+string(text))
	return nil
}

func (b *bench) KeepScope(ctx context.Context, name string, text []byte, at time.Time) error {
	return b.KeepPart(ctx, name, text, at)
}

func (b *bench) TakeUp(_ context.Context, id int64) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	delete(b.known, key(b.aside[id].Job))
	delete(b.aside, id)
	return nil
}

func key(j store.Job) string { return fmt.Sprint(j.SHA256, j.Part, j.Shot.View) }

// Work is one worker; a task whose worker died is tried twice.
func (b *bench) Work(ctx context.Context, _ string, _ int, do func(context.Context, store.Task) (*reading.Reading, error), done func(store.Task, *reading.Reading, error)) error {
	for id := int64(1); ; id++ {
		b.mu.Lock()
		var j store.Job
		got := len(b.jobs) > 0
		if got {
			j, b.jobs = b.jobs[0], b.jobs[1:]
		}
		b.mu.Unlock()
		if !got {
			select {
			case <-ctx.Done():
				return nil
			case <-b.more:
			}
			continue
		}
		t := store.Task{Job: j, Attempt: 1}
		r, err := do(ctx, t)
		if errors.Is(err, worker.ErrDied) {
			t.Attempt = 2
			r, err = do(ctx, t)
		}
		b.mu.Lock()
		switch {
		case ctx.Err() != nil:
			b.jobs = append(b.jobs, j)
		case err == nil:
			b.readings[key(j)] = r
		case errors.Is(err, store.ErrPutBack):
			delete(b.known, key(j))
		default:
			b.aside[id] = store.Aside{Job: j, Why: err.Error()}
		}
		b.mu.Unlock()
		if ctx.Err() != nil {
			return nil
		}
		done(t, r, err)
	}
}

// Measure reads "accept", "retake", "kill" or "rubbish" at the beginning of a picture.
func (b *bench) Measure(ctx context.Context, q worker.Request) (*worker.Result, error) {
	data, err := os.ReadFile(q.Path)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", worker.ErrFile, err)
	}
	if sum := sha256.Sum256(data); q.SHA256 != hex.EncodeToString(sum[:]) {
		return nil, fmt.Errorf("%s: %w", q.Path, worker.ErrChanged)
	}
	b.mu.Lock()
	overlay, workers := b.overlay, b.workers
	if workers == nil {
		b.measured = append(b.measured, filepath.Base(q.Path))
		b.versions = append(b.versions, q.Part.Hash)
	}
	b.mu.Unlock()
	if workers != nil {
		return nil, workers
	}
	word, _, _ := strings.Cut(string(data), " ")
	if len(q.Corners) > 0 { // the worst of them tells
		sums, names := []string{q.SHA256}, []string{q.Path}
		for _, c := range q.Corners {
			data, err := os.ReadFile(c.Path)
			if err != nil {
				return nil, fmt.Errorf("%w: %w", worker.ErrFile, err)
			}
			if w, _, _ := strings.Cut(string(data), " "); w != "accept" {
				word = w
			}
			sums, names = append(sums, c.SHA256), append(names, c.Path)
		}
		q.SHA256, q.Path, q.Shot.Stage = measure.JointSHA256(sums), strings.Join(names, " + "), nil
	}
	r := &reading.Reading{Schema: reading.Schema, Shot: q.Shot, Verdict: reading.Verdict{Decision: reading.Decision(word)},
		Source: reading.Source{Picture: q.Path, SHA256: q.SHA256, Part: q.Part.Name, PartHash: q.Part.Hash, Scope: q.Scope.Name, ScopeHash: q.Scope.Hash, Program: q.Program}}
	switch word {
	case "retake":
		r.Refusal = &reading.Refusal{Gate: "saturated", Instruction: "lower the light"}
	case "kill":
		return nil, &worker.DiedError{Why: "was ended by signal SIGABRT"}
	case "accept", "reject", "review":
	default:
		return nil, fmt.Errorf("%s: not a picture", q.Path)
	}
	if overlay != nil {
		return &worker.Result{Reading: r, OverlayErr: overlay}, nil
	}
	return &worker.Result{Reading: r}, os.WriteFile(q.Overlay, []byte("overlay of "+word), 0o666)
}

// at runs a test on a bench in a bubble of time.
func at(t *testing.T, test func(*bench)) {
	t.Helper()
	t.Parallel() // they wait for the disk, not for each other
	dir := t.TempDir()
	b := &bench{inbox: filepath.Join(dir, "inbox"), parts: filepath.Join(dir, "parts"), known: map[string]bool{}, readings: map[string]*reading.Reading{}, aside: map[int64]store.Aside{}}
	for _, d := range []string{b.inbox, b.parts} {
		if err := os.Mkdir(d, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	put(t, filepath.Join(b.parts, "tiny.yaml"), partFile)
	put(t, filepath.Join(b.parts, "bench.yaml"), scopeFile)
	synctest.Test(t, func(t *testing.T) {
		b.T, b.more = t, make(chan struct{}, 1)
		test(b)
	})
}

func put(t testing.TB, path, text string) {
	t.Helper()
	if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o777), os.WriteFile(path, []byte(text), 0o666)); err != nil {
		t.Fatal(err)
	}
}

// put writes a file of the inbox.
func (b *bench) put(name, text string) {
	b.Helper()
	put(b, filepath.Join(b.inbox, name), text)
}

// shot puts a picture with its sidecar.
func (b *bench) shot(name, text string) {
	b.Helper()
	b.put(name+".yaml", "part: tiny\nscope: bench\nview: die-plan\nlot: K3\nsample: \""+name[:1]+"\"\n")
	b.put(name, text)
}

// corner puts a corner shot of a sample with its sidecar.
func (b *bench) corner(name, sample string, xMm, yMm float64, text string) {
	b.Helper()
	b.put(name+".yaml", fmt.Sprintf("part: tiny\nscope: bench\nview: die-plan\nlot: K3\nsample: %q\nstage: {x_mm: %g, y_mm: %g}\n", sample, xMm, yMm))
	b.put(name, text)
}

func (b *bench) read(name string) string {
	b.Helper()
	data, err := os.ReadFile(filepath.Join(b.inbox, name))
	if err != nil {
		b.Error(err)
	}
	return string(data)
}

func (b *bench) has(names ...string) {
	b.Helper()
	for _, n := range names {
		if _, err := os.Lstat(filepath.Join(b.inbox, n)); err != nil {
			b.Errorf("%s is not there", n)
		}
	}
}

func (b *bench) hasNot(names ...string) {
	b.Helper()
	for _, n := range names {
		if _, err := os.Lstat(filepath.Join(b.inbox, n)); err == nil {
			b.Errorf("%s is there", n)
		}
	}
}

// pass lets time pass and everything come to rest, so that the test may look at the bench until it
// lets pass more.
func (b *bench) pass(d time.Duration) {
	b.inOrder()
	time.Sleep(d)
	synctest.Wait()
	b.inOrder()
}

// inOrder has the race detector know that what was looked at before isn't looked at meanwhile.
func (b *bench) inOrder() {
	b.mu.Lock()
	defer b.mu.Unlock()
}

func (b *bench) times(name string) (n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, m := range b.measured {
		if m == name {
			n++
		}
	}
	return n
}

// said counts lines that hold all words.
func (b *bench) said(words ...string) (n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, l := range b.lines {
		text := l.Word + " " + l.Path + " " + l.Text
		if !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(text, w) }) {
			n++
		}
	}
	return n
}
