package watch

import (
	"errors"
	"sync"

	"github.com/fsnotify/fsnotify"
)

// touched gathers the paths that the operating system says were written to, so that nothing waits
// for whoever looks at them. Folders on a network send nothing, and so may a system that has run
// out of watches: looking through the whole inbox from time to time finds the same.
type touched struct {
	watcher *fsnotify.Watcher // nil where the system has none
	wake    func()
	done    sync.WaitGroup

	mu    sync.Mutex
	paths map[string]bool
	lost  bool  // more was touched than could be told
	err   error // that may interest somebody
}

// newTouched starts gathering; close ends it.
func newTouched(wake func()) *touched {
	t := &touched{wake: wake, paths: map[string]bool{}}
	t.watcher, t.err = fsnotify.NewBufferedWatcher(256)
	if t.err == nil {
		t.done.Go(t.gather)
	}
	return t
}

func (t *touched) gather() {
	for {
		select {
		case e, ok := <-t.watcher.Events:
			if !ok {
				return
			}
			if e.Op == fsnotify.Chmod { // also that of a backup or an indexer reading it
				continue
			}
			t.mu.Lock()
			t.paths[e.Name] = true
			t.mu.Unlock()
		case err, ok := <-t.watcher.Errors:
			if !ok {
				return
			}
			t.mu.Lock()
			t.lost = true
			if !errors.Is(err, fsnotify.ErrEventOverflow) {
				t.err = err
			}
			t.mu.Unlock()
		}
		t.wake()
	}
}

// add has a folder watched. Twice is once.
func (t *touched) add(dir string) {
	if t.watcher == nil {
		return
	}
	if err := t.watcher.Add(dir); err != nil {
		t.mu.Lock()
		t.err = err
		t.mu.Unlock()
	}
}

// lose says that not all is known that was touched.
func (t *touched) lose() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.lost = true
	t.wake()
}

// take returns what was touched since the last time.
func (t *touched) take() (paths map[string]bool, lost bool, err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	paths, lost, err = t.paths, t.lost, t.err
	t.paths, t.lost, t.err = map[string]bool{}, false, nil
	return paths, lost, err
}

func (t *touched) close() {
	if t.watcher != nil {
		t.watcher.Close()
		t.done.Wait()
	}
}
