package sites

import (
	"cmp"
	"slices"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/spc"
)

// Faults are the states of a site that something is wrong with, most serious first.
var Faults = [...]string{reading.Missing, reading.Bridged, reading.Doubled, reading.Tilted, reading.Off}

var words = map[string]string{
	reading.Missing: "missing", reading.Bridged: "bridged", reading.Doubled: "doubled", reading.Tilted: "tilted", reading.Off: "out of place",
}

// InWords says what a site with one of Faults is.
func InWords(fault string) string { return words[fault] }

// A Site is one place of the array over all samples.
type Site struct {
	Name        string
	Row, Column int                // from 1
	Looked      int                // samples in which it was seen
	Faults      map[string]*Failed // by fault; those that it has shown
}

// Failed returns in how many samples the site has shown a fault.
func (s *Site) Failed(fault string) int {
	if f := s.Faults[fault]; f != nil {
		return f.N
	}
	return 0
}

// Failed is how often a site has shown a fault, and in the samples of which lots and heads; "" is of
// those that name none.
type Failed struct {
	N           int
	Lots, Heads map[string]int
}

func (s *Site) failed(fault string, shot reading.Shot) {
	f := s.Faults[fault]
	if f == nil {
		f = &Failed{Lots: map[string]int{}, Heads: map[string]int{}}
		if s.Faults == nil {
			s.Faults = map[string]*Failed{}
		}
		s.Faults[fault] = f
	}
	f.N++
	f.Lots[shot.Lot]++
	f.Heads[shot.Head]++
}

// A Tally counts what samples show of the sites of one array as their readings pass, none of which it
// keeps. The zero value has seen none.
type Tally struct {
	Samples int
	// LeansDeg are the directions in which columns beyond the limit lean, CommonDeg those of the leans
	// common to each sample's array; the first 100 000 of each. From the side, which shows one axis
	// only, there are none.
	LeansDeg, CommonDeg []float64

	sites map[string]*Site
}

// mostLeans is how many leans their common direction is looked for in.
const mostLeans = 100_000

// Add takes in a reading with an array and returns what its sample counts.
func (t *Tally) Add(r *reading.Reading) Sample {
	if t.sites == nil {
		t.sites = map[string]*Site{}
	}
	t.Samples++
	side := r.Shot.View == reading.ColumnSide
	if r.Array.LeanDeg > 0 && !side && len(t.CommonDeg) < mostLeans {
		t.CommonDeg = append(t.CommonDeg, r.Array.LeanAzimuthDeg)
	}
	m := Sample{Lot: r.Shot.Lot, Sample: r.Shot.Sample, Head: r.Shot.Head, Nozzle: r.Shot.Nozzle, TakenAt: r.Shot.TakenAt, Picture: r.Source.Picture}
	for i := range r.Array.Sites {
		s := &r.Array.Sites[i]
		c := t.sites[s.Name]
		if c == nil {
			row, column, err := part.ParseSite(s.Name)
			if err != nil {
				continue // no site of an array
			}
			c = &Site{Name: s.Name, Row: row, Column: column}
			t.sites[s.Name] = c
		}
		if s.State == reading.Unseen {
			continue
		}
		c.Looked++
		m.Sites++
		if s.State == reading.Present {
			continue
		}
		c.failed(s.State, r.Shot)
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
			if !side && len(t.LeansDeg) < mostLeans {
				t.LeansDeg = append(t.LeansDeg, s.AzimuthDeg)
			}
		}
	}
	return m
}

// Sites returns the sites, row by row.
func (t *Tally) Sites() []*Site {
	all := make([]*Site, 0, len(t.sites))
	for _, s := range t.sites {
		all = append(all, s)
	}
	slices.SortFunc(all, func(a, b *Site) int { return cmp.Or(a.Row-b.Row, a.Column-b.Column) })
	return all
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

// Worn returns the sites that fail more often than chance allows, a fault at a time, the least likely
// first. Level is the false discovery rate that they are held to; 0 means 0.05.
func (t *Tally) Worn(level float64) (worn []Worn, err error) {
	all := t.Sites()
	for _, fault := range Faults {
		counts := make([]spc.SiteCount, len(all))
		failed := false
		for i, s := range all {
			counts[i] = spc.SiteCount{Failed: s.Failed(fault), Looked: s.Looked}
			failed = failed || counts[i].Failed > 0
		}
		if !failed {
			continue
		}
		found, err := spc.RepeatedSites(counts, spc.SiteOptions{Level: level})
		if err != nil {
			return nil, err
		}
		for _, s := range found.Sites {
			if s.Repeated && s.Failed > 1 {
				worn = append(worn, Worn{all[s.Site].Name, fault, s.Failed, s.Looked, s.P, s.Q})
			}
		}
	}
	return worn, nil
}
