package worker

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"
)

// A child is one process that measures.
type child struct {
	cmd      *exec.Cmd
	in       *os.File // questions
	out      *os.File // answers
	said     tail     // its standard error
	gone     chan struct{}
	measured int
	greeted  bool

	mu     sync.Mutex
	errand int    // counts what it was asked to do, and up when that is done
	killed string // why we killed it, if we did
}

// hatch starts a child and tells it its orders. It is not waited until it is ready.
func hatch(command []string, o orders) (*child, error) {
	c := &child{cmd: exec.Command(command[0], command[1:]...), gone: make(chan struct{})}
	if command[0] == self {
		c.cmd.Args[0] = os.Args[0] // the name it goes by
	}
	theirIn, in, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	out, theirOut, err := os.Pipe()
	if err != nil {
		return nil, errors.Join(err, theirIn.Close(), in.Close())
	}
	c.in, c.out = in, out
	c.cmd.Stdin, c.cmd.Stdout, c.cmd.Stderr = theirIn, theirOut, &c.said
	c.cmd.WaitDelay = time.Second // for the end of its standard error
	if command[0] == self {
		c.cmd.Args[0] = os.Args[0] // lists of processes show the program's name, and tests go by it
	}
	dieWithParent(c.cmd)
	err = c.cmd.Start()
	theirIn.Close()
	theirOut.Close()
	if err != nil {
		return nil, errors.Join(err, in.Close(), out.Close())
	}
	go func() {
		_ = c.cmd.Wait() // how it ended is in the ProcessState
		close(c.gone)
	}()
	_ = writeFrame(c.in, o) // fits into the pipe; when the child is dead it won't say hello
	return c, nil
}

// dead reports whether the process has ended.
func (c *child) dead() bool {
	select {
	case <-c.gone:
		return true
	default:
		return false
	}
}

// begin and end frame an errand. A kill for an errand that has ended does nothing.
func (c *child) begin() (errand int) { return c.next() }
func (c *child) end()                { c.next() }

func (c *child) next() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.errand++
	return c.errand
}

// kill ends the process in the middle of an errand and says why, for the first who asks.
func (c *child) kill(errand int, why string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.errand == errand && c.killed == "" && !c.dead() {
		c.killed = why
		_ = c.cmd.Process.Kill() // it may have ended just now
	}
}

// usable reports whether a child can be asked again.
func (c *child) usable() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.killed == "" && !c.dead()
}

// bury takes away what is left of a child that can't be used any more.
func (c *child) bury() {
	c.kill(c.begin(), "was of no more use")
	<-c.gone
	c.in.Close()
	c.out.Close()
}

// patience is how long a child may take to end by itself.
const patience = 5 * time.Second

// retire ends a child that measures nothing, by ending its questions.
func (c *child) retire() {
	c.in.Close()
	select {
	case <-c.gone:
	case <-time.After(patience):
	}
	c.bury()
}

// died says how a child ended that gave err instead of an answer.
func (c *child) died(err error) *DiedError {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) { // it is ending, or has
		select {
		case <-c.gone:
		case <-time.After(patience):
		}
	}
	c.kill(c.begin(), "sent something else than an answer: "+err.Error())
	c.bury()
	c.mu.Lock()
	defer c.mu.Unlock()
	last := c.said.String()
	if c.killed != "" {
		return &DiedError{Why: c.killed, Last: last}
	}
	how := c.cmd.ProcessState.String() // "exit status 2", "signal: killed"
	status, _ := c.cmd.ProcessState.Sys().(syscall.WaitStatus)
	e := &DiedError{Last: last, Outside: status.Signaled() && status.Signal() == syscall.SIGKILL}
	switch line := cause(last); {
	case e.Outside:
		e.Why = "was killed (SIGKILL), by somebody or for want of memory"
	case line != "":
		e.Why = fmt.Sprintf("died: %s (%s)", line, how)
	default:
		e.Why = "died: " + how
	}
	return e
}

// causes begin or stand in the line that says why a process died, the most telling first: of what
// Go's runtime, C++'s library and the race detector say at their ends.
var causes = []string{"out of memory", "cannot allocate memory", "failed to allocate", "pthread_create failed", "terminate called", "panic: ", "fatal error: ", "runtime: "}

// cause finds the line that says why a process died in what it said last, or else the last line.
func cause(said string) string {
	lines := strings.Split(strings.TrimSpace(said), "\n")
	for _, c := range causes {
		i := slices.IndexFunc(lines, func(l string) bool { return strings.Contains(l, c) })
		switch {
		case i < 0:
			continue
		case c == "terminate called" && i+1 < len(lines): // what() follows
			return lines[i] + " " + strings.TrimSpace(lines[i+1])
		}
		return lines[i]
	}
	if len(lines) > 3 { // the end of a dump says nothing
		return lines[0]
	}
	return strings.TrimSpace(lines[len(lines)-1])
}

// A tail keeps the end of what is written to it.
type tail struct {
	mu sync.Mutex
	b  []byte
}

const tailBytes = 64 << 10

func (t *tail) Write(p []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b = append(t.b, p...)
	if over := len(t.b) - tailBytes; over > 0 {
		t.b = append(t.b[:0], t.b[over:]...)
	}
	return len(p), nil
}

func (t *tail) String() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return string(t.b)
}

// clear forgets what was said over pictures that are done.
func (t *tail) clear() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b = t.b[:0]
}
