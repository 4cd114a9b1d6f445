// Package torture holds `inspect watch` to its promise: pictures arrive while the watch and the
// processes that measure are killed at random instants, and in the end the store must have each shot
// exactly once, with the reading that measuring its picture gives. Some pictures kill the process
// that measures them by themselves, some are damaged, some come twice, some are replaced.
package torture

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/store"
	"plumbsquare/internal/synth"
)

// Options says what is to be done to whom. Program, Dir and Part must be set.
type Options struct {
	Program  string // the program that knows `watch`
	Dir      string // an empty folder for inbox, store and logs
	Part     string // part file of the pictures
	Store    string // where the watches keep their readings; empty means a file in Dir
	Watches  int    // at once; 0 means one, more need a PostgreSQL store
	Kills    int
	Pictures int
	Seed     uint64
	MaxPause time.Duration // between two kills, at most; 0 means 1.5 s
	Progress io.Writer     // may be nil
}

// memoryMB is what each process that measures may take: enough for the good pictures, too little for
// those that are to kill it.
const memoryMB = 700

// calm is how long the watch may take to finish when nobody disturbs it any more.
const calm = 5 * time.Minute

// Run does it and returns what became of the pictures. An error means that it couldn't be done.
func Run(ctx context.Context, o Options) (*Result, error) {
	b, err := newBench(ctx, o)
	if err != nil {
		return nil, err
	}
	defer b.store.Close()
	defer b.endAll()
	start := time.Now()
	for range max(o.Watches, 1) {
		if err := b.launch(); err != nil {
			return nil, err
		}
	}
	dropped := make(chan error, 1)
	dropping, stop := context.WithCancel(ctx)
	defer stop()
	go func() { dropped <- b.dropAll(dropping) }()
	killed := b.killAll(ctx)
	if killed != nil {
		stop()
	}
	if err := errors.Join(killed, <-dropped); err != nil {
		return nil, err
	}
	b.say("%d kills in %v; now it may finish", b.result.Kills(), time.Since(start).Round(time.Second))
	if err := b.finish(ctx); err != nil {
		return nil, err
	}
	if err := b.prove(ctx); err != nil {
		return nil, err
	}
	b.result.Took = time.Since(start)
	return &b.result, nil
}

// A bench is one such trial.
type bench struct {
	o        Options
	program  string // goes by the name inspect, whatever its file is called
	inbox    string
	part     *part.Part
	scope    *scope.Scope
	scopeAt  string
	storeAt  string
	store    *store.Store
	log      *os.File
	killing  *rand.Rand
	watches  []*watched
	pictures []*picture
	result   Result
}

func newBench(ctx context.Context, o Options) (*bench, error) {
	if o.MaxPause <= 0 {
		o.MaxPause = 1500 * time.Millisecond
	}
	b := &bench{
		o: o, inbox: filepath.Join(o.Dir, "inbox"), scopeAt: filepath.Join(o.Dir, "scope.yaml"), storeAt: o.Store,
		killing: rand.New(rand.NewPCG(o.Seed, 1)),
	}
	if b.storeAt == "" {
		b.storeAt = filepath.Join(o.Dir, "store.db")
	}
	if b.o.Watches > 1 && !store.IsPostgres(b.storeAt) {
		return nil, errors.New("several watches at once need a PostgreSQL store")
	}
	b.program = filepath.Join(o.Dir, "inspect")
	program, err := filepath.Abs(o.Program)
	if err == nil {
		err = os.Symlink(program, b.program)
	}
	if err != nil {
		return nil, err
	}
	text, err := os.ReadFile(o.Part)
	if err != nil {
		return nil, err
	}
	if b.part, err = part.Load(text, o.Part); err != nil {
		return nil, err
	}
	if err := os.MkdirAll(b.inbox, 0o777); err != nil {
		return nil, err
	}
	const widthPx = 512
	sc := synth.RandomScope("torture", b.part, reading.DiePlan, widthPx, rand.New(rand.NewPCG(o.Seed, 2)))
	if text, err = sc.YAML(); err != nil {
		return nil, err
	}
	if b.scope, err = scope.Load(text, b.scopeAt); err != nil {
		return nil, err
	}
	if err := os.WriteFile(b.scopeAt, text, 0o666); err != nil {
		return nil, err
	}
	if err := b.plan(rand.New(rand.NewPCG(o.Seed, 3))); err != nil {
		return nil, err
	}
	if b.log, err = os.Create(filepath.Join(o.Dir, "watch.log")); err != nil {
		return nil, err
	}
	b.store, err = store.Open(ctx, b.storeAt)
	return b, err
}

func (b *bench) say(format string, args ...any) {
	if b.o.Progress != nil {
		fmt.Fprintf(b.o.Progress, format+"\n", args...)
	}
}
