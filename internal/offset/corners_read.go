package offset

import (
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
)

// corner reports what a shot shows in the reading's form, in px of its picture. Residuals are what the
// solution leaves, the stage's errors taken out. The stage's place is left to the caller, who has it as
// it was written.
func (s *joint) corner(shot int) reading.Corner {
	at, off := s.shots[shot].Stage, s.errs[shot]
	g := s.shots[shot].Source.Gray
	plane := s.scope.Plane(g.W, g.H, s.part.Marks.PlaneMm)
	origin := plane.ToImage(geom.ScopePoint{X: s.pose.Origin.X - at.X - off.X, Y: s.pose.Origin.Y - at.Y - off.Y})
	c := reading.Corner{
		// The errors are what is to be added to the stage's place; by that much the other way it is off.
		StageOffXUm: -off.X.Um(), StageOffYUm: -off.Y.Um(),
		OriginXPx: origin.X, OriginYPx: origin.Y,
	}
	for _, m := range s.across.Seen {
		if m.Shot != shot {
			continue
		}
		p := plane.ToImage(m.Fit.Centre)
		found := s.pose.ToDrawing(geom.ScopePoint{X: m.Fit.Centre.X + at.X + off.X, Y: m.Fit.Centre.Y + at.Y + off.Y})
		want := s.pose.Nominal(m.Place.Point())
		c.Marks = append(c.Marks, reading.Mark{
			Name: m.Place.Name, Used: true, XPx: p.X, YPx: p.Y,
			UPx:       math.Sqrt((m.Fit.Cov[0][0]+m.Fit.Cov[1][1])/2) / plane.UmPerPx(),
			ResidualX: (found.X - want.X).Um(), ResidualY: (found.Y - want.Y).Um(), MisfitRoot: m.Fit.Misfit,
		})
	}
	top := s.scope.Plane(g.W, g.H, s.part.Die.TopMm)
	for _, e := range s.edges {
		if e.shot == shot {
			line := e.edge.Line
			c.Edges = append(c.Edges, readEdge(e.side, e.edge, top.ToImage(line.At(-e.half, 0)), top.ToImage(line.At(e.half, 0))))
		}
	}
	return c
}
