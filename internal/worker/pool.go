package worker

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"
)

// Options steers a pool. The zero value works.
type Options struct {
	Workers   int           // child processes; 0 means one a core
	Command   []string      // starts a child, which calls [Serve]; nil means this program with the argument "worker"
	TimeLimit time.Duration // of one picture, after which its child is killed; 0 means a minute
	Pictures  int           // that a child measures before another takes its place; 0 means 2000
	MemoryMB  int           // that a child may take, it dies of more; 0 means 3072, enough for any picture
}

// A Pool measures pictures in child processes. Its methods may be called from many goroutines.
type Pool struct {
	options Options
	slots   chan *slot // free ones
	hatch   chan chan hatched
	ctx     context.Context // of the pool, ends when it closes
	close   func()
	all     sync.WaitGroup // pictures under way and the hatchery
}

// A slot is a place for a child, empty where the last has died and no other could be started.
type slot struct{ child *child }

type hatched struct {
	child *child
	err   error
}

// startLimit is how long a child may take until it says hello: it is linked to some hundred libraries.
const startLimit = 30 * time.Second

// Start starts the children of a pool and waits until the first is ready. The caller closes the pool.
func Start(ctx context.Context, o Options) (*Pool, error) {
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	if o.Command == nil {
		o.Command = []string{self, "worker"}
	}
	if o.TimeLimit <= 0 {
		o.TimeLimit = time.Minute
	}
	if o.Pictures <= 0 {
		o.Pictures = 2000
	}
	if o.MemoryMB <= 0 {
		o.MemoryMB = 3072
	}
	p := &Pool{options: o, slots: make(chan *slot, o.Workers), hatch: make(chan chan hatched)}
	p.ctx, p.close = context.WithCancel(context.Background())
	p.all.Add(1)
	go p.hatchery()
	for range o.Workers {
		p.slots <- &slot{child: p.successor()}
	}
	s := <-p.slots
	err := p.ready(ctx, s)
	p.slots <- s
	if err != nil {
		p.Close()
		return nil, err
	}
	return p, nil
}

// hatchery starts every child from one thread that lives as long as the pool. Linux ties the
// children's life to the thread that started them, not to the process.
func (p *Pool) hatchery() {
	defer p.all.Done()
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	for {
		select {
		case <-p.ctx.Done():
			return
		case to := <-p.hatch:
			c, err := hatch(p.options.Command, orders{p.options.MemoryMB})
			to <- hatched{c, err}
		}
	}
}

func (p *Pool) start() (*child, error) {
	to := make(chan hatched, 1)
	select {
	case p.hatch <- to:
		h := <-to
		return h.child, h.err
	case <-p.ctx.Done():
		return nil, errClosed
	}
}

// successor starts a child ahead of the picture that will need it. When that fails, the picture
// tries again and tells.
func (p *Pool) successor() *child {
	c, err := p.start()
	if err != nil {
		return nil
	}
	return c
}

var errClosed = fmt.Errorf("%w: they have been stopped", ErrStart)

// Close ends the children; those that measure are killed. It returns when all have ended.
func (p *Pool) Close() {
	p.close()
	for range p.options.Workers {
		if s := <-p.slots; s.child != nil {
			s.child.retire()
		}
	}
	p.all.Wait()
}

// Measure measures a picture in a child process, when one is free.
//
// An error matches [ErrDied] when the child died of it, [ErrFile] or [ErrChanged] as those of
// [Measure], and [ErrStart] when no child can be started. Other errors are that the picture can't be
// measured or that ctx has ended.
func (p *Pool) Measure(ctx context.Context, q Request) (*Result, error) {
	var s *slot
	select {
	case <-p.ctx.Done():
		return nil, errClosed
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	case s = <-p.slots:
	}
	defer func() { p.slots <- s }()
	for {
		if err := p.ready(ctx, s); err != nil {
			return nil, err
		}
		res, err := p.ask(ctx, s.child, q)
		if errors.Is(err, errUnasked) {
			s.child.bury()
			s.child = nil
			continue
		}
		switch {
		case !s.child.usable():
			s.child.bury()
			s.child = p.successor()
		case s.child.measured >= p.options.Pictures:
			old := s.child
			s.child = p.successor()
			p.all.Go(old.retire)
		}
		return res, err
	}
}

