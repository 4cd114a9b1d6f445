// Package sites puts together what many samples show of the sites of an array: which sites fail
// more often than chance allows, in which direction columns lean, and how many defects each sample
// has, for attribute charts. Readings in, numbers out; the statistics are those of package spc.
package sites

import (
	"cmp"
	"errors"
	"fmt"
	"iter"
	"slices"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/spc"
)

// Faults are the states of a site that something is wrong with, most serious first.
var Faults = [...]string{reading.Missing, reading.Bridged, reading.Doubled, reading.Tilted, reading.Off}

// A Site is one place of the array over all samples of a group.
type Site struct {
	Name        string
	Row, Column int            // from 1
	Looked      int            // samples in which it was seen
	Failed      map[string]int // by state
}

// A Worn site is one that shows a fault more often than chance allows.
type Worn struct {
	Site   string  `json:"site"`
	Fault  string  `json:"fault"`
	Failed int     `json:"failed"`
	Looked int     `json:"looked"`
	P      float64 `json:"p"` // probability of at least as many at the array's own rate
	Q      float64 `json:"q"` // P adjusted for the number of sites
}

// A Sample is what one sample counts for attribute charts.
type Sample struct {
	Lot     string `json:"lot"`
	Sample  string `json:"sample"`
	Head    string `json:"head,omitempty"`
	Nozzle  string `json:"nozzle,omitempty"`
	TakenAt string `json:"taken_at,omitempty"`
	Picture string `json:"picture"`
	Sites   int    `json:"sites"` // opportunities: sites that were seen
	Missing int    `json:"missing"`
	Tilted  int    `json:"tilted"`
	Off     int    `json:"off"`
	Bridged int    `json:"bridged"`
	Doubled int    `json:"doubled"`
}

// A Study is one part's array in one view, of all samples that share a key.
type Study struct {
	Part, View, Key string
	Samples         []Sample
	Sites           []Site // row by row
	Worn            []Worn // a fault at a time, the least likely first

	// LeansDeg are the directions in which columns beyond the limit lean, and Leans their circular
	// statistics; nil for fewer than leastLeans, and from the side, which shows one axis only.
	LeansDeg []float64
	Leans    *spc.Circular
	// CommonDeg are the directions of the leans common to each sample's array, and Common their
	// statistics, likewise.
	CommonDeg []float64
	Common    *spc.Circular
}

// leastLeans is how many directions are needed to speak of a common one.
const leastLeans = 3

// Keys are the particulars by which samples may be grouped.
var Keys = [...]string{"lot", "head", "nozzle", "pick_position", "operator", "scope"}

func keyOf(r *reading.Reading, by string) string {
	s := r.Shot
	switch by {
	case "lot":
		return s.Lot
	case "head":
		return s.Head
	case "nozzle":
		return s.Nozzle
	case "pick_position":
		return s.PickPosition
	case "operator":
		return s.Operator
	case "scope":
		return r.Source.Scope
	}
	return ""
}

// Of studies readings, grouped by part and view, and by one of Keys unless by is empty. Readings
// without an array are passed over. Level is the false discovery rate that repeated sites are held
// to; 0 means 0.05.
//
// It returns an error when no reading has an array, by is no key, or a reading is damaged.
func Of(readings iter.Seq2[*reading.Reading, error], by string, level float64) ([]*Study, error) {
	if by != "" && !slices.Contains(Keys[:], by) {
		return nil, fmt.Errorf("no particular is named %q; there are %v", by, Keys)
	}
	type id struct{ part, view, key string }
	gathered := map[id]*gathering{}
	var order []id
	for r, err := range readings {
		if err != nil {
			return nil, err
		}
		if r.Array == nil {
			continue
		}
		k := id{r.Source.Part, string(r.Shot.View), keyOf(r, by)}
		if gathered[k] == nil {
			gathered[k] = &gathering{study: &Study{Part: k.part, View: k.view, Key: k.key}, sites: map[string]*Site{}}
			order = append(order, k)
		}
		gathered[k].add(r)
	}
	if len(order) == 0 {
		return nil, errors.New("none of the readings is of an array of columns or balls")
	}
	slices.SortStableFunc(order, func(a, b id) int {
		return cmp.Or(cmp.Compare(a.part, b.part), cmp.Compare(a.view, b.view), cmp.Compare(a.key, b.key))
	})
	var all []*Study
	for _, k := range order {
		s, err := gathered[k].finish(level)
		if err != nil {
			return nil, err
		}
		all = append(all, s)
	}
	return all, nil
}

// A gathering is a study to which readings are added.
type gathering struct {
	study *Study
	sites map[string]*Site
}

func (g *gathering) add(r *reading.Reading) {
	m := Sample{Lot: r.Shot.Lot, Sample: r.Shot.Sample, Head: r.Shot.Head, Nozzle: r.Shot.Nozzle, TakenAt: r.Shot.TakenAt, Picture: r.Source.Picture}
	for i := range r.Array.Sites {
		s := &r.Array.Sites[i]
		c := g.sites[s.Name]
		if c == nil {
			row, column, err := part.ParseSite(s.Name)
			if err != nil {
				continue // no site of an array
			}
			c = &Site{Name: s.Name, Row: row, Column: column, Failed: map[string]int{}}
			g.sites[s.Name] = c
		}
		if s.State == reading.Unseen {
			continue
		}
		c.Looked++
		m.Sites++
		if s.State != reading.Present {
			c.Failed[s.State]++
		}
		switch s.State {
		case reading.Missing:
			m.Missing++
		case reading.Bridged:
			m.Bridged++
		case reading.Doubled:
			m.Doubled++
		case reading.Off:
			m.Off++
		case reading.Tilted:
			m.Tilted++
			if r.Shot.View != reading.ColumnSide {
				g.study.LeansDeg = append(g.study.LeansDeg, s.AzimuthDeg)
			}
		}
	}
	if r.Array.LeanDeg > 0 && r.Shot.View == reading.ColumnPlan {
		g.study.CommonDeg = append(g.study.CommonDeg, r.Array.LeanAzimuthDeg)
	}
	g.study.Samples = append(g.study.Samples, m)
}

// finish tests the sites and the leans.
func (g *gathering) finish(level float64) (*Study, error) {
	s := g.study
	for _, c := range g.sites {
		s.Sites = append(s.Sites, *c)
	}
	slices.SortFunc(s.Sites, func(a, b Site) int { return cmp.Or(a.Row-b.Row, a.Column-b.Column) })
	for _, fault := range Faults {
		counts := make([]spc.SiteCount, len(s.Sites))
		failed := false
		for i, c := range s.Sites {
			counts[i] = spc.SiteCount{Failed: c.Failed[fault], Looked: c.Looked}
			failed = failed || c.Failed[fault] > 0
		}
		if !failed {
			continue
		}
		found, err := spc.RepeatedSites(counts, spc.SiteOptions{Level: level})
		if err != nil {
			return nil, err
		}
		for _, t := range found.Sites {
			if t.Repeated && t.Failed > 1 {
				s.Worn = append(s.Worn, Worn{s.Sites[t.Site].Name, fault, t.Failed, t.Looked, t.P, t.Q})
			}
		}
	}
	var err error
	if s.Leans, err = circular(s.LeansDeg); err != nil {
		return nil, err
	}
	s.Common, err = circular(s.CommonDeg)
	return s, err
}

func circular(deg []float64) (*spc.Circular, error) {
	if len(deg) < leastLeans {
		return nil, nil
	}
	c, err := spc.Directions(deg, spc.CircularOptions{})
	if err != nil {
		return nil, err
	}
	return &c, nil
}
