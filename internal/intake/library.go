package intake

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// A Library finds part and scope files and reads each once.
type Library struct {
	// PartDirs and ScopeDirs hold the files that are asked for by name, the first that has one
	// wins. The picture's own folder is looked at first.
	PartDirs, ScopeDirs []string

	parts  map[string]answer[part.Part]
	scopes map[string]answer[scope.Scope]
}

type answer[T any] struct {
	value *T
	text  []byte
	err   error
}

// A Job is a shot with the part and the scope that it names: all that measuring it needs.
type Job struct {
	Path  string
	Part  *part.Part
	Scope *scope.Scope
	Shot  reading.Shot

	PartText, ScopeText []byte // of the files
}

// Jobs returns the jobs of the shots that are known well enough. What the others lack is in the
// errors, one a cause, each with the first picture that it stops and how many more there are.
func (l *Library) Jobs(shots []Shot) ([]Job, []error) {
	var jobs []Job
	var causes causes
	for _, s := range shots {
		j, err := l.job(s)
		if err != nil {
			causes.add(s.Path, err)
			continue
		}
		jobs = append(jobs, j)
	}
	return jobs, causes.errors()
}

// job returns the job of a shot, or what it lacks.
func (l *Library) job(s Shot) (Job, error) {
	p, err := l.part(s)
	if err != nil {
		return Job{}, err
	}
	sc, err := l.scope(s)
	if err != nil {
		return Job{}, err
	}
	if s.View == "" {
		return Job{}, fmt.Errorf("which view is it? Give --view, or name it in a column view of %s", TravelerName)
	}
	return Job{s.Path, p.value, sc.value, s.Shot, p.text, sc.text}, nil
}

// causes gathers what stops pictures, each cause once.
type causes struct {
	order []string
	stops map[string][]string // pictures by cause
}

func (c *causes) add(picture string, err error) {
	text := err.Error()
	if c.stops == nil {
		c.stops = map[string][]string{}
	}
	if c.stops[text] == nil {
		c.order = append(c.order, text)
	}
	c.stops[text] = append(c.stops[text], picture)
}

func (c *causes) errors() []error {
	var errs []error
	for _, text := range c.order {
		who := c.stops[text][0]
		if more := len(c.stops[text]) - 1; more > 0 {
			who = fmt.Sprintf("%s and %d more", who, more)
		}
		errs = append(errs, fmt.Errorf("%s: %s", who, text))
	}
	return errs
}

// part returns the part that a shot names.
func (l *Library) part(s Shot) (answer[part.Part], error) {
	if s.Part == "" {
		return answer[part.Part]{}, fmt.Errorf("which part is it? Give --part FILE, or name it in a column part of %s", TravelerName)
	}
	if l.parts == nil {
		l.parts = map[string]answer[part.Part]{}
	}
	return find("part", s.Part, filepath.Dir(s.Path), l.PartDirs, l.parts, part.Load)
}

// scope returns the scope that a shot names.
func (l *Library) scope(s Shot) (answer[scope.Scope], error) {
	if s.Scope == "" {
		return answer[scope.Scope]{}, fmt.Errorf("which scope took it? Give --scope FILE, or name it in a column scope of %s", TravelerName)
	}
	if l.scopes == nil {
		l.scopes = map[string]answer[scope.Scope]{}
	}
	return find("scope", s.Scope, filepath.Dir(s.Path), l.ScopeDirs, l.scopes, scope.Load)
}

// isPath tells the path of a part or scope file from the name of one.
func isPath(ref string) bool {
	ext := filepath.Ext(ref)
	return ext == ".yaml" || ext == ".yml" || strings.ContainsAny(ref, `/\`)
}

// under returns what a file in a folder means by a part or scope file.
func under(folder, ref string) string {
	if !isPath(ref) {
		return ref
	}
	ref = filepath.FromSlash(strings.ReplaceAll(ref, `\`, "/"))
	if filepath.IsAbs(ref) {
		return ref
	}
	return filepath.Join(folder, ref)
}

// find reads the file that ref names: a path, or the name without extension of a file in the
// picture's folder or in dirs.
func find[T any](kind, ref, folder string, dirs []string, known map[string]answer[T], load func([]byte, string) (*T, error)) (answer[T], error) {
	candidates := []string{ref}
	if !isPath(ref) {
		candidates = nil
		for _, d := range append([]string{folder}, dirs...) {
			candidates = append(candidates, filepath.Join(d, ref+".yaml"))
		}
	}
	for _, file := range candidates {
		if a, ok := known[file]; ok {
			return a, a.err
		}
		b, err := os.ReadFile(file)
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		a := answer[T]{text: b, err: err}
		if err == nil {
			a.value, a.err = load(b, file)
		}
		known[file] = a
		return a, a.err
	}
	if len(candidates) == 1 && candidates[0] == ref {
		return answer[T]{}, fmt.Errorf("%s file %s: there is no such file", kind, ref)
	}
	return answer[T]{}, fmt.Errorf("no %s file for %q: looked for %s", kind, ref, strings.Join(candidates, ", "))
}
