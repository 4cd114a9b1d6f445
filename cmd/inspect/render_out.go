package main

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"image"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/synth"
)

const truthName = "truth.csv"

// A renderFolder is where pictures and their truth go.
type renderFolder struct{ dir string }

// newRenderFolder makes the folder. One that holds something is refused; with force, what an
// earlier render left there is taken away first, and nothing else.
func newRenderFolder(dir string, force bool) (*renderFolder, error) {
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return nil, err
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	f := &renderFolder{dir}
	switch {
	case len(entries) == 0:
		return f, nil
	case !force:
		return nil, fmt.Errorf("%s is not empty and is not overwritten; choose another folder, or give --force", dir)
	}
	return f, f.removeEarlier()
}

// removeEarlier deletes the pictures that the folder's own truth names.
func (f *renderFolder) removeEarlier() error {
	file, err := os.Open(filepath.Join(f.dir, truthName))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	rows, err := csv.NewReader(file).ReadAll()
	if err = errors.Join(err, file.Close()); err != nil {
		return err
	}
	for i, row := range rows {
		name := row[0]
		if i == 0 || name != filepath.Base(name) || !strings.HasSuffix(name, ".png") {
			continue
		}
		for _, old := range []string{name, filepath.Join("sites", strings.TrimSuffix(name, ".png")+".csv")} {
			if err := os.Remove(filepath.Join(f.dir, old)); err != nil && !errors.Is(err, os.ErrNotExist) {
				return err
			}
		}
	}
	return nil
}

// create writes a file of the folder.
func (f *renderFolder) create(name string, write func(io.Writer) error) error {
	file := filepath.Join(f.dir, name)
	if err := os.MkdirAll(filepath.Dir(file), 0o777); err != nil {
		return err
	}
	out, err := os.Create(file)
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(out, 1<<16)
	err = write(w)
	return errors.Join(err, w.Flush(), out.Close())
}

// writeShot writes a picture and the truth of its sites.
func (f *renderFolder) writeShot(name string, g *picture.Gray, t *synth.Truth) error {
	if err := f.create(name+".png", func(w io.Writer) error { return encodePNG(w, g) }); err != nil {
		return err
	}
	if len(t.Sites) == 0 {
		return nil
	}
	return f.create(filepath.Join("sites", name+".csv"), t.WriteSitesCSV)
}

// encodePNG writes a grey picture as PNG, 8 or 16 bits a pixel.
func encodePNG(w io.Writer, g *picture.Gray) error {
	encoder := png.Encoder{CompressionLevel: png.BestSpeed} // noise hardly packs any better
	if g.FullScale > 255 {
		m := image.NewGray16(image.Rect(0, 0, g.W, g.H))
		for i, v := range g.Pix {
			m.Pix[2*i], m.Pix[2*i+1] = byte(v>>8), byte(v)
		}
		return encoder.Encode(w, m)
	}
	m := image.NewGray(image.Rect(0, 0, g.W, g.H))
	for i, v := range g.Pix {
		m.Pix[i] = byte(v)
	}
	return encoder.Encode(w, m)
}

// scopeName names the scope's file, which must not take the part file's place.
func (s *shotPlan) scopeName(p *part.Part) string {
	if s.scope.Name == p.Name {
		return s.scope.Name + "-scope"
	}
	return s.scope.Name
}

// writeTables writes all that stands beside the pictures, the traveler last: a folder without
// one is not complete.
func (f *renderFolder) writeTables(p *part.Part, partFile string, plans []shotPlan, truths []*synth.Truth) error {
	partData, err := os.ReadFile(partFile)
	if err != nil {
		return fmt.Errorf("read part file: %w", err)
	}
	bytes := func(data []byte) func(io.Writer) error {
		return func(w io.Writer) error { _, err := w.Write(data); return err }
	}
	if err := f.create(p.Name+".yaml", bytes(partData)); err != nil {
		return err
	}
	written := map[string]bool{}
	for _, plan := range plans {
		name := plan.scopeName(p)
		if written[name] {
			continue
		}
		written[name] = true
		scopeData, err := plan.scope.YAML()
		if err != nil {
			return err
		}
		if err := f.create(name+".yaml", bytes(scopeData)); err != nil {
			return err
		}
	}
	if err := f.create(truthName, func(w io.Writer) error { return synth.WriteCSV(w, truths) }); err != nil {
		return err
	}
	rows := [][]string{{"image", "part", "view", "scope", "lot", "sample", "head", "nozzle", "pick_position", "taken_at", "turn_deg", "focus"}}
	for _, plan := range plans {
		u := plan.unit
		rows = append(rows, []string{plan.name + ".png", p.Name, string(plan.scene.View), plan.scopeName(p), u.Lot, u.Sample, u.Head, u.Nozzle, u.Pick, u.TakenAt.Format(time.RFC3339),
			fmt.Sprint(plan.scene.TurnDeg), string(plan.scene.Optics.Focus)})
	}
	return f.create(intake.TravelerName, func(w io.Writer) error { return csv.NewWriter(w).WriteAll(rows) })
}
