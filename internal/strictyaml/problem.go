package strictyaml

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// A Problem is one thing wrong in a file.
type Problem struct {
	Line   int    `json:"line"`   // from 1
	Column int    `json:"column"` // from 1, in characters
	Path   string `json:"path"`   // "marks.at[1].x_mm"; empty for the file as a whole
	Text   string `json:"text"`   // `want a number in mm, got "12 um"; did you mean 0.012?`
}

// An Error holds all problems of a file in the order of their places.
type Error struct {
	File     string    `json:"file"`
	Problems []Problem `json:"problems"`
}

// Error returns one line a problem, as file:line:column: path: text.
func (e *Error) Error() string {
	const most = 40 // a file of another kind has thousands
	var b strings.Builder
	for i, p := range e.Problems {
		if i > 0 {
			b.WriteByte('\n')
		}
		if i == most {
			fmt.Fprintf(&b, "%s: and %d more", e.File, len(e.Problems)-most)
			break
		}
		fmt.Fprintf(&b, "%s:%d:%d: ", e.File, p.Line, p.Column)
		if p.Path != "" {
			b.WriteString(p.Path + ": ")
		}
		b.WriteString(p.Text)
	}
	return b.String()
}

// A Document is a file that has been read: where each value stands and what is wrong so far.
// The caller adds what the schema can't say with [Document.Problemf] and then asks
// [Document.Err].
type Document struct {
	file     string
	places   map[string]place // of every value, by path
	bad      map[string]bool  // paths with a problem, and those above them
	problems []Problem
}

type place struct{ line, column int }

// Sound reports whether every path has a value in the file and nothing is wrong in or below
// it, so that rules between values are only judged on values that are worth it.
func (d *Document) Sound(paths ...string) bool {
	for _, p := range paths {
		if _, there := d.places[p]; !there || d.bad[p] {
			return false
		}
	}
	return true
}

// Has reports whether the file has a value at the path, right or wrong.
func (d *Document) Has(path string) bool {
	_, there := d.places[path]
	return there
}

// Problemf adds a problem at the value of a path; where the file has no such value, at the
// nearest one above it.
func (d *Document) Problemf(path, format string, args ...any) {
	at := path
	for d.places[at] == (place{}) && at != "" {
		at = parent(at)
	}
	d.add(d.places[at], path, fmt.Sprintf(format, args...))
}

func (d *Document) add(p place, path, text string) {
	if p == (place{}) {
		p = place{1, 1}
	}
	d.problems = append(d.problems, Problem{p.line, p.column, path, text})
	for ; path != ""; path = parent(path) {
		d.bad[path] = true
	}
	d.bad[""] = true
}

// Err returns an *[Error] with all problems, nil when there are none.
func (d *Document) Err() error {
	if len(d.problems) == 0 {
		return nil
	}
	slices.SortStableFunc(d.problems, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return &Error{d.file, slices.Clone(d.problems)}
}

// parent returns the path one level up: "marks.at" of "marks.at[1]" and "marks" of that.
func parent(path string) string {
	return path[:max(strings.LastIndexAny(path, ".["), 0)]
}