// ready sees to it that a slot holds a child that has said hello. Its error matches [ErrStart], or
// ctx has ended.
func (p *Pool) ready(ctx context.Context, s *slot) error {
	if s.child != nil && !s.child.usable() { // since it had nothing to do
		s.child.bury()
		s.child = nil
	}
	const tries = 10 // somebody may kill it while it starts
	for try := 1; ; try++ {
		err := p.greet(ctx, s)
		died, _ := errors.AsType[*DiedError](err)
		switch {
		case err == nil:
			return nil
		case ctx.Err() != nil:
			return context.Cause(ctx)
		case p.ctx.Err() != nil:
			return errClosed
		case died != nil && died.Outside && try < tries:
		case died != nil:
			return fmt.Errorf("%w, %v: it %s", ErrStart, p.options.Command, died.Why)
		default:
			return fmt.Errorf("%w: %w", ErrStart, err)
		}
	}
}

// greet waits for the hello of a slot's child, and starts one where there is none.
func (p *Pool) greet(ctx context.Context, s *slot) error {
	if s.child == nil {
		c, err := p.start()
		if err != nil {
			return err
		}
		s.child = c
	}
	c := s.child
	if c.greeted {
		return nil
	}
	defer p.watch(ctx, c, startLimit)()
	var h hello
	if err := readFrame(c.out, &h); err != nil {
		s.child = nil
		return c.died(err)
	}
	c.greeted = true
	return nil
}

// watch kills a child when ctx or the pool ends or a time is over. What it returns stops that.
func (p *Pool) watch(ctx context.Context, c *child, limit time.Duration) (stop func()) {
	errand := c.begin()
	timer := time.AfterFunc(limit, func() { c.kill(errand, fmt.Sprintf("took longer than %v and was ended", limit)) })
	asked := context.AfterFunc(ctx, func() { c.kill(errand, "was not needed any more") })
	closed := context.AfterFunc(p.ctx, func() { c.kill(errand, "was stopped") })
	return func() {
		c.end()
		timer.Stop()
		asked()
		closed()
	}
}

// errUnasked says that a child had died before a question reached it.
var errUnasked = errors.New("not asked")

// ask has a child measure a picture. After an error that matches ErrDied, and after ctx has ended,
// the child is dead.
func (p *Pool) ask(ctx context.Context, c *child, q Request) (*Result, error) {
	defer p.watch(ctx, c, p.options.TimeLimit)()
	c.measured++
	ask := question{Number: c.measured, Path: []byte(q.Path), Overlay: []byte(q.Overlay), Request: q}
	for _, c := range q.Corners {
		ask.CornerPaths = append(ask.CornerPaths, []byte(c.Path))
	}
	err := writeFrame(c.in, ask)
	if err != nil {
		return nil, errUnasked
	}
	var a answer
	err = readFrame(c.out, &a)
	if err == nil && (a.Number != c.measured || a.Result == nil == (a.Err == "") || a.Result != nil && a.Result.Reading == nil) {
		err = fmt.Errorf("%w: it doesn't answer question %d", errFrame, c.measured)
	}
	if err != nil {
		died := c.died(err)
		switch {
		case ctx.Err() != nil:
			return nil, context.Cause(ctx)
		case p.ctx.Err() != nil:
			return nil, errClosed
		}
		return nil, fmt.Errorf("measure %s: %w", q.Path, died)
	}
	c.said.clear()
	if a.Spent {
		c.measured = p.options.Pictures
	}
	if err := a.error(); err != nil {
		return nil, err
	}
	q.name(a.Result.Reading)
	if a.OverlayErr != "" {
		a.Result.OverlayErr = errors.New(a.OverlayErr)
	}
	return a.Result, nil
}
