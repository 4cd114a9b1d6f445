package watch

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/store"
	"plumbsquare/internal/worker"
)

// A Store is a [store.Store] as far as a watch needs it.
type Store interface {
	Enqueue(context.Context, store.Job) (known bool, err error)
	OfPicture(ctx context.Context, sha256, part string, view reading.View) (*store.Kept, error)
	AsideOf(context.Context, store.Job) (*store.Aside, error)
	TakeUp(ctx context.Context, id int64) error
	KeepPart(ctx context.Context, name string, text []byte, at time.Time) error
	KeepScope(ctx context.Context, name string, text []byte, at time.Time) error
	Work(ctx context.Context, inbox string, n int, do func(context.Context, store.Task) (*reading.Reading, error), done func(store.Task, *reading.Reading, error)) error
}

// A Measurer measures one picture, or the corner shots of one die; a [worker.Pool] does.
type Measurer interface {
	Measure(context.Context, worker.Request) (*worker.Result, error)
}

// Options steers a watch. Inbox, Desk, Store, Measurer and Say must be set.
type Options struct {
	Inbox string
	// Desk returns a desk that sees travelers, station, part and scope files as they are now.
	Desk func() (*intake.Desk, error)
	// Beside are files and folders outside the inbox that the desk reads: when one changes, waiting
	// pictures are looked at again.
	Beside []string

	Store    Store
	Measurer Measurer
	Workers  int    // pictures measured at a time; 0 means one
	Line     string // of the plant, for the record
	StoreAt  string // where the store is, for the status
	Program  string // version of the program
	Machine  string // name of this machine; empty means the host's

	Settle time.Duration // how long a file must look the same to count; 0 means half a second
	Rescan time.Duration // between two looks through the whole inbox; 0 means 2 s, more where looking takes long
	Once   bool          // end when everything that is there has been dealt with

	Nightly *Nightly // may be nil
	// Judge holds new readings against the control charts and returns the signals it found, a line
	// each. It is called when there are new readings, once a minute at most; may be nil.
	Judge  func(context.Context) ([]string, error)
	Say    func(Line)    // is told what happens, one at a time
	Show   func(*Status) // is told each new status; may be nil
	Events bool          // ask the system what was touched
}

// A Line is something that happened, for the terminal.
type Line struct {
	At   time.Time
	Word string // a verdict, or waits, aside, alone, again, signal, trouble, well
	Path string // from the inbox; empty when it is about none
	Text string
	// Answer stands behind a verdict.
	Answer *Answer
}

const (
	defaultSettle = 500 * time.Millisecond
	leastRescan   = 2 * time.Second
	mostRescan    = time.Minute
	restPerScan   = 50 // times as long as a scan took passes until the next: two percent of the time
)

// Run watches until ctx ends, which isn't an error, or with Once until all is done. It returns an
// error when it can't begin: the inbox isn't there or can't be written to.
func Run(ctx context.Context, o Options) error {
	k, err := newKeeper(o)
	if err != nil {
		return err
	}
	defer k.touched.close()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var others sync.WaitGroup
	others.Go(func() { k.work(ctx) })
	others.Go(func() { k.nights(ctx) })
	others.Go(func() { k.judging(ctx) })
	k.run(ctx)
	if ctx.Err() == nil { // with Once
		k.judge(ctx)
	}
	cancel()
	others.Wait()
	k.drain(context.WithoutCancel(ctx))
	k.status.Ended = true
	k.writeStatus(time.Now())
	return nil
}

func newKeeper(o Options) (*keeper, error) {
	// Links to folders aren't followed, but the inbox itself may be one.
	inbox, err := filepath.EvalSymlinks(o.Inbox)
	if err == nil {
		inbox, err = filepath.Abs(inbox)
	}
	if err != nil {
		return nil, fmt.Errorf("inbox: %w", err)
	}
	o.Inbox = inbox
	if info, err := os.Stat(inbox); err != nil || !info.IsDir() {
		return nil, errors.Join(err, fmt.Errorf("inbox %s: not a folder", inbox))
	}
	if o.Settle <= 0 {
		o.Settle = defaultSettle
	}
	o.Workers = max(o.Workers, 1)
	if o.Machine == "" {
		if o.Machine, err = os.Hostname(); err != nil {
			return nil, err
		}
	}
	k := &keeper{
		o: o, results: results{inbox}, awake: make(chan struct{}, 1),
		files: map[string]*file{}, active: map[string]*file{}, copies: map[string]*file{}, cornered: map[string]*file{},
		troubles: map[string]string{}, verdicts: map[reading.Decision]int{}, damaged: map[string]damage{}, recent: []Recent{},
	}
	for _, folder := range []string{intake.ResultsFolder, intake.NeedsInfoFolder, intake.SetAsideFolder, intake.KeptFolder} {
		if err := os.MkdirAll(filepath.Join(inbox, folder), 0o777); err != nil {
			return nil, fmt.Errorf("the inbox can't be written to, and answers are laid into it: %w", err)
		}
	}
	if k.inbox, err = k.name(); err != nil {
		return nil, fmt.Errorf("the inbox can't be written to, and answers are laid into it: %w", err)
	}
	now := time.Now()
	k.results.sweep(now)
	k.status = Status{
		Schema: StatusSchema, Machine: o.Machine, PID: os.Getpid(), Program: o.Program, Inbox: inbox, Store: o.StoreAt,
		Started: now.UTC().Truncate(time.Second),
	}
	if o.Events {
		k.touched = newTouched(k.wake)
	} else {
		k.touched = &touched{}
	}
	return k, nil
}

// name makes the marker where there is none and returns the inbox's name: what the queue knows it by,
// whatever its path is on a machine.
func (k *keeper) name() (string, error) {
	b, err := os.ReadFile(k.marker())
	if err == nil {
		name, _, _ := strings.Cut(string(b), "\n")
		return name, nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	name := strings.ToValidUTF8(k.o.Machine+":"+k.o.Inbox, "?")
	name = strings.ReplaceAll(name, "\n", "?")
	return name, intake.WriteWhole(k.marker(), []byte(name+"\n\nThe name of this inbox in the store. inspect watch also tells by this file an inbox from the empty\nfolder that is left when a share is unplugged: leave it here.\n"))
}

// marker is a file that is missing when a share is unplugged and an empty folder is left in its place.
func (k *keeper) marker() string { return filepath.Join(k.o.Inbox, intake.KeptFolder, "inbox") }

// plugged returns why the inbox can't be reached.
func (k *keeper) plugged() error {
	_, err := os.Stat(k.marker())
	return err
}
