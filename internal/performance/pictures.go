// Package performance measures what the program costs and how it stands beside what a user would
// script with OpenCV in an afternoon, on pictures with known truth, and writes both as a page.
package performance

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/intake"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

// today lies within the validity of the scopes of drawn pictures.
var today = time.Date(2031, 6, 1, 0, 0, 0, 0, time.UTC)

// A Picture is one with what is true of it.
type Picture struct {
	Name  string
	View  reading.View
	Gray  *picture.Gray
	PNG   []byte
	Part  *part.Part
	Scope *scope.Scope

	Offset  *Offset                    // true offset of the die, nil where there is none
	Marks   map[string]geom.ImagePoint // those that aren't impaired
	Sites   map[string]geom.ImagePoint // tips or balls that are there
	leverUm float64
}

// An Offset is measured minus nominal, in the drawing frame.
type Offset struct{ XUm, YUm, ThetaDeg float64 }

// Draw returns n pictures of a view, each of another scope and sample. Clean ones have flat
// surfaces and nothing lying about; the others are as a line gives them.
func Draw(p *part.Part, v reading.View, n, widthPx int, clean bool, seed uint64) ([]*Picture, error) {
	var out []*Picture
	for i := range n {
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		sc := synth.RandomScope("drawn", p, v, widthPx, rng)
		s := synth.Random(p, sc, v, rng)
		if clean {
			s.Dirt, s.Die.Chips, s.Die.RoughUm, s.Look.Texture, s.Array.Debris = synth.Dirt{}, 0, 0, 0, 0
		}
		g, truth, err := synth.Draw(s, rng)
		if err != nil {
			return nil, err
		}
		pic := &Picture{
			Name: fmt.Sprintf("%s-%s-%d", p.Name, v, i), View: v, Gray: g, Part: p, Scope: sc,
			Marks: map[string]geom.ImagePoint{}, Sites: map[string]geom.ImagePoint{}, leverUm: truth.LeverUm,
		}
		if v == reading.DiePlan {
			pic.Offset = &Offset{*truth.DXUm, *truth.DYUm, *truth.ThetaDeg}
		}
		for _, m := range truth.Marks {
			if m.State == "ok" {
				pic.Marks[m.Name] = geom.ImagePoint{X: m.XPx, Y: m.YPx}
			}
		}
		for _, s := range truth.Sites {
			// Sites that touch a neighbour, or carry two, have no one centre.
			if s.State != "missing" && s.State != "bridged" && s.State != "doubled" && s.XPx != nil {
				pic.Sites[s.Site] = geom.ImagePoint{X: *s.XPx, Y: *s.YPx}
			}
		}
		if pic.PNG, err = encode(g); err != nil {
			return nil, err
		}
		out = append(out, pic)
	}
	return out, nil
}

// encode makes a PNG with the standard library's usual compression.
func encode(g *picture.Gray) ([]byte, error) {
	var m image.Image
	r := image.Rect(0, 0, g.W, g.H)
	if g.FullScale < 256 {
		m8 := image.NewGray(r)
		for i, v := range g.Pix {
			m8.Pix[i] = byte(v)
		}
		m = m8
	} else {
		m16 := image.NewGray16(r)
		for i, v := range g.Pix {
			m16.SetGray16(i%g.W, i/g.W, color.Gray16{Y: v})
		}
		m = m16
	}
	var b bytes.Buffer
	err := png.Encode(&b, m)
	return b.Bytes(), err
}

// Stored returns the pictures of dies in a folder like testdata/images.
func Stored(dir string) ([]*Picture, error) {
	var o intake.Options
	var library intake.Library
	if err := o.Bench(&library, filepath.Join(dir, "station.yaml")); err != nil {
		return nil, err
	}
	shots, errs := intake.Gather([]string{dir}, o)
	if len(errs) > 0 {
		return nil, errs[0]
	}
	jobs, errs := library.Jobs(shots)
	if len(errs) > 0 {
		return nil, errs[0]
	}
	var out []*Picture
	for _, j := range jobs {
		if j.Shot.View != reading.DiePlan {
			continue
		}
		pic := &Picture{Name: stem(j.Path), View: j.Shot.View, Part: j.Part, Scope: j.Scope, leverUm: 5000}
		data, err := os.ReadFile(filepath.Join(dir, pic.Name+".truth.json"))
		if err != nil {
			return nil, err
		}
		var truth struct {
			LeverUm float64 `json:"lever_um"`
			Offset  *struct {
				X     float64 `json:"x_um"`
				Y     float64 `json:"y_um"`
				Theta float64 `json:"theta_deg"`
			} `json:"offset"`
		}
		if err := json.Unmarshal(data, &truth); err != nil {
			return nil, fmt.Errorf("%s: %w", pic.Name, err)
		}
		if truth.Offset == nil {
			continue // to be refused
		}
		if truth.LeverUm > 0 {
			pic.leverUm = truth.LeverUm
		}
		pic.Offset = &Offset{truth.Offset.X, truth.Offset.Y, truth.Offset.Theta}
		if pic.PNG, err = os.ReadFile(j.Path); err != nil {
			return nil, err
		}
		if pic.Gray, err = picture.Decode(pic.PNG, picture.Limits{}); err != nil {
			return nil, fmt.Errorf("%s: %w", j.Path, err)
		}
		out = append(out, pic)
	}
	return out, nil
}

func stem(path string) string {
	base := filepath.Base(path)
	return base[:len(base)-len(filepath.Ext(base))]
}
