package fiducial

import (
	"errors"
	"fmt"
	"math"

	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// A Shot is one of several pictures of a sample, each with where the stage stood: the place on the
// object that its optical axis points at, in one frame for all.
type Shot struct {
	Source fit.Source
	Name   string // of the picture, for messages
	Stage  geom.ScopePoint
}

// Across is the marks of several shots of one sample.
type Across struct {
	Pose geom.Pose // of the drawing in the stage's frame, by the stage's coordinates as they are
	Seen []Sighted
	Blur geom.Length
}

// A Sighted is a mark as one shot shows it.
type Sighted struct {
	Shot  int // index of the shot
	Place part.Place
	Fit   *fit.Mark // centre in that shot's own scope frame
}

// FindAcross finds the part's marks in shots that each show some of them. put is as in [Find].
//
// It returns a *reading.Refusal as error when too few marks can be seen, and when a shot shows none
// where the others and the stage's coordinates put it ("stage").
func FindAcross(shots []Shot, p *part.Part, sc *scope.Scope, put geom.Angle) (*Across, error) {
	m := p.Marks
	var cand []candidate
	var of []int // shot of each candidate
	var v view
	for k, s := range shots {
		v = newView(s.Source.Gray, sc.Plane(s.Source.Gray.W, s.Source.Gray.H, m.PlaneMm), m)
		if !v.holds(m) {
			return nil, fmt.Errorf("%s: the picture isn't even as large as a mark", s.Name)
		}
		found, err := v.candidates(m)
		if err != nil {
			return nil, fmt.Errorf("find marks: %w", err)
		}
		for _, c := range found {
			c.at.X += s.Stage.X
			c.at.Y += s.Stage.Y
			cand, of = append(cand, c), append(of, k)
		}
	}
	// The stage's zero is anywhere, so the fixture's limit on shift can't be held.
	anywhere := *p
	anywhere.Fixture.ShiftLimitMm = math.Inf(1)
	if anywhere.Orientation.By == "disc" {
		anywhere.Orientation.By = "fixture" // the disc is looked for in one picture, by its own coordinates
	}
	c := chooser{part: &anywhere, view: v, cand: cand, put: put}
	g, err := c.choose()
	if err != nil {
		if out, ok := errors.AsType[*reading.Refusal](err); ok && out.Gate == "fiducial-out" {
			return nil, stageOff("the marks in the pictures don't lie as the stage coordinates say")
		}
		if other := c.otherScale(); other != nil {
			return nil, stageOff("the marks of different pictures lie " + fmt.Sprintf("%.2g %% off their drawn distance", math.Abs(other.Got)))
		}
		return nil, err
	}
	a := &Across{Pose: coarsePose(m.At, cand, g)}
	for again := false; ; again = true {
		pose := a.Pose
		if err := a.sight(shots, m, sc, cand, of, g, geom.Length(v.umPerPx())); err != nil {
			return nil, err
		}
		if again || !unlike(pose, a.Pose, m, v.plane.UmPerPx()) {
			return a, nil
		}
	}
}

// sight refines the marks of every shot by the pose and solves that anew. of holds the shot of each
// candidate, step is a pixel of the picture that candidates were found in.
func (a *Across) sight(shots []Shot, m *part.Marks, sc *scope.Scope, cand []candidate, of []int, g *guess, step geom.Length) error {
	a.Seen = nil
	var blur []float64
	for k, s := range shots {
		f := &Found{Marks: make([]Mark, len(m.At))}
		s.Source.Plane = sc.Plane(s.Source.Gray.W, s.Source.Gray.H, m.PlaneMm)
		pose := a.Pose
		pose.Origin.X -= s.Stage.X
		pose.Origin.Y -= s.Stage.Y
		own := &guess{seen: make([]int, len(m.At))}
		shifted := make([]candidate, len(cand))
		for i, cd := range cand {
			cd.at.X -= s.Stage.X
			cd.at.Y -= s.Stage.Y
			shifted[i] = cd
		}
		for i, at := range g.seen {
			own.seen[i] = -1
			if at >= 0 && of[at] == k {
				own.seen[i] = at
			}
		}
		f.see(s.Source, m, pose, shifted, own)
		f.nudge(s.Source, m, pose, shifted, own, step)
		f.refine(s.Source, m, pose)
		n := 0
		var cut error
		for i := range f.Marks {
			one := *m
			one.At = m.At[i : i+1]
			mk := f.Marks[i]
			if !mk.Used {
				continue
			}
			if err := outside(s.Source.Gray, s.Source.Plane, &one, pose); err != nil {
				cut = err
				continue
			}
			a.Seen = append(a.Seen, Sighted{k, mk.Place, mk.Fit})
			blur = append(blur, mk.Fit.Blur.Um())
			n++
		}
		if n == 0 {
			if out, ok := errors.AsType[*reading.Refusal](cut); ok {
				out.Instruction = s.Name + ": " + out.Instruction
				return out
			}
			return stageOff(fmt.Sprintf("%s shows no mark where the other pictures and its stage coordinates put one", s.Name))
		}
	}
	a.Blur = geom.Length(middle(blur))
	obs := make([]observation, len(a.Seen))
	for i, o := range a.Seen {
		at := o.Fit.Centre
		at.X += shots[o.Shot].Stage.X
		at.Y += shots[o.Shot].Stage.Y
		obs[i] = observation{o.Place.Point(), at, o.Fit.Cov}
	}
	pose, _, err := solvePose(obs, 0)
	if err != nil {
		return hidden(len(obs), len(m.At))
	}
	a.Pose = pose
	return nil
}

func stageOff(what string) *reading.Refusal {
	return &reading.Refusal{
		Gate: "stage", Unit: "µm",
		Instruction: what + ": check the stage coordinates in the traveler (the place that the picture's middle shows, x right and y up as in the picture), and that all pictures are of one sample that didn't move",
	}
}

// nudge looks again for marks that aren't seen where a candidate is, some pixels beside it: near the
// border, where its surroundings don't fit into the picture, a mark correlates best a little inward.
func (f *Found) nudge(src fit.Source, m *part.Marks, pose geom.Pose, cand []candidate, g *guess, step geom.Length) {
	for k := range f.Marks {
		if g.seen[k] < 0 || f.Marks[k].Note != "not seen" {
			continue
		}
		one := *m
		one.At = m.At[k : k+1]
		for i := range 25 {
			c := cand[g.seen[k]]
			c.at.X += step * geom.Length(i%5-2)
			c.at.Y += step * geom.Length(i/5-2)
			again := &Found{Marks: make([]Mark, 1)}
			again.see(src, &one, pose, []candidate{c}, &guess{seen: []int{0}})
			if again.Marks[0].Used && (!f.Marks[k].Used || again.Marks[0].Fit.Misfit < f.Marks[k].Fit.Misfit) {
				f.Marks[k] = again.Marks[0]
			}
		}
	}
}

// Elsewhere returns what else the same marks may be: where the drawing, shifted as a whole, puts other
// marks in the places of those that were seen, the stage, whose zero is anywhere, can't tell which
// they are. Two marks at one side of the die lie to each other as two at the other side do.
func (a *Across) Elsewhere(p *part.Part) []*Across {
	const near = 0.05 // mm: marks that lie to each other as alike as this are confused
	at := func(xMm, yMm float64) (part.Place, bool) {
		for _, q := range p.Marks.At {
			if math.Hypot(q.XMm-xMm, q.YMm-yMm) < near {
				return q, true
			}
		}
		return part.Place{}, false
	}
	var out []*Across
	first := a.Seen[0].Place
	for _, q := range p.Marks.At {
		dx, dy := q.XMm-first.XMm, q.YMm-first.YMm
		if math.Hypot(dx, dy) < near {
			continue
		}
		other := &Across{Pose: a.Pose, Blur: a.Blur}
		for _, s := range a.Seen {
			place, ok := at(s.Place.XMm+dx, s.Place.YMm+dy)
			if !ok {
				break
			}
			s.Place = place
			other.Seen = append(other.Seen, s)
		}
		if len(other.Seen) == len(a.Seen) {
			other.Pose.Origin = a.Pose.ToScope(geom.MmPoint(-dx, -dy))
			out = append(out, other)
		}
	}
	return out
}
