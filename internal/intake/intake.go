// Package intake finds the pictures that somebody means by files, folders and patterns, and
// gathers what is known of each: from the flags, from a traveler.csv or a sidecar beside it, or
// from its name. It opens no picture.
package intake

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"plumbsquare/internal/reading"
)

// A Shot is one picture to measure and what is known of it.
type Shot struct {
	Path        string // of the picture
	Particulars        // after everything has had its say
}

// Particulars are what may be told of a shot. An empty one is not known.
type Particulars struct {
	Part  string // path of a part file, or the name of one
	Scope string // path of a scope file, or the name of one
	reading.Shot
}

// Options completes what the pictures bring with them. The zero value adds nothing.
type Options struct {
	Override Particulars // goes before everything else
	Pattern  *Pattern    // of file names; nil for none
	Fallback Particulars // for what nothing else says
}

// complete fills each empty particular from q.
func (p *Particulars) complete(q Particulars) {
	fill := func(to *string, from string) { *to = cmp.Or(*to, from) }
	fill(&p.Part, q.Part)
	fill(&p.Scope, q.Scope)
	p.View = cmp.Or(p.View, q.View)
	fill(&p.Lot, q.Lot)
	fill(&p.Sample, q.Sample)
	fill(&p.Head, q.Head)
	fill(&p.Nozzle, q.Nozzle)
	fill(&p.PickPosition, q.PickPosition)
	fill(&p.Operator, q.Operator)
	fill(&p.TakenAt, q.TakenAt)
	p.TurnDeg = cmp.Or(p.TurnDeg, q.TurnDeg)
	p.Focus = cmp.Or(p.Focus, q.Focus)
	p.Stage = cmp.Or(p.Stage, q.Stage)
}

// Gather returns the shots that args name, in the order of args and by name inside a folder, each
// picture once. An arg is a picture, a folder (its pictures and those its traveler names, not its
// subfolders) or a pattern of these such as "lots/*/*.png".
//
// Whatever is wrong with one arg, traveler row or sidecar is an error of the returned list that
// names the file, and the rest goes on.
func Gather(args []string, o Options) ([]Shot, []error) {
	g := gatherer{options: o, travelers: map[string]*traveler{}, seen: map[string]bool{}}
	for _, a := range args {
		g.arg(a)
	}
	return g.shots, g.errs
}

type gatherer struct {
	options   Options
	travelers map[string]*traveler // by folder
	seen      map[string]bool      // pictures by path
	shots     []Shot
	errs      []error
}

func (g *gatherer) wrong(format string, args ...any) {
	g.errs = append(g.errs, fmt.Errorf(format, args...))
}

// arg takes one argument as it is, or as a pattern where nothing has that name.
func (g *gatherer) arg(a string) {
	info, err := os.Stat(a)
	if errors.Is(err, fs.ErrNotExist) && strings.ContainsAny(a, "*?[") {
		g.pattern(a)
		return
	}
	g.path(a, info, err)
}

func (g *gatherer) pattern(a string) {
	paths, err := filepath.Glob(a)
	switch {
	case err != nil:
		g.wrong("%s: the pattern is not complete; it takes * ? and [a-z]", a)
		return
	case len(paths) == 0:
		g.wrong("%s: nothing matches the pattern", a)
		return
	}
	slices.Sort(paths)
	for _, p := range paths {
		info, err := os.Stat(p)
		if err == nil && !info.IsDir() && !isPicture(p) {
			continue // a traveler or a sidecar among the pictures
		}
		g.path(p, info, err)
	}
}

func (g *gatherer) path(p string, info fs.FileInfo, err error) {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		g.wrong("%s: no such picture or folder", p)
	case err != nil:
		g.errs = append(g.errs, err)
	case info.IsDir():
		g.folder(p)
	case !info.Mode().IsRegular():
		g.wrong("%s: not a file", p)
	default:
		g.picture(p)
	}
}

// folder takes the pictures of a folder, and those elsewhere that its traveler names.
func (g *gatherer) folder(dir string) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		g.errs = append(g.errs, err)
		return
	}
	var paths []string
	here := map[string]bool{}
	for _, e := range entries {
		if p := filepath.Join(dir, e.Name()); !e.IsDir() && isPicture(p) {
			paths = append(paths, p)
			here[p] = true
		}
	}
	t := g.traveler(dir)
	for _, r := range t.rows {
		if here[r.path] {
			continue
		}
		if _, err := os.Stat(r.path); err != nil {
			g.wrong("%s:%d: picture %s is not there", t.file, r.line, r.path)
			continue
		}
		paths = append(paths, r.path)
	}
	if len(paths) == 0 {
		g.wrong("%s: no pictures in this folder; a picture is a file named %s", dir, strings.Join(extensions[:], ", "))
		return
	}
	slices.Sort(paths)
	for _, p := range paths {
		g.add(p, t)
	}
}

func (g *gatherer) picture(p string) { g.add(p, g.traveler(filepath.Dir(p))) }

// add takes a picture that wasn't taken yet.
func (g *gatherer) add(path string, t *traveler) {
	path = filepath.Clean(path)
	if g.seen[path] {
		return
	}
	g.seen[path] = true
	s, err := g.options.describe(path, t)
	if err != nil {
		g.errs = append(g.errs, err)
	}
	g.shots = append(g.shots, s)
}

// describe completes a shot from what is nearest first. The error is of its sidecar.
func (o *Options) describe(path string, t *traveler) (Shot, error) {
	s := Shot{Path: path, Particulars: o.Override}
	if r, ok := t.of[path]; ok {
		s.complete(t.rows[r].Particulars)
	}
	side, err := sidecar(path)
	s.complete(side)
	s.complete(o.Pattern.particulars(filepath.Base(path)))
	s.complete(o.Fallback)
	return s, err
}

// traveler reads a folder's traveler once; none gives an empty one.
func (g *gatherer) traveler(dir string) *traveler {
	dir = filepath.Clean(dir)
	if t, ok := g.travelers[dir]; ok {
		return t
	}
	t, errs := readTraveler(dir)
	g.travelers[dir] = t
	g.errs = append(g.errs, errs...)
	return t
}

// extensions are those of the picture formats that package picture decodes.
var extensions = [...]string{".png", ".tif", ".tiff", ".jpg", ".jpeg", ".bmp"}

// OverlaySuffix ends the names of overlays, which may lie among the pictures and aren't any.
const OverlaySuffix = ".overlay.png"

// isPicture tells by its name whether a file that lies in a folder is a picture to measure.
func isPicture(name string) bool {
	return !strings.HasPrefix(filepath.Base(name), ".") && !strings.HasSuffix(name, OverlaySuffix) &&
		slices.Contains(extensions[:], strings.ToLower(filepath.Ext(name)))
}
