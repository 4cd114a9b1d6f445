// Package worker keeps a pool of child processes that measure pictures and may die alone. Whatever
// a picture does to the process that measures it (an abort in C++, a panic, no end of memory or
// time), the program that asked goes on and learns why.
//
// Parent and child talk in frames of JSON over the child's standard input and output. Numbers in
// JSON are read back to the last bit, so a reading from a child is the one that measuring here
// would give.
package worker

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/overlay"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// A Request is one picture to measure, or the corner shots of one die.
type Request struct {
	Path    string // of the picture file
	SHA256  string // of the bytes that are meant, hexadecimal; empty: of whatever is there
	Part    *part.Part
	Scope   *scope.Scope
	Shot    reading.Shot
	Program string    // version of the program, for the record
	Today   time.Time // the day against which the scope's expiry is held
	Overlay string    // file to draw what was measured into, PNG, written whole or not at all; empty: none

	// Corners are the further pictures of a die in corner shots, of which Path, SHA256 and Shot are the
	// first; none for a picture by itself.
	Corners []Corner
}

// A Corner is one of several pictures that are measured together.
type Corner struct {
	Path   string
	SHA256 string // as a request's
	Shot   reading.Shot
}

// name gives a reading the pictures' names as they are: JSON knows no bytes that are no text.
func (q Request) name(r *reading.Reading) {
	names := []string{q.Path}
	for _, c := range q.Corners {
		names = append(names, c.Path)
	}
	r.Source.Picture = strings.Join(names, " + ")
	for i := range r.Looks[:min(len(names), len(r.Looks))] {
		r.Looks[i].Picture = names[i]
	}
}

// A Result is what a picture gave.
type Result struct {
	Reading *reading.Reading
	// OverlayErr says why the overlay could not be written; the reading stands.
	OverlayErr error         `json:"-"`
	Decode     time.Duration // reading and decoding the file
	Measure    time.Duration
}

var (
	// ErrDied is matched by errors of pictures of which the child process died.
	ErrDied = errors.New("the worker died of it")
	// ErrStart is matched where no child process can be started; the picture has nothing to do with it.
	ErrStart = errors.New("no process to measure in can be started")
	// ErrFile is matched where the file could not be read; it may be another time.
	ErrFile = errors.New("the file could not be read")
	// ErrChanged is matched where the file no longer holds the bytes that were meant.
	ErrChanged = errors.New("the file has changed since it was taken in")
)

// A DiedError says how a child process ended over a picture. It matches [ErrDied].
type DiedError struct {
	Why     string // one line
	Last    string // the end of what the child wrote to its standard error
	Outside bool   // it was killed by somebody else, SIGKILL: the picture need not be the cause
}

func (e *DiedError) Error() string        { return "the process that measured it " + e.Why }
func (e *DiedError) Is(target error) bool { return target == ErrDied }

// Tries returns how often a picture may end so until it isn't tried any more.
func (e *DiedError) Tries() int {
	if e.Outside {
		return 5
	}
	return 2
}

// Measure measures a picture in this process. Errors match [ErrFile] or [ErrChanged]; any other means
// that the picture or the request can't be measured, now or later.
func Measure(q Request) (*Result, error) {
	start := time.Now()
	var gs []*picture.Gray
	var jobs []measure.Job
	for _, c := range append([]Corner{{q.Path, q.SHA256, q.Shot}}, q.Corners...) {
		g, sum, err := decode(c)
		if err != nil {
			return nil, err
		}
		gs = append(gs, g)
		jobs = append(jobs, measure.Job{
			Picture: c.Path, SHA256: sum, Part: q.Part, Scope: q.Scope, Shot: c.Shot, Program: q.Program, Today: q.Today,
		})
	}
	decoded := time.Now()
	var r *reading.Reading
	var err error
	if len(q.Corners) > 0 {
		r, err = measure.Corners(gs, jobs)
	} else {
		r, err = measure.Shot(gs[0], jobs[0])
	}
	if err != nil {
		return nil, fmt.Errorf("measure %s: %w", q.Path, err)
	}
	res := &Result{Reading: r, Decode: decoded.Sub(start), Measure: time.Since(decoded)}
	if q.Overlay != "" {
		res.OverlayErr = draw(q, gs, r)
	}
	return res, nil
}

// decode reads a picture file and returns the SHA-256 of its bytes beside the picture.
func decode(c Corner) (*picture.Gray, string, error) {
	b, err := readFile(c.Path)
	if err != nil {
		return nil, "", err
	}
	hash := sha256.Sum256(b)
	sum := hex.EncodeToString(hash[:])
	if c.SHA256 != "" && c.SHA256 != sum {
		return nil, "", fmt.Errorf("%s: %w", c.Path, ErrChanged)
	}
	g, err := picture.Decode(b, picture.Limits{})
	if err != nil {
		return nil, "", fmt.Errorf("%s: %w", c.Path, err)
	}
	return g, sum, nil
}

// maxFileBytes is twice what the largest picture that is decoded takes without compression, in
// colour at 16 bits.
const maxFileBytes = 1200 << 20

// readFile reads a picture file, unless it is too large to be one.
func readFile(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFile, err)
	}
	defer f.Close()
	info, err := f.Stat()
	switch {
	case err != nil:
		return nil, fmt.Errorf("%w: %w", ErrFile, err)
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s: not a file", path)
	case info.Size() > maxFileBytes:
		return nil, fmt.Errorf("%s: %d MB are no picture: crop it, or check that the file is what the microscope wrote", path, info.Size()>>20)
	}
	b := bytes.NewBuffer(make([]byte, 0, info.Size()+bytes.MinRead))
	if _, err := b.ReadFrom(io.LimitReader(f, maxFileBytes)); err != nil {
		return nil, fmt.Errorf("%w: %w", ErrFile, err)
	}
	return b.Bytes(), nil
}

// draw writes the overlay beside its name and then gives it that.
func draw(q Request, gs []*picture.Gray, r *reading.Reading) error {
	f, err := os.CreateTemp(filepath.Dir(q.Overlay), "."+filepath.Base(q.Overlay)+".*.partial")
	if err != nil {
		return err
	}
	if len(gs) > 1 {
		err = overlay.WriteCorners(f, gs, r, q.Part, q.Scope)
	} else {
		err = overlay.Write(f, gs[0], r, q.Part, q.Scope)
	}
	err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), q.Overlay)
	}
	if err != nil {
		return errors.Join(err, os.Remove(f.Name()))
	}
	return nil
}
