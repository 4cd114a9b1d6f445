package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/overlay"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
)

// A drawer writes an overlay a shot.
type drawer struct {
	dir   string
	names map[string]string // by path of the picture
}

// newDrawer names the overlays: after the picture, or after its path where two are named alike.
func newDrawer(dir string, jobs []intake.Job) (*drawer, error) {
	d := &drawer{dir, map[string]string{}}
	times := map[string]int{}
	for _, j := range jobs {
		times[stem(filepath.Base(j.Path))]++
	}
	for _, j := range jobs {
		name := stem(filepath.Base(j.Path))
		if times[name] > 1 {
			name = strings.NewReplacer("/", "_", `\`, "_", ":", "_").Replace(strings.TrimLeft(j.Path, "./"))
		}
		d.names[j.Path] = name + intake.OverlaySuffix
	}
	return d, os.MkdirAll(dir, 0o777)
}

func stem(name string) string { return strings.TrimSuffix(name, filepath.Ext(name)) }

func (d *drawer) draw(g *picture.Gray, j intake.Job, r *reading.Reading) error {
	var b bytes.Buffer
	if err := overlay.Write(&b, g, r, j.Part, j.Scope); err != nil {
		return err
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
