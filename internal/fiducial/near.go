package fiducial

import (
	"fmt"
	"math"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// A Vicinity says near which pose marks are looked for, and what is known of their scale.
type Vicinity struct {
	Pose  geom.Pose
	Shift geom.Length // farthest from its place that a mark may lie, along each axis
	Turn  geom.Angle  // to each side
	// UScale is the standard uncertainty of a scale known to be 1: what is printed on silicon
	// doesn't shrink. 0 leaves the scale free.
	UScale float64
}

const peaksNear = 40 // candidates kept about each place

// FindNear finds marks that lie near where a known pose puts them, such as the die's seen through
// the silicon, which stand among bumps that look much like them.
//
// It returns a *reading.Refusal as error when fewer than two can be seen ("fiducials-hidden"), when
// one lies outside the picture, or when the marks show that what carries them is turned by
// quarters.
func FindNear(src fit.Source, m *part.Marks, sc *scope.Scope, near Vicinity) (*Found, error) {
	if m == nil || len(m.At) < 2 {
		return nil, fmt.Errorf("the drawing needs at least two marks")
	}
	src.Plane = sc.Plane(src.Gray.W, src.Gray.H, m.PlaneMm)
	v := newView(src.Gray, src.Plane, m)
	cand, err := v.candidatesNear(m, near)
	if err != nil {
		return nil, fmt.Errorf("find marks: %w", err)
	}
	tolerance := geom.Length(2*v.umPerPx()) + geom.Length(0.002*span(m.At))
	turnLimit := geom.Angle(math.Abs(near.Pose.Turn.Rad())) + near.Turn
	g, err := chooseNear(assign(m.At, cand, turnLimit, tolerance), cand, len(m.At), near)
	if err != nil {
		return nil, err
	}
	f := &Found{Marks: make([]Mark, len(m.At)), PlaneMm: m.PlaneMm, uScale: near.UScale}
	if err := f.settle(src, m, coarsePose(m.At, cand, g), cand, g); err != nil {
		return nil, err
	}
	if used := f.used(); len(used) == 2 && len(m.At) > 2 && othersAs(leastOf(g, cand, used), g, cand) >= crowd {
		return nil, hidden(1, len(m.At)) // any two of a crowd lie like two marks
	}
	if err := f.inside(src, m); err != nil {
		return nil, err
	}
	return f, nil
}

// candidatesNear looks about each mark's place and where it would be after quarter turns, so that
// what lies the wrong way round is known as such.
func (v view) candidatesNear(m *part.Marks, near Vicinity) ([]candidate, error) {
	t := v.template(m)
	reach := t.W/2 + int(math.Ceil(near.Shift.Um()/v.umPerPx()))
	var c []candidate
	for quarter := range 4 {
		pose := near.Pose
		pose.Turn += geom.Angle(quarter) * 90 * geom.Degree
		for _, pl := range m.At {
			x, y := v.toSmall(v.plane.ToImage(pose.ToScope(pl.Point())))
			within := square(x, y, reach).Intersect(square(float64(v.small.W)/2, float64(v.small.H)/2, max(v.small.W, v.small.H)))
			if lo, hi := within.Min, within.Max; min(hi.X, v.small.W)-max(lo.X, 0) < t.W || min(hi.Y, v.small.H)-max(lo.Y, 0) < t.H {
				continue
			}
			peaks, err := cv.Peaks(v.small, t, cv.PeakOptions{Max: peaksNear, MinScore: minScore, Within: within})
			if err != nil {
				return nil, err
			}
			for _, p := range peaks {
				c = addCandidate(c, candidate{v.plane.ToObject(v.toFull(p.X, p.Y)), p.Score}, v.umPerPx())
			}
		}
	}
	return c, nil
}

// addCandidate adds one that isn't there yet.
func addCandidate(all []candidate, c candidate, um float64) []candidate {
	for _, o := range all {
		if math.Hypot(float64(o.at.X-c.at.X), float64(o.at.Y-c.at.Y)) < um {
			return all
		}
	}
	return append(all, c)
}

// chooseNear takes the best guess within the vicinity, unless one turned by quarters explains more
// marks, and all that look like them unless it explains every one.
func chooseNear(all []guess, cand []candidate, n int, near Vicinity) (*guess, error) {
	var upright, turned *guess
	for i := range all {
		g := &all[i]
		if g.count < 2 || !sure(g, cand) {
			continue
		}
		lean := geom.Wrap(g.pose.Turn - near.Pose.Turn - geom.Angle(g.quarter)*90*geom.Degree)
		dx, dy := g.pose.Origin.X-near.Pose.Origin.X, g.pose.Origin.Y-near.Pose.Origin.Y
		if math.Abs(lean.Rad()) > near.Turn.Rad() || max(math.Abs(dx.Um()), math.Abs(dy.Um())) > math.Sqrt2*near.Shift.Um() {
			continue
		}
		if g.quarter == 0 && upright == nil {
			upright = g
		}
		if g.quarter != 0 && turned == nil && g.count >= min(3, n) && (g.count == n || others(g, cand) == 0) {
			turned = g
		}
	}
	switch {
	case upright == nil && turned == nil:
		seen := 0
		for _, c := range cand {
			if math.Abs(c.score) > sureScore {
				seen = 1
			}
		}
		return nil, hidden(seen, n)
	case upright == nil || turned != nil && turned.count > upright.count && turned.score > 1.2*upright.score:
		return nil, &reading.Refusal{
			Gate: gateTurned, Got: float64(90 * turned.quarter), Limit: 0, Unit: "°",
			Instruction: fmt.Sprintf("the die lies turned by %d° on its substrate: check the sample", 90*turned.quarter),
		}
	}
	return upright, nil
}

// Read reports the marks in the reading's form; plane is the one that they lie on.
func (f *Found) Read(plane scope.Plane) []reading.Mark {
	var out []reading.Mark
	for _, m := range f.Marks {
		r := reading.Mark{Name: m.Place.Name, Used: m.Used, Note: m.Note}
		p := plane.ToImage(f.Pose.ToScope(m.Place.Point()))
		if m.Fit != nil {
			p = plane.ToImage(m.Fit.Centre)
			r.UPx = math.Sqrt((m.Fit.Cov[0][0]+m.Fit.Cov[1][1])/2) / plane.UmPerPx()
			r.ResidualX, r.ResidualY, r.MisfitRoot = m.ResidualX.Um(), m.ResidualY.Um(), m.Fit.Misfit
		}
		r.XPx, r.YPx = p.X, p.Y
		out = append(out, r)
	}
	return out
}
