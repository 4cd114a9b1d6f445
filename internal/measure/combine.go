package measure

import (
	"cmp"
	"fmt"
	"path/filepath"
	"strings"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/verdict"
)

// Combine puts the readings of several shots of one sample's array into one: plan at tip focus and
// at base focus, plan turned by 180°, side views of two edges. Each value comes from the shot that
// knows it best, by its stated uncertainty, and the reading names it. rs[i] is the reading of
// jobs[i], nil where there is none; the jobs are of one part and sample.
//
// A shot that had to be refused holds the reading at review. When all were, the reading is the
// first one's refusal.
//
// An error means that the jobs are wrong: no array, not one part or sample.
func Combine(rs []*reading.Reading, jobs []Job) (*reading.Reading, error) {
	if err := checkCombine(rs, jobs); err != nil {
		return nil, err
	}
	c := combination{looks: make([]look, len(jobs))}
	doubtful := doubts(jobs[0])
	var names, sums []string
	for i, j := range jobs {
		l := &c.looks[i]
		l.Look = reading.Look{Picture: j.Picture, SHA256: j.SHA256, Scope: j.Scope.Name, ScopeHash: j.Scope.Hash,
			View: j.Shot.View, TurnDeg: j.Shot.TurnDeg, Focus: j.Shot.Focus, Name: c.name(j.Shot)}
		l.r, l.uAxisUm = rs[i], j.Scope.UAxisUm(j.Part.Array.HeightMm)
		names, sums = append(names, j.Picture), append(sums, j.SHA256)
		switch {
		case rs[i] == nil:
			l.Unused = "it could not be read"
		case rs[i].Refusal != nil:
			l.Unused = rs[i].Refusal.Error()
		default:
			continue
		}
		l.r = nil
		doubtful = append(doubtful, fmt.Sprintf("%s of the sample is missing: %s", l.Name, l.Unused))
	}
	first := c.first()
	if first == nil {
		return refusedAll(rs, jobs)
	}
	r := *first.r
	r.Shot.TurnDeg, r.Shot.Focus = 0, ""
	r.Source.Picture, r.Source.SHA256 = strings.Join(names, " + "), JointSHA256(sums)
	if s := r.Substrate; s != nil {
		r.Substrate = &reading.Substrate{TurnDeg: s.TurnDeg, UTurnDeg: s.UTurnDeg, Scale: s.Scale, UScale: s.UScale}
	}
	r.Array, r.Warnings = c.array(jobs[0].Part), c.warnings()
	for i := range c.looks {
		r.Looks = append(r.Looks, c.looks[i].Look)
	}
	r.Verdict = verdict.Judge(&r, jobs[0].Part, append(doubtful, c.conflicts...))
	return &r, nil
}

func checkCombine(rs []*reading.Reading, jobs []Job) error {
	if len(rs) != len(jobs) || len(jobs) < 2 {
		return fmt.Errorf("a combined reading takes two or more shots of a sample, there are %d", len(jobs))
	}
	first := jobs[0]
	for _, j := range jobs {
		if err := check(j); err != nil {
			return err
		}
		switch {
		case j.Shot.View != reading.ColumnPlan && j.Shot.View != reading.ColumnSide && j.Shot.View != reading.BallPlan:
			return fmt.Errorf("%s: view %s shows no array; only shots of arrays are combined", j.Picture, j.Shot.View)
		case j.Part.Hash != first.Part.Hash:
			return fmt.Errorf("%s: it is of part %s, the sample's first picture of another version or part %s", j.Picture, j.Part.Name, first.Part.Name)
		case j.Shot.Lot != first.Shot.Lot || j.Shot.Sample != first.Shot.Sample:
			return fmt.Errorf("%s: it is of lot %q sample %q, the first picture of lot %q sample %q", j.Picture, j.Shot.Lot, j.Shot.Sample, first.Shot.Lot, first.Shot.Sample)
		}
	}
	return nil
}

// refusedAll is the reading of a sample of which no shot could be measured.
func refusedAll(rs []*reading.Reading, jobs []Job) (*reading.Reading, error) {
	for i, r := range rs {
		if r != nil && r.Refusal != nil {
			why := *r.Refusal
			why.Instruction = filepath.Base(jobs[i].Picture) + ": " + why.Instruction
			out := *r
			return refuse(&out, &why), nil
		}
	}
	return nil, fmt.Errorf("none of the sample's %d pictures could be read", len(jobs))
}

// A look is one shot at work.
type look struct {
	reading.Look
	r       *reading.Reading // nil when unused
	uAxisUm float64          // what the scope states of where its axis shows the tips, per axis
	sites   map[string]*reading.Site
}

// A combination is the readings of one sample.
type combination struct {
	looks     []look
	camera    *camera
	conflicts []string
}

// name calls a shot by what sets it apart from those before it.
func (c *combination) name(s reading.Shot) string {
	words := []string{map[reading.View]string{reading.ColumnPlan: "plan", reading.BallPlan: "plan", reading.ColumnSide: "side"}[s.View]}
	if s.TurnDeg != 0 || s.View == reading.ColumnSide {
		words = append(words, fmt.Sprintf("%g°", s.TurnDeg))
	}
	if s.Focus != "" {
		words = append(words, string(s.Focus)+" focus")
	}
	name := strings.Join(words, " ")
	n := 1
	for i := range c.looks {
		if before := c.looks[i].Name; before == name || strings.HasPrefix(before, name+" no. ") {
			n++
		}
	}
	if n > 1 {
		return fmt.Sprintf("%s no. %d", name, n)
	}
	return name
}

// first returns the look whose reading the combined one starts from: the first plan, or the first.
func (c *combination) first() (l *look) {
	for i := range c.looks {
		if q := &c.looks[i]; q.r != nil && (l == nil || l.View == reading.ColumnSide && q.View != reading.ColumnSide) {
			l = q
		}
	}
	return l
}

func (c *combination) warnings() (all []string) {
	for i := range c.looks {
		if l := &c.looks[i]; l.r != nil {
			for _, w := range l.r.Warnings {
				all = append(all, l.Name+": "+w)
			}
		}
	}
	return append(all, c.conflicts...)
}

// plan reports whether the look is from above.
func (l *look) plan() bool { return l.View != reading.ColumnSide }

// seen returns the look's site of a name where something is known of it, nil otherwise.
func (l *look) seen(name string) *reading.Site {
	if s := l.sites[name]; s != nil && s.State != reading.Unseen {
		return s
	}
	return nil
}

// there returns the site where a column or ball stands at it, nil otherwise.
func (l *look) there(name string) *reading.Site {
	if s := l.seen(name); s != nil && s.State != reading.Missing {
		return s
	}
	return nil
}

// joined names looks, one after the other, each once.
func joined(a, b string) string {
	if a == b || b == "" {
		return cmp.Or(a, b)
	}
	return a + " + " + b
}
