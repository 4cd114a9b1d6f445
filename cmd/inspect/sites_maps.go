package main

import (
	"cmp"
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// drawMaps draws the n-th array of a file: tips off their sites and, of columns, leans.
func drawMaps(folder string, n int, r *reading.Reading) error {
	pictures := strings.Split(r.Source.Picture, " + ")
	name := strings.TrimSuffix(filepath.Base(pictures[0]), filepath.Ext(pictures[0]))
	if len(pictures) > 1 {
		name = plain(r.Shot.Lot + "-" + r.Shot.Sample)
	}
	title := fmt.Sprintf("%s, %s", r.Source.Part, cmp.Or(r.Shot.Sample, name))
	notes := []string{strings.TrimPrefix(fmt.Sprintf("%s, %d of %d %s present", r.Shot.View, r.Array.Present, len(r.Array.Sites), r.Array.Kind), ", ")}
	for _, leans := range []bool{false, true} {
		if leans && r.Array.Kind != "columns" {
			continue
		}
		m, word := chart.ArrayMap{Title: title, Notes: notes, Leans: leans}, "offsets"
		if leans {
			word = "leans"
		}
		first := 0
		for i := range r.Array.Sites {
			s := &r.Array.Sites[i]
			row, column, err := part.ParseSite(s.Name)
			if err != nil {
				return fmt.Errorf("%s: %w", r.Source.Picture, err)
			}
			if first == 0 || row < first {
				first = row
			}
			q := chart.MapSite{Row: row, Column: column, RowName: rowName(s.Name), State: siteStates[s.State], X: s.DXUm, Y: s.DYUm}
			if leans {
				sin, cos := math.Sincos(s.AzimuthDeg * math.Pi / 180)
				q.X, q.Y = s.TiltDeg*cos, s.TiltDeg*sin
			}
			m.Sites = append(m.Sites, q)
		}
		for i := range m.Sites {
			m.Sites[i].Row -= first - 1
		}
		if len(m.Sites) == 0 {
			return nil
		}
		if err := drawFigure(filepath.Join(folder, fmt.Sprintf("%04d-%s-%s.png", n, name, word)), m); err != nil {
			return err
		}
	}
	return nil
}

var siteStates = map[string]chart.SiteState{
	reading.Present: chart.SiteSound, reading.Missing: chart.SiteMissing, reading.Tilted: chart.SiteTilted, reading.Off: chart.SiteOff,
	reading.Bridged: chart.SiteJoined, reading.Doubled: chart.SiteJoined, reading.Unseen: chart.SiteUnseen,
}
