package torture

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// A watched is a running watch.
type watched struct {
	cmd  *exec.Cmd
	gone chan struct{}
}

// arguments of a watch.
func (b *bench) arguments(more ...string) []string {
	args := []string{"watch", b.inbox, "--store", b.storeAt, "--part", b.o.Part, "--scope", b.scopeAt, "--view", "die-plan",
		"--worker-memory-mb", fmt.Sprint(memoryMB), "--json"}
	return append(args, more...)
}

func (b *bench) start(more ...string) (*watched, error) {
	w := &watched{cmd: exec.Command(b.program, b.arguments(more...)...), gone: make(chan struct{})}
	w.cmd.Stdout, w.cmd.Stderr = b.log, b.log
	if err := w.cmd.Start(); err != nil {
		return nil, err
	}
	go func() {
		_ = w.cmd.Wait() // how it ended is in the ProcessState
		close(w.gone)
	}()
	return w, nil
}

// launch starts another watch.
func (b *bench) launch() error {
	w, err := b.start()
	if err == nil {
		b.watches = append(b.watches, w)
	}
	return err
}

func (b *bench) endAll() {
	for _, w := range b.watches {
		_ = w.cmd.Process.Kill() // it may have ended
		<-w.gone
	}
	b.watches = nil
}

// killAll kills, time after time, a watch or one of its workers, and starts the watch again.
func (b *bench) killAll(ctx context.Context) error {
	for b.result.Kills() < b.o.Kills {
		if err := sleep(ctx, time.Duration(b.killing.Int64N(int64(b.o.MaxPause)))); err != nil {
			return err
		}
		i := b.killing.IntN(len(b.watches))
		w := b.watches[i]
		select {
		case <-w.gone:
			return fmt.Errorf("the watch ended by itself, %v: see %s", w.cmd.ProcessState, b.log.Name())
		default:
		}
		asked := b.killing.IntN(10) == 0
		if nth := b.killing.IntN(1 << 20); b.killing.IntN(2) == 0 {
			children, err := w.waitForChildren(ctx)
			if err != nil {
				return err
			}
			if len(children) > 0 && syscall.Kill(children[nth%len(children)], syscall.SIGKILL) == nil {
				b.result.WorkersKilled++
			}
			continue
		}
		if err := b.end(w, asked); err != nil {
			return err
		}
		if q, err := b.store.QueueState(ctx); err == nil && q.Running > 0 {
			b.result.InTheMiddle++
		}
		var err error
		if b.watches[i], err = b.start(); err != nil {
			return err
		}
		if n := b.result.Kills(); n%25 == 0 {
			b.say("%d kills", n)
		}
	}
	return nil
}

// end kills a watch, or asks it to end.
func (b *bench) end(w *watched, asked bool) error {
	if !asked {
		b.result.WatchesKilled++
		if err := w.cmd.Process.Kill(); err != nil {
			return err
		}
		<-w.gone
		return nil
	}
	const patience = 20 * time.Second
	b.result.WatchesAsked++
	if err := w.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		return err
	}
	select {
	case <-w.gone:
		return nil
	case <-time.After(patience):
		return errors.Join(fmt.Errorf("a watch doesn't end within %v of SIGTERM", patience), w.cmd.Process.Kill())
	}
}

// waitForChildren returns the processes that a watch has started, once there are any; none when it
// has ended.
func (w *watched) waitForChildren(ctx context.Context) ([]int, error) {
	for {
		if pids := w.children(); len(pids) > 0 {
			return pids, nil
		}
		select {
		case <-w.gone:
			return nil, nil
		default:
		}
		if err := sleep(ctx, 5*time.Millisecond); err != nil {
			return nil, err
		}
	}
}

// children returns the processes that a watch has started.
func (w *watched) children() (pids []int) {
	lists, _ := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/children", w.cmd.Process.Pid))
	for _, l := range lists {
		text, _ := os.ReadFile(l)
		for _, f := range strings.Fields(string(text)) {
			var pid int
			if _, err := fmt.Sscan(f, &pid); err == nil {
				pids = append(pids, pid)
			}
		}
	}
	return pids
}

// finish lets one watch do what is left.
func (b *bench) finish(ctx context.Context) error {
	b.endAll()
	w, err := b.start("--once")
	if err != nil {
		return err
	}
	b.watches = append(b.watches, w)
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-time.After(calm):
		return fmt.Errorf("the watch is not done after %v: see %s", calm, b.log.Name())
	case <-w.gone:
	}
	if code := w.cmd.ProcessState.ExitCode(); code != 0 && code != 1 {
		return fmt.Errorf("the watch ended with %v: see %s", w.cmd.ProcessState, b.log.Name())
	}
	return nil
}
