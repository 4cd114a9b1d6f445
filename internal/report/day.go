package report

import (
	"cmp"
	"io"
	"iter"
	"math"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
	"plumbsquare/internal/sites"
)

// A day is all readings of a report, in the order of time where every one has a time, else in the
// order in which they came.
type day struct {
	shots []*shot // reported
	early []*shot // from before, for charts only
	sites map[group]*sites.Tally
	rows  appendix
	timed bool // every reported reading has a time
	first time.Time
	last  time.Time
}

// A shot is what a report needs of a reading: all but its sites, edges, marks and budget.
type shot struct {
	*reading.Reading
	at    time.Time // when it was taken; zero when that isn't known
	group group

	line    string // of the plant, "" when there is one or nobody said
	decided string // what a person decided about a shot in review

	causes  []string // what it was judged by, in words, without those accepted
	reasons int      // how many there were before all but the first were let go

	seen, faulty int     // sites that could be seen; those of them tilted, out of place, bridged or doubled
	heightUm     float64 // mean over the columns that a side view shows; NaN otherwise
	bendUm       float64 // the largest of them without its sign
}

// A group is readings that one chart may hold: of one part, line and view, of die or cap.
type group struct {
	part, line, of string // of: "die", "cap", "columns" or "balls"
	view           reading.View
}

func groupOf(r item) group {
	g := group{part: r.Source.Part, line: r.line, view: r.Shot.View}
	switch {
	case r.Offset != nil:
		g.of = r.Offset.Of
	case r.Array != nil:
		g.of = r.Array.Kind
	}
	return g
}

// read takes in readings and lets go of what a report doesn't need of them.
func read(readings, before iter.Seq2[item, error], o Options) (*day, error) {
	d := &day{sites: map[group]*sites.Tally{}, timed: true}
	w := io.Writer(&d.rows)
	if o.Table != nil {
		w = io.MultiWriter(o.Table, w)
	}
	table, err := reading.NewShotTable(w)
	if err != nil {
		return nil, err
	}
	for r, err := range readings {
		if err != nil {
			return nil, err
		}
		if err := table.Write(r.Reading); err != nil {
			return nil, err
		}
		if g := groupOf(r); r.Array != nil {
			if d.sites[g] == nil {
				d.sites[g] = new(sites.Tally)
			}
			d.sites[g].Add(r.Reading)
		}
		s := condensed(r)
		d.shots = append(d.shots, s)
		if s.at.IsZero() {
			d.timed = false
			continue
		}
		if d.first.IsZero() || s.at.Before(d.first) {
			d.first = s.at
		}
		if s.at.After(d.last) {
			d.last = s.at
		}
	}
	if before != nil {
		for r, err := range before {
			if err != nil {
				return nil, err
			}
			d.early = append(d.early, condensed(r))
		}
	}
	inOrder(d.shots)
	inOrder(d.early)
	return d, nil
}

// inOrder sorts shots by time, unless one has none.
func inOrder(shots []*shot) {
	if !slices.ContainsFunc(shots, func(s *shot) bool { return s.at.IsZero() }) {
		slices.SortStableFunc(shots, func(a, b *shot) int { return a.at.Compare(b.at) })
	}
}

// condensed keeps of a reading what a report needs.
func condensed(r item) *shot {
	kept := *r.Reading
	s := &shot{Reading: &kept, group: groupOf(r), line: r.line, decided: r.decided, heightUm: math.NaN(), bendUm: math.NaN(), reasons: len(r.Verdict.Reasons)}
	s.at, _ = series.ParseTime(r.Shot.TakenAt)
	var reasons []reading.Reason
	for _, reason := range r.Verdict.Reasons {
		if reason.Decision == reading.Accept {
			s.reasons--
			continue
		}
		if word := causeOf(reason.What); !slices.Contains(s.causes, word) {
			s.causes = append(s.causes, word)
		}
		if len(reasons) <= mostReasons {
			reasons = append(reasons, reason)
		}
	}
	kept.Verdict.Reasons, kept.Substrate = reasons, nil
	if r.Array != nil {
		s.seeSites(r.Array)
		array := *r.Array
		array.Sites = nil
		kept.Array = &array
	}
	if r.Offset != nil {
		offset := *r.Offset
		offset.Edges, offset.Marks, offset.Budget = nil, nil, nil
		kept.Offset = &offset
	}
	return s
}

