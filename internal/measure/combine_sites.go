package measure

import (
	"fmt"
	"math"
	"slices"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
)

// array puts the sites of all looks together.
func (c *combination) array(p *part.Part) *reading.Array {
	base := c.first().r.Array
	a := &reading.Array{Kind: base.Kind, Sources: new(reading.ArraySources)}
	for i := range c.looks {
		l := &c.looks[i]
		l.sites = map[string]*reading.Site{}
		if l.r != nil {
			for k := range l.r.Array.Sites {
				l.sites[l.r.Array.Sites[k].Name] = &l.r.Array.Sites[k]
			}
		}
	}
	c.camera = c.findCamera(p)
	a.Camera = c.camera.reading()
	c.place(a, p)
	c.coplanarity(a)

	var sumX, sumY, n float64
	for _, name := range c.siteNames() {
		s, lean := c.site(name, p)
		a.Sites = append(a.Sites, s)
		switch s.State {
		case reading.Unseen:
			continue
		case reading.Missing:
			a.Missing++
			continue
		case reading.Bridged:
			a.Bridged++
		case reading.Doubled:
			a.Doubled++
		case reading.Tilted:
			a.Tilted++
		}
		a.Present++
		if lean.both() && s.TiltDeg < commonDeg {
			sumX, sumY, n = sumX+lean[0].tan, sumY+lean[1].tan, n+1
		}
	}
	if n > 0 {
		a.LeanDeg, a.LeanAzimuthDeg = polar(sumX/n, sumY/n)
	}
	return a
}

// commonDeg is the tilt up to which a column counts for the lean common to all.
const commonDeg = 3.0

// siteNames lists the sites in the order of the looks that show most of them.
func (c *combination) siteNames() (names []string) {
	order := slices.Clone(c.looks)
	slices.SortStableFunc(order, func(a, b look) int { return len(b.sites) - len(a.sites) })
	known := map[string]bool{}
	for i := range order {
		if order[i].r == nil {
			continue
		}
		for _, s := range order[i].r.Array.Sites {
			if !known[s.Name] {
				known[s.Name] = true
				names = append(names, s.Name)
			}
		}
	}
	return names
}

// site puts one site together. What is missing in any look counts as missing.
func (c *combination) site(name string, p *part.Part) (reading.Site, lean) {
	s := reading.Site{Name: name, State: reading.Unseen, Sources: new(reading.SiteSources)}
	var missing, there []string
	for i := range c.looks {
		l := &c.looks[i]
		if q := l.seen(name); q != nil && q.State == reading.Missing {
			missing = append(missing, l.Name)
		} else if q != nil {
			there = append(there, l.Name)
			if q.State == reading.Bridged || q.State == reading.Doubled {
				s.State, s.Sources.State = q.State, l.Name
			}
		}
	}
	switch {
	case len(missing) > 0:
		s.State, s.Sources.State = reading.Missing, missing[0]
		if len(there) > 0 {
			c.conflicts = append(c.conflicts, fmt.Sprintf("site %s is missing in %s and there in %s: look at it", name, missing[0], there[0]))
		}
		return s, lean{}
	case len(there) == 0:
		s.Sources = nil
		return s, lean{}
	}
	c.sitePlace(&s, p)
	c.foot(&s)
	c.silhouette(&s)
	le := c.lean(name, p)
	le.fill(&s)
	if s.State == reading.Unseen {
		c.judge(&s, p)
	}
	return s, le
}

// judge states by the part's limits whether the site is in order, and which look says so.
func (c *combination) judge(s *reading.Site, p *part.Part) {
	s.State, s.Sources.State = reading.Present, s.Sources.Place
	switch l := p.Limits; {
	case l.TiltDeg > 0 && math.Abs(s.TiltDeg) > l.TiltDeg:
		s.State, s.Sources.State = reading.Tilted, joined(s.Sources.LeanX, s.Sources.LeanY)
	case l.TipUm > 0 && math.Hypot(s.DXUm, s.DYUm) > l.TipUm:
		s.State = reading.Off
	}
	if s.Sources.State == "" {
		s.Sources.State = joined(s.Sources.LeanX, s.Sources.LeanY)
	}
}

