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

	"plumbsquare/internal/reading"
	"plumbsquare/internal/spc"
)

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
	Sites           []*Site // row by row
	Worn            []Worn  // a fault at a time, the least likely first

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
	type gathering struct {
		study *Study
		tally Tally
	}
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
			gathered[k] = &gathering{study: &Study{Part: k.part, View: k.view, Key: k.key}}
			order = append(order, k)
		}
		g := gathered[k]
		g.study.Samples = append(g.study.Samples, g.tally.Add(r))
	}
	if len(order) == 0 {
		return nil, errors.New("none of the readings is of an array of columns or balls")
	}
	slices.SortStableFunc(order, func(a, b id) int {
		return cmp.Or(cmp.Compare(a.part, b.part), cmp.Compare(a.view, b.view), cmp.Compare(a.key, b.key))
	})
	var all []*Study
	for _, k := range order {
		s := gathered[k].study
		if err := s.finish(&gathered[k].tally, level); err != nil {
			return nil, err
		}
		all = append(all, s)
	}
	return all, nil
}

// finish tests the sites and the leans.
func (s *Study) finish(t *Tally, level float64) (err error) {
	s.Sites, s.LeansDeg, s.CommonDeg = t.Sites(), t.LeansDeg, t.CommonDeg
	if s.Worn, err = t.Worn(level); err != nil {
		return err
	}
	if s.Leans, err = circular(s.LeansDeg); err != nil {
		return err
	}
	s.Common, err = circular(s.CommonDeg)
	return err
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