// seeSites takes from the sites of an array what its charts need.
func (s *shot) seeSites(a *reading.Array) {
	heights, n := 0.0, 0
	for i := range a.Sites {
		q := &a.Sites[i]
		switch q.State {
		case reading.Unseen:
			continue
		case reading.Tilted, reading.Off, reading.Bridged, reading.Doubled:
			s.faulty++
		}
		s.seen++
		if c := q.Silhouette; c != nil {
			heights += c.HeightUm
			n++
			if bend := math.Abs(c.BendUm); !(s.bendUm > bend) {
				s.bendUm = bend
			}
		}
	}
	if len(a.Sites) == 0 { // a reading that was kept without them
		s.seen, s.faulty = a.Present+a.Missing, a.Tilted+a.Bridged+a.Doubled
	}
	if n > 0 {
		s.heightUm = heights / float64(n)
	}
}

// causeOf puts what a reason is about in words, without the site: "tilt_deg G14" is "tilt".
func causeOf(what string) string {
	what, _, _ = strings.Cut(what, " ")
	names := map[string]string{
		"offset_x_um": "offset X", "offset_y_um": "offset Y", "theta_deg": "rotation", "bump_um": "bump misregistration", "bump_pad_percent": "bump misregistration",
		"cap_x_um": "offset X of the cap", "cap_y_um": "offset Y of the cap", "cap_theta_deg": "rotation of the cap",
		"shrink_percent": "shrink of the substrate", "width_um": "width", "height_um": "height", "missing": "missing sites", "tilt_deg": "tilt", "tip_um": "place of sites",
		"coplanarity_um": "coplanarity", "bridged": "bridged balls", "doubled": "doubled balls", "unseen": "sites that can't be seen", "doubt": "doubtful measurement",
	}
	if name := names[what]; name != "" {
		return name
	}
	return strings.ReplaceAll(what, "_", " ")
}

// count returns how many readings have a verdict.
func (d *day) count(decision reading.Decision) (n int) {
	for _, s := range d.shots {
		if s.Verdict.Decision == decision {
			n++
		}
	}
	return n
}

// undecided returns how many readings in review nobody has decided about.
func (d *day) undecided() (n int) {
	for _, s := range d.shots {
		if s.Verdict.Decision == reading.Review && s.decided == "" {
			n++
		}
	}
	return n
}

// groups returns the groups of what could be measured, by part, view and what.
func (d *day) groups() (groups []group) {
	seen := map[group]bool{}
	for _, s := range d.shots {
		if g := s.group; s.Refusal == nil && g.of != "" && !seen[g] {
			seen[g] = true
			groups = append(groups, g)
		}
	}
	slices.SortFunc(groups, func(a, b group) int {
		return cmp.Or(strings.Compare(a.part, b.part), strings.Compare(a.line, b.line), strings.Compare(string(a.view), string(b.view)), strings.Compare(a.of, b.of))
	})
	return groups
}

// of returns the shots of a group that could be measured.
func of(g group, shots []*shot) (list []*shot) {
	for _, s := range shots {
		if s.Refusal == nil && s.group == g {
			list = append(list, s)
		}
	}
	return list
}

// distinct returns the different answers of readings, sorted, without blank ones.
func (d *day) distinct(of func(*reading.Reading) string) []string {
	seen := map[string]bool{}
	var all []string
	for _, s := range d.shots {
		if v := of(s.Reading); v != "" && !seen[v] {
			seen[v] = true
			all = append(all, v)
		}
	}
	slices.Sort(all)
	return all
}
