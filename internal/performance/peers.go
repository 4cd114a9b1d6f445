package performance

import (
	"image"
	"math"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/cv/peers"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/measure"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// What a script would allow for: how far a sample may lie off and still be looked for.
const (
	markReachUm = 1100.0
	dieReachUm  = 500.0
	leastScore  = 0.5
)

// measured runs the program; the reading is nil where it refuses.
func measured(p *Picture) *reading.Reading {
	r, err := measure.Shot(p.Gray, measure.Job{Part: p.Part, Scope: p.Scope, Shot: reading.Shot{View: p.View}, Today: today})
	if err != nil || r.Refusal != nil {
		return nil
	}
	return r
}

// A markFinder finds the marks of a picture by name, in the image frame.
type markFinder func(*Picture) map[string]geom.ImagePoint

// markWindow is where a mark may be.
func markWindow(p *Picture, plane scope.Plane, at part.Place) image.Rectangle {
	c := plane.ToImage(geom.ScopePoint(at.Point()))
	r := int((markReachUm + p.Part.Marks.SizeMm()*500) / plane.UmPerPx())
	return image.Rect(int(c.X)-r, int(c.Y)-r, int(c.X)+r+1, int(c.Y)+r+1)
}

// templateMarks takes the best match of the drawn mark near each place, at full resolution.
func templateMarks(p *Picture) map[string]geom.ImagePoint {
	plane := p.Scope.Plane(p.Gray.W, p.Gray.H, p.Part.Marks.PlaneMm)
	t := drawMark(p.Part.Marks, plane.UmPerPx())
	out := map[string]geom.ImagePoint{}
	for _, at := range p.Part.Marks.At {
		peaks, err := cv.Peaks(p.Gray, t, cv.PeakOptions{Max: 1, MinScore: leastScore, Within: markWindow(p, plane, at)})
		if err == nil && len(peaks) == 1 {
			out[at.Name] = geom.ImagePoint{X: peaks[0].X, Y: peaks[0].Y}
		}
	}
	return out
}

// drawMark draws a mark upright on even ground, edges a pixel wide.
func drawMark(m *part.Marks, um float64) *picture.Gray {
	const n = 8 // samples a pixel along each axis
	half := int(m.SizeMm()*500/um) + 4
	t := picture.New(2*half+1, 2*half+1, 255)
	for i := range t.Pix {
		sum := 0
		for k := range n * n {
			x := (float64(i%t.W-half) + (float64(k%n)+0.5)/n - 0.5) * um / 1000
			y := (float64(i/t.W-half) + (float64(k/n)+0.5)/n - 0.5) * um / 1000
			if inMark(m, math.Abs(x), math.Abs(y)) {
				sum++
			}
		}
		t.Pix[i] = uint16(50 + 150*sum/(n*n))
	}
	return t
}

func inMark(m *part.Marks, x, y float64) bool {
	switch m.Shape {
	case part.Cross:
		l, w := m.LengthMm/2, m.ArmWidthMm/2
		return x < l && y < w || x < w && y < l
	case part.Square:
		return max(x, y) < m.LengthMm/2
	}
	r := math.Hypot(x, y)
	return r < m.DiameterMm/2 && r > m.InnerMm/2 // a disc has no inner diameter
}

// momentMarks takes, of the contours near each place that enclose about a mark's area, the one
// nearest to its area.
func momentMarks(p *Picture) map[string]geom.ImagePoint {
	plane := p.Scope.Plane(p.Gray.W, p.Gray.H, p.Part.Marks.PlaneMm)
	area := markAreaMm2(p.Part.Marks) * 1e6 / (plane.UmPerPx() * plane.UmPerPx())
	out := map[string]geom.ImagePoint{}
	for _, at := range p.Part.Marks.At {
		in := markWindow(p, plane, at)
		mid := geom.ImagePoint{X: float64(in.Min.X+in.Max.X) / 2, Y: float64(in.Min.Y+in.Max.Y) / 2}
		if c, ok := nearest(peers.ContourMoments(p.Gray, in, 0.75*area, 1.3*area), mid, math.Inf(1)); ok {
			out[at.Name] = c
		}
	}
	return out
}

// markAreaMm2 is what the outer contour of a mark encloses.
func markAreaMm2(m *part.Marks) float64 {
	switch m.Shape {
	case part.Cross:
		return 2*m.LengthMm*m.ArmWidthMm - m.ArmWidthMm*m.ArmWidthMm
	case part.Square:
		return m.LengthMm * m.LengthMm
	}
	return math.Pi / 4 * m.DiameterMm * m.DiameterMm
}

func nearest(points []geom.ImagePoint, to geom.ImagePoint, within float64) (best geom.ImagePoint, ok bool) {
	for _, p := range points {
		if d := math.Hypot(p.X-to.X, p.Y-to.Y); d < within {
			within, best, ok = d, p, true
		}
	}
	return best, ok
}

// ourMarks are those that the program used.
func ourMarks(p *Picture) map[string]geom.ImagePoint {
	r := measured(p)
	if r == nil || r.Substrate == nil {
		return nil
	}
	out := map[string]geom.ImagePoint{}
	for _, m := range r.Substrate.Marks {
		if m.Used {
			out[m.Name] = geom.ImagePoint{X: m.XPx, Y: m.YPx}
		}
	}
	return out
}

// ourOffset is what the program measures.
func ourOffset(p *Picture) *Offset {
	r := measured(p)
	if r == nil || r.Offset == nil {
		return nil
	}
	return &Offset{r.Offset.XUm, r.Offset.YUm, r.Offset.ThetaDeg}
}

// rectangleOffset thresholds the die's surroundings, takes the minimum-area rectangle, and refers
// it to marks found by find. Scale, distortion and height of the scope are corrected as the
// program does; nil where marks or die aren't found.
func rectangleOffset(p *Picture, find markFinder) *Offset {
	seen := find(p)
	marks := p.Scope.Plane(p.Gray.W, p.Gray.H, p.Part.Marks.PlaneMm)
	pose, ok := similarity(p.Part.Marks.At, seen, marks)
	if !ok {
		return nil
	}
	d := p.Part.Die
	top := p.Scope.Plane(p.Gray.W, p.Gray.H, d.TopMm)
	um := top.UmPerPx()
	c := top.ToImage(pose.ToScope(d.Centre()))
	rx, ry := (d.WidthMm*500+dieReachUm)/um, (d.HeightMm*500+dieReachUm)/um
	in := image.Rect(int(c.X-rx), int(c.Y-ry), int(c.X+rx)+1, int(c.Y+ry)+1)
	r, ok := peers.MinAreaRectangle(p.Gray, in, d.WidthMm*d.HeightMm*1e6/(um*um))
	if !ok {
		return nil
	}
	sin, cos := math.Sincos(r.DirectionDeg * math.Pi / 180)
	a := top.ToObject(geom.ImagePoint{X: r.Centre.X - 100*cos, Y: r.Centre.Y - 100*sin})
	b := top.ToObject(geom.ImagePoint{X: r.Centre.X + 100*cos, Y: r.Centre.Y + 100*sin})
	turn := math.Atan2(float64(b.Y-a.Y), float64(b.X-a.X)) - pose.Turn.Rad() - (geom.Angle(d.ThetaDeg) * geom.Degree).Rad()
	at, want := pose.ToDrawing(top.ToObject(r.Centre)), pose.Nominal(d.Centre())
	return &Offset{(at.X - want.X).Um(), (at.Y - want.Y).Um(), math.Remainder(turn, math.Pi/2) * 180 / math.Pi}
}

// similarity is the turn, shift and scale that fit the marks best.
func similarity(places []part.Place, seen map[string]geom.ImagePoint, plane scope.Plane) (geom.Pose, bool) {
	var n, mx, my, mu, mv float64
	for _, p := range places {
		if at, ok := seen[p.Name]; ok {
			q := plane.ToObject(at)
			n++
			mx, my, mu, mv = mx+p.XMm, my+p.YMm, mu+q.X.Um(), mv+q.Y.Um()
		}
	}
	if n < 2 {
		return geom.Pose{}, false
	}
	mx, my, mu, mv = 1000*mx/n, 1000*my/n, mu/n, mv/n
	var re, im, rr float64
	for _, p := range places {
		if at, ok := seen[p.Name]; ok {
			q := plane.ToObject(at)
			x, y, u, v := 1000*p.XMm-mx, 1000*p.YMm-my, q.X.Um()-mu, q.Y.Um()-mv
			re, im, rr = re+x*u+y*v, im+x*v-y*u, rr+x*x+y*y
		}
	}
	pose := geom.Pose{Turn: geom.Angle(math.Atan2(im, re)), Scale: math.Hypot(re, im) / rr}
	mid := pose.ToScope(geom.DrawingPoint{X: geom.Length(mx), Y: geom.Length(my)})
	pose.Origin = geom.ScopePoint{X: geom.Length(mu) - mid.X, Y: geom.Length(mv) - mid.Y}
	return pose, true
}

// ourSites are the tips or balls that the program reports as there.
func ourSites(p *Picture) map[string]geom.ImagePoint {
	r := measured(p)
	if r == nil || r.Array == nil {
		return nil
	}
	out := map[string]geom.ImagePoint{}
	for _, s := range r.Array.Sites {
		if s.State != reading.Missing && s.State != reading.Unseen {
			out[s.Name] = geom.ImagePoint{X: s.XPx, Y: s.YPx}
		}
	}
	return out
}

// arrayScale returns µm per px at the tips, or the balls' widest section.
func arrayScale(p *Picture) float64 {
	h := p.Part.Array.HeightMm
	if p.Part.Array.Kind == "balls" {
		h = p.Part.Array.EquatorMm
	}
	return p.Scope.Plane(p.Gray.W, p.Gray.H, h).UmPerPx()
}

func momentSites(p *Picture) map[string]geom.ImagePoint {
	um := arrayScale(p)
	area := math.Pi / 4 * math.Pow(p.Part.Array.DiameterMm*1000/um, 2)
	return p.named(peers.ContourMoments(p.Gray, image.Rect(0, 0, p.Gray.W, p.Gray.H), 0.5*area, 1.6*area))
}

func circleSites(p *Picture) map[string]geom.ImagePoint {
	um := arrayScale(p)
	r := p.Part.Array.DiameterMm * 500 / um
	return p.named(peers.Circles(p.Gray, image.Rect(0, 0, p.Gray.W, p.Gray.H), 0.7*p.Part.Array.PitchMm*1000/um, 0.8*r, 1.2*r))
}

// named gives each true site the point nearest to it within a third of the pitch: a script would
// have to lay a grid, and here it is given one for nothing.
func (p *Picture) named(points []geom.ImagePoint) map[string]geom.ImagePoint {
	reach := p.Part.Array.PitchMm * 1000 / 3 / arrayScale(p)
	type cell struct{ x, y int }
	at := func(q geom.ImagePoint) cell { return cell{int(q.X / reach), int(q.Y / reach)} }
	grid := map[cell][]geom.ImagePoint{}
	for _, q := range points {
		grid[at(q)] = append(grid[at(q)], q)
	}
	out := map[string]geom.ImagePoint{}
	for name, want := range p.Sites {
		c := at(want)
		var near []geom.ImagePoint
		for dy := -1; dy <= 1; dy++ {
			for dx := -1; dx <= 1; dx++ {
				near = append(near, grid[cell{c.x + dx, c.y + dy}]...)
			}
		}
		if q, ok := nearest(near, want, reach); ok {
			out[name] = q
		}
	}
	return out
}
