package main

import (
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"

	"golang.org/x/term"
)

// A progress draws how far a long work is, on a terminal only and once it takes over a second.
type progress struct {
	mu    sync.Mutex
	w     io.Writer // nil when it isn't a terminal
	total int
	done  int
	start time.Time
	shown bool
}

func newProgress(w io.Writer, total int) *progress {
	p := &progress{total: total, start: time.Now()}
	if f, ok := w.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		p.w = w
	}
	return p
}

// step counts one thing done. It may be called from many goroutines.
func (p *progress) step() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.done++
	p.draw()
}

// around takes the bar away while something else prints.
func (p *progress) around(print func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.clear()
	print()
	p.draw()
}

// end takes the bar away for good.
func (p *progress) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.clear()
}

const clearLine = "\r\x1b[K"

func (p *progress) clear() {
	if p.shown {
		fmt.Fprint(p.w, clearLine)
		p.shown = false
	}
}

func (p *progress) draw() {
	spent := time.Since(p.start)
	if p.w == nil || spent < time.Second || p.done >= p.total {
		return
	}
	const width = 30
	full := width * p.done / p.total
	left := time.Duration(float64(spent) / float64(max(p.done, 1)) * float64(p.total-p.done)).Round(time.Second)
	fmt.Fprintf(p.w, "%s[%s%s] %d of %d, %v left", clearLine, strings.Repeat("#", full), strings.Repeat(".", width-full), p.done, p.total, left)
	p.shown = true
}
