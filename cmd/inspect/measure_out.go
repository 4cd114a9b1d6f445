package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/rivo/uniseg"

	"plumbsquare/internal/batch"
	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
)

// sinks are the places that readings go to.
type sinks struct {
	writes []func(*reading.Reading) error
	files  []*outFile
	table  *table
	kept   *recorder
	stderr io.Writer
}

func newSinks(ctx context.Context, o measureOptions, jobs []intake.Job) (*sinks, error) {
	s := &sinks{stderr: o.stderr}
	if o.store != "" {
		var err error
		if s.kept, err = newRecorder(ctx, o.store, o.line, jobs); err != nil {
			return nil, err
		}
		// A reading is kept although the work is being broken off: it is done.
		ctx := context.WithoutCancel(ctx)
		s.writes = append(s.writes, func(r *reading.Reading) error { return s.kept.write(ctx, r) })
	}
	if o.out != "" {
		f, err := s.file(o.out)
		if err != nil {
			return nil, errors.Join(err, s.abandon())
		}
		s.lines(f)
	}
	if o.csv != "" {
		if err := s.tables(o.csv); err != nil {
			return nil, errors.Join(err, s.abandon())
		}
	}
	if o.json {
		s.lines(o.stdout)
	} else {
		s.table = newTable(o.stdout, jobs)
		s.writes = append(s.writes, s.table.write)
	}
	return s, nil
}

func (s *sinks) file(name string) (*outFile, error) {
	f, err := createOut(name)
	if err == nil {
		s.files = append(s.files, f)
	}
	return f, err
}

func (s *sinks) lines(w io.Writer) {
	s.writes = append(s.writes, func(r *reading.Reading) error { return json.NewEncoder(w).Encode(r) })
}

// tables writes shots to name and sites beside it.
func (s *sinks) tables(name string) error {
	f, err := s.file(name)
	if err != nil {
		return err
	}
	shots, err := reading.NewShotTable(f)
	if err != nil {
		return err
	}
	ext := filepath.Ext(name)
	if f, err = s.file(strings.TrimSuffix(name, ext) + "-sites" + ext); err != nil {
		return err
	}
	sites, err := reading.NewSiteTable(f)
	s.writes = append(s.writes, shots.Write, sites.Write)
	return err
}

func (s *sinks) write(r *reading.Reading) error {
	for _, w := range s.writes {
		if err := w(r); err != nil {
			return err
		}
	}
	return nil
}

// close finishes the files.
func (s *sinks) close(t *tally, failed int) error {
	var errs []error
	for _, f := range s.files {
		errs = append(errs, f.close())
	}
	if s.table != nil {
		errs = append(errs, s.table.end(t, failed))
	}
	return errors.Join(append(errs, s.endStore())...)
}

// endStore closes the store, if there is one, and says what was kept.
func (s *sinks) endStore() error {
	if s.kept == nil {
		return nil
	}
	text, err := s.kept.end()
	fmt.Fprintln(s.stderr, text)
	return err
}

// abandon closes files that aren't complete and says where what they hold is.
func (s *sinks) abandon() error {
	errs := []error{s.endStore()}
	for _, f := range s.files {
		errs = append(errs, f.abandon())
	}
	return errors.Join(errs...)
}

// An outFile is written beside its name and takes it when it is complete, so that nobody reads
// half of it.
type outFile struct {
	*os.File
	name string
}

const partialSuffix = ".partial"

// createOut says at once that name is a folder: hours of measuring later is too late.
func createOut(name string) (*outFile, error) {
	if at, err := os.Stat(name); err == nil && at.IsDir() {
		return nil, fmt.Errorf("%s is a folder; name a file to write", name)
	}
	f, err := os.Create(name + partialSuffix)
	return &outFile{f, name}, noFolder(name, err)
}

// noFolder says so where a file could not be made because its folder isn't there.
func noFolder(name string, err error) error {
	dir := filepath.Dir(name)
	if _, none := os.Stat(dir); err != nil && errors.Is(none, fs.ErrNotExist) {
		return fmt.Errorf("%s: there is no folder %s; make it first", name, dir)
	}
	return err
}

