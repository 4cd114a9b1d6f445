package worker

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"strings"
)

// What goes over the pipes. Paths are bytes, since a file's name need not be text.
type (
	orders struct {
		MemoryMB int // that the child may take
	}
	hello struct {
		PID int
	}
	question struct {
		Number        int
		Path, Overlay []byte
		CornerPaths   [][]byte
		Request
	}
	answer struct {
		Number     int
		Result     *Result
		OverlayErr string `json:",omitempty"`
		Spent      bool   `json:",omitempty"` // it has taken so much memory that the next picture had better go to another
		Err        string `json:",omitempty"`
		Kind       kind   `json:",omitempty"`
	}
)

// A kind tells the errors apart that a caller may branch on.
type kind string

const (
	kindFile    kind = "file"
	kindChanged kind = "changed"
)

// A told error came over the pipe.
type told struct {
	text string
	is   error
}

func (e *told) Error() string { return e.text }
func (e *told) Unwrap() error { return e.is }

func (a *answer) error() error {
	switch {
	case a.Err == "":
		return nil
	case a.Kind == kindFile:
		return &told{a.Err, ErrFile}
	case a.Kind == kindChanged:
		return &told{a.Err, ErrChanged}
	}
	return errors.New(a.Err)
}

// Serve is the life of a child process of a [Pool]: it answers questions from its standard input on
// its standard output, one after the other, until there are no more, which is when the parent ends
// or has no use for it. It then ends the process, also from the middle of a measurement.
func Serve() error {
	out, err := keepOutput()
	if err != nil {
		return err
	}
	return serve(os.Stdin, out, Measure)
}

func serve(in io.Reader, out io.Writer, measure func(Request) (*Result, error)) error {
	var o orders
	if err := readFrame(in, &o); err != nil {
		return err
	}
	before := memoryTaken()
	debug.SetMemoryLimit(int64(o.MemoryMB) << 20 * 3 / 4) // collect harder before it is too late
	if err := limitMemory(int64(o.MemoryMB) << 20); err != nil {
		return err
	}
	if err := writeFrame(out, hello{os.Getpid()}); err != nil {
		return err
	}
	questions := make(chan question)
	go func() {
		for {
			var q question
			if err := readFrame(in, &q); err != nil {
				// Nobody waits for what is being measured. A measurement can't be interrupted.
				os.Exit(ended(err))
			}
			questions <- q
		}
	}()
	for q := range questions {
		q.Request.Path, q.Request.Overlay = string(q.Path), string(q.Overlay)
		for i, p := range q.CornerPaths {
			q.Corners[i].Path = string(p)
		}
		res, err := measure(q.Request)
		if err != nil && strings.Contains(err.Error(), noMemory) {
			// Of this process, for which another picture may be the cause. In a new one it is seen.
			return fmt.Errorf("out of memory: %w", err)
		}
		a := answer{Number: q.Number, Spent: memoryTaken()-before > int64(o.MemoryMB)<<20/2}
		switch {
		case err == nil:
			a.Result = res
			if res.OverlayErr != nil {
				a.OverlayErr, res.OverlayErr = res.OverlayErr.Error(), nil
			}
		case errors.Is(err, ErrFile):
			a.Err, a.Kind = err.Error(), kindFile
		case errors.Is(err, ErrChanged):
			a.Err, a.Kind = err.Error(), kindChanged
		default:
			a.Err = err.Error()
		}
		if err := writeFrame(out, a); err != nil {
			return err
		}
	}
	return nil
}

// noMemory stands in OpenCV's errors of that kind, cv::Error::StsNoMem.
const noMemory = "Insufficient memory"

// ended returns the exit status for what ended the questions.
func ended(err error) int {
	if errors.Is(err, io.EOF) {
		return 0
	}
	os.Stderr.WriteString("worker: " + err.Error() + "\n")
	return 1
}
