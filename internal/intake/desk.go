package intake

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
)

// A Desk says of pictures one at a time what is known of them. It reads each traveler, part and
// scope file once; a new Desk sees them as they are by then.
type Desk struct {
	Options Options
	Library Library
	// Needed are particulars without which a picture has to wait, besides part, scope and view.
	Needed []string

	travelers map[string]travelerRead
}

type travelerRead struct {
	*traveler
	errs []error
}

// A Lack is what keeps a picture from being measured.
type Lack struct {
	Missing []string // names of particulars, as the columns of a traveler
	Wrong   []error  // of traveler, sidecar, part and scope file; each names its file
}

// needable are the particulars that a site may insist on.
var needable = map[string]func(Particulars) string{
	"part":          func(p Particulars) string { return p.Part },
	"scope":         func(p Particulars) string { return p.Scope },
	"view":          func(p Particulars) string { return string(p.View) },
	"lot":           func(p Particulars) string { return p.Lot },
	"sample":        func(p Particulars) string { return p.Sample },
	"head":          func(p Particulars) string { return p.Head },
	"nozzle":        func(p Particulars) string { return p.Nozzle },
	"pick_position": func(p Particulars) string { return p.PickPosition },
	"operator":      func(p Particulars) string { return p.Operator },
	"taken_at":      func(p Particulars) string { return p.TakenAt },
}

// ParseNeeded checks the names of particulars.
func ParseNeeded(names []string) error {
	for _, n := range names {
		if needable[n] == nil {
			return fmt.Errorf("no particular is named %q; there are lot, sample, head, nozzle, pick_position, operator, taken_at", n)
		}
	}
	return nil
}

// Job returns all that measuring a picture needs, or what is lacking.
//
// A picture whose own row or sidecar is wrong waits, even if the station file would do: it would
// be recorded under particulars that nobody meant.
func (d *Desk) Job(path string) (Job, *Lack) {
	path = filepath.Clean(path)
	t := d.traveler(filepath.Dir(path))
	lack := new(Lack)
	if err := t.bad[path]; err != nil {
		lack.Wrong = append(lack.Wrong, err)
	}
	s, err := d.Options.describe(path, t.traveler)
	if err != nil {
		lack.Wrong = append(lack.Wrong, err)
	}
	for _, n := range append([]string{"part", "scope", "view"}, d.Needed...) {
		if needable[n](s.Particulars) == "" && !slices.Contains(lack.Missing, n) {
			lack.Missing = append(lack.Missing, n)
		}
	}
	if len(lack.Missing) > 0 {
		for _, err := range t.errs { // of any row: it may be the one that is missed
			if t.bad[path] != err {
				lack.Wrong = append(lack.Wrong, err)
			}
		}
		return Job{}, lack
	}
	j, err := d.Library.job(s)
	if err != nil {
		lack.Wrong = append(lack.Wrong, err)
	}
	if len(lack.Wrong) > 0 {
		return Job{}, lack
	}
	return j, nil
}

// Corners returns the pictures that the traveler of a picture's folder names as corner shots of the
// same sample, that picture among them; none when it has no row there.
func (d *Desk) Corners(path string) (paths []string) {
	path = filepath.Clean(path)
	t := d.traveler(filepath.Dir(path))
	i, ok := t.of[path]
	if !ok {
		return nil
	}
	own := t.rows[i]
	for _, r := range t.rows {
		if r.Stage != nil && r.Lot == own.Lot && r.Sample == own.Sample && r.Part == own.Part && r.View == own.View && r.TurnDeg == own.TurnDeg {
			paths = append(paths, r.path)
		}
	}
	return paths
}

func (d *Desk) traveler(dir string) travelerRead {
	if t, ok := d.travelers[dir]; ok {
		return t
	}
	if d.travelers == nil {
		d.travelers = map[string]travelerRead{}
	}
	t, errs := readTraveler(dir)
	d.travelers[dir] = travelerRead{t, errs}
	return d.travelers[dir]
}

// String says in one line what is lacking.
func (l *Lack) String() string {
	var words []string
	if len(l.Missing) > 0 {
		words = append(words, "not known: "+strings.Join(l.Missing, ", "))
	}
	for _, err := range l.Wrong {
		words = append(words, err.Error())
	}
	return strings.Join(words, "; ")
}
