package main

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/overlay"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
)

// A drawer writes a picture a shot, or one for all corner shots of a sample, named after the first.
type drawer struct {
	dir   string
	names map[string]string // by path of the picture
	write func(io.Writer, []*picture.Gray, intake.Job, *reading.Reading) error
}

// drawers returns what o asks to be drawn of each shot.
func (o measureOptions) drawers(jobs []intake.Job) ([]*drawer, error) {
	var all []*drawer
	add := func(dir, suffix string, write func(io.Writer, []*picture.Gray, intake.Job, *reading.Reading) error) error {
		if dir == "" {
			return nil
		}
		d, err := newDrawer(dir, suffix, jobs)
		if err != nil {
			return err
		}
		d.write = write
		all = append(all, d)
		return nil
	}
	bumpy := func(j intake.Job) bool { return j.Part.Die != nil && j.Part.Die.Bumps != nil }
	if o.bumps != "" && !slices.ContainsFunc(jobs, bumpy) {
		return nil, usagef("--bumps: part %s has no die.bumps in its part file", jobs[0].Part.Name)
	}
	err := add(o.overlay, intake.OverlaySuffix, func(w io.Writer, gs []*picture.Gray, j intake.Job, r *reading.Reading) error {
		if len(gs) > 1 {
			return overlay.WriteCorners(w, gs, r, j.Part, j.Scope)
		}
		return overlay.Write(w, gs[0], r, j.Part, j.Scope)
	})
	return all, errors.Join(err, add(o.bumps, ".bumps"+intake.OverlaySuffix, func(w io.Writer, _ []*picture.Gray, j intake.Job, r *reading.Reading) error {
		if r.Offset == nil || r.Offset.Bump == nil {
			return nil
		}
		return overlay.WriteBumps(w, r, j.Part)
	}))
}

// newDrawer names the pictures: after the shot's, or after its path where two are named alike.
func newDrawer(dir, suffix string, jobs []intake.Job) (*drawer, error) {
	d := &drawer{dir: dir, names: map[string]string{}}
	times := map[string]int{}
	for _, j := range jobs {
		times[stem(filepath.Base(j.Path))]++
	}
	for _, j := range jobs {
		name := stem(filepath.Base(j.Path))
		if times[name] > 1 {
			name = strings.NewReplacer("/", "_", `\`, "_", ":", "_").Replace(strings.TrimLeft(j.Path, "./"))
		}
		d.names[j.Path] = name + suffix
	}
	return d, os.MkdirAll(dir, 0o777)
}

func stem(name string) string { return strings.TrimSuffix(name, filepath.Ext(name)) }

func (d *drawer) draw(gs []*picture.Gray, j intake.Job, r *reading.Reading) error {
	var b bytes.Buffer
	if err := d.write(&b, gs, j, r); err != nil {
		return err
	}
	if b.Len() == 0 {
		return nil // nothing of the kind in this shot
	}
	f, err := createOut(filepath.Join(d.dir, d.names[j.Path]))
	if err != nil {
		return err
	}
	if _, err := f.Write(b.Bytes()); err != nil {
		return err
	}
	return f.close()
}