func (f *outFile) close() error {
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.name+partialSuffix, f.name)
}

func (f *outFile) abandon() error {
	return errors.Join(f.Close(), fmt.Errorf("what was done so far is in %s%s", f.name, partialSuffix))
}

// discard closes a file that is of no use and takes it away.
func (f *outFile) discard() error {
	return errors.Join(f.Close(), os.Remove(f.name+partialSuffix))
}

// A tally counts verdicts.
type tally map[reading.Decision]int

func (t *tally) add(r *reading.Reading) {
	if *t == nil {
		*t = tally{}
	}
	(*t)[r.Verdict.Decision]++
}

func (t tally) all() (n int) {
	for _, c := range t {
		n += c
	}
	return n
}

// A table prints readings for people, a line a shot.
type table struct {
	w     io.Writer
	width int // of the column of pictures
}

const widestName = 40

func newTable(w io.Writer, jobs []intake.Job) *table {
	t := &table{w: w, width: len("picture")}
	single, samples := batch.Corners(jobs)
	for _, j := range single {
		samples = append(samples, []intake.Job{j})
	}
	for _, s := range samples {
		var names []string
		for _, j := range s {
			names = append(names, filepath.Base(j.Path))
		}
		t.width = min(max(t.width, uniseg.StringWidth(strings.Join(names, " + "))), widestName)
	}
	fmt.Fprintf(w, "%-8s %-*s %17s %17s %21s\n", "verdict", t.width, "picture", "X ± U, µm", "Y ± U, µm", "θ ± U, °")
	return t
}

func (t *table) write(r *reading.Reading) error {
	name := padded(shortened(r.PictureName(), t.width), t.width, false)
	var x, y, theta string
	if o := r.Offset; o != nil {
		x, y, theta = plusMinus(o.XUm, o.UXUm), plusMinus(o.YUm, o.UYUm), plusMinus(o.ThetaDeg, o.UTheta)
	} else if a := r.Array; a != nil && a.Present > 0 {
		x, y, theta = plusMinus(a.XUm, a.UXUm), plusMinus(a.YUm, a.UYUm), plusMinus(a.ThetaDeg, a.UTheta)
	}
	line := fmt.Sprintf("%-8s %s %17s %17s %21s  %s", r.Verdict.Decision, name, x, y, theta, remark(r))
	_, err := fmt.Fprintln(t.w, strings.TrimRight(line, " "))
	return err
}

// plusMinus writes a value with its expanded uncertainty; nothing for one that the view doesn't
// show, which has none.
func plusMinus(v, u float64) string {
	if u == 0 {
		return ""
	}
	return reading.PlusMinus(v, 2*u)
}

// remark says in a few words what stands behind a verdict.
func remark(r *reading.Reading) string {
	const most = 2
	if r.Refusal != nil {
		return r.Refusal.Gate + ": " + r.Refusal.Instruction
	}
	var all []string
	for _, reason := range r.Verdict.Reasons {
		if reason.Decision != reading.Accept {
			all = append(all, reason.Text)
		}
	}
	all = append(all, r.Warnings...)
	words := all[:min(len(all), most)]
	if more := len(all) - len(words); more > 0 {
		words = append(slices.Clone(words), fmt.Sprintf("and %d more", more))
	}
	if len(words) == 0 && r.Array != nil {
		words = append(words, fmt.Sprintf("%d of %d %s present", r.Array.Present, len(r.Array.Sites), r.Array.Kind))
	}
	return strings.Join(words, "; ")
}

func (t *table) end(counts *tally, failed int) error {
	var words []string
	for _, d := range []reading.Decision{reading.Accept, reading.Reject, reading.Review, reading.Retake} {
		if n := (*counts)[d]; n > 0 {
			words = append(words, fmt.Sprintf("%d %s", n, d))
		}
	}
	if failed > 0 {
		words = append(words, fmt.Sprintf("%d could not be done", failed))
	}
	_, err := fmt.Fprintf(t.w, "\n%d measured: %s\n", counts.all(), strings.Join(words, ", "))
	return err
}