// sitePlace takes the tip or ball from the plan that knows it best, freed of the camera's tilt;
// where only the side shows it, from there, along one axis.
func (c *combination) sitePlace(s *reading.Site, p *part.Part) {
	best, u := (*look)(nil), math.Inf(1)
	for i := range c.looks {
		l := &c.looks[i]
		q := l.there(s.Name)
		if q == nil {
			continue
		}
		v := q.UUm
		if !l.plan() {
			v += 1e6 // one axis is less than two
		}
		if v < u {
			best, u = l, v
		}
	}
	q := best.there(s.Name)
	s.DXUm, s.DYUm, s.UUm, s.DiameterUm, s.UDiameterUm = q.DXUm, q.DYUm, q.UUm, q.DiameterUm, q.UDiameterUm
	s.Sources.Place = best.Name
	if best.plan() {
		x, y := c.camera.shift(best)
		s.DXUm, s.DYUm = s.DXUm-1000*p.Array.HeightMm*x, s.DYUm-1000*p.Array.HeightMm*y
		s.UUm = c.camera.uPlace(s.UUm, best, p)
	}
}

func (c *combination) foot(s *reading.Site) {
	for i := range c.looks {
		l := &c.looks[i]
		if q := l.there(s.Name); q != nil && q.Foot != nil && (s.Foot == nil || q.Foot.UUm < s.Foot.UUm) {
			s.Foot, s.Sources.Foot = q.Foot, l.Name
		}
	}
}

func (c *combination) silhouette(s *reading.Site) {
	for i := range c.looks {
		l := &c.looks[i]
		if q := l.there(s.Name); q != nil && q.Silhouette != nil && (s.Silhouette == nil || q.Silhouette.UHeightUm < s.Silhouette.UHeightUm) {
			s.Silhouette, s.Sources.Silhouette = q.Silhouette, l.Name
		}
	}
}

// place takes shift, turn and scale of the array from the plan that knows them best; from the side,
// what it shows.
func (c *combination) place(a *reading.Array, p *part.Part) {
	best := c.first()
	for i := range c.looks {
		l := &c.looks[i]
		if l.r == nil || !l.plan() {
			continue
		}
		if q := l.r.Array; q.UXUm+q.UYUm < best.r.Array.UXUm+best.r.Array.UYUm {
			best = l
		}
	}
	q := best.r.Array
	a.XUm, a.YUm, a.UXUm, a.UYUm = q.XUm, q.YUm, q.UXUm, q.UYUm
	a.ThetaDeg, a.UTheta, a.Scale, a.Sources.Place = q.ThetaDeg, q.UTheta, q.Scale, best.Name
	if best.plan() {
		x, y := c.camera.shift(best)
		a.XUm, a.YUm = a.XUm-1000*p.Array.HeightMm*x, a.YUm-1000*p.Array.HeightMm*y
		a.UXUm, a.UYUm = c.camera.uPlace(a.UXUm, best, p), c.camera.uPlace(a.UYUm, best, p)
	}
}

// coplanarity is that of the worst row: rows from two sides share no seating plane.
func (c *combination) coplanarity(a *reading.Array) {
	for i := range c.looks {
		l := &c.looks[i]
		if l.r != nil && l.r.Array.CoplanarityUm > a.CoplanarityUm {
			a.CoplanarityUm, a.UCoplanarityUm = l.r.Array.CoplanarityUm, l.r.Array.UCoplanarityUm
			a.Sources.Coplanarity = l.Name
		}
	}
}

// polar turns tangents along X and Y into a tilt and its direction, degrees.
func polar(x, y float64) (tiltDeg, azimuthDeg float64) {
	azimuthDeg = geom.Angle(math.Atan2(y, x)).Deg()
	if azimuthDeg < 0 {
		azimuthDeg += 360
	}
	return geom.Angle(math.Atan(math.Hypot(x, y))).Deg(), azimuthDeg
}
