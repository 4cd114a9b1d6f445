package column

import (
	"cmp"
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// A Result is what a picture of an array gives.
type Result struct {
	Array     *reading.Array
	Substrate *reading.Substrate
	BlurPx    float64 // sigma of the point spread along the substrate's edges
	Warnings  []string
}

// A shot is the picture at work.
type shot struct {
	g     *picture.Gray
	noise picture.Noise
	part  *part.Part
	scope *scope.Scope
	base  scope.Plane // the substrate's top surface
	tip   scope.Plane // the plane of the tips or of the balls' equators
	sites []site

	put      geom.Angle // how the sample was put under the scope, a multiple of 90°
	heightUm float64    // of the faces above the substrate
	bias     scope.Bias // shift of the faces' plane that a reversal found
	uAxisUm  float64    // standard uncertainty per axis of where the optical axis shows it
	black    float64    // level of the darkest pixels
}

func newShot(g *picture.Gray, n picture.Noise, p *part.Part, s *scope.Scope, list []site, heightMm float64) *shot {
	overMm := heightMm
	if p.Array.Datum == datumMarks && p.Marks != nil {
		overMm -= p.Marks.PlaneMm
	}
	bias, _ := s.Bias(overMm)
	return &shot{g: g, noise: n, part: p, scope: s, sites: list, heightUm: 1000 * heightMm, black: darkest(g),
		base: s.Plane(g.W, g.H, 0), tip: s.Plane(g.W, g.H, heightMm), bias: bias, uAxisUm: s.UAxisUm(overMm)}
}

// A seat is what is found at one site.
type seat struct {
	site
	px, py float64 // where its tip should be, image frame
	found  bool
	unseen bool
	d      disc
	foot   foot
	girth  girth // balls
}

// Plan measures a picture of columns from above. put is how the sample was put under the scope, a
// multiple of 90° counter-clockwise as seen. Errors that are a *reading.Refusal say what the
// technician should change.
func Plan(g *picture.Gray, n picture.Noise, p *part.Part, s *scope.Scope, put geom.Angle) (*Result, error) {
	list, err := sites(p)
	if err != nil {
		return nil, err
	}
	pic := newShot(g, n, p, s, list, p.Array.HeightMm)
	pic.put = put
	o, r, err := pic.datum()
	if err != nil {
		return nil, err
	}
	seats := pic.seats(o)
	f := pic.newDiscFitter(o, seats)
	v := pic.findTips(f, o, seats)
	dropDoubles(seats, v)
	if err := cmp.Or(pic.judgeWay(f, o, seats, v), pic.judgeArray(f, o, seats, v)); err != nil {
		return nil, err
	}
	offsets := pic.offsets(o, seats)
	if err := pic.judgePitch(o, seats, offsets); err != nil {
		return nil, err
	}
	stand := pic.feet(f, o, seats, offsets)
	r.Array = pic.columns(o, seats, offsets, stand, f)
	if p.Array.HeightMm > 0 && stand.uUm >= footScatterUm {
		r.Warnings = append(r.Warnings, tipsAlone)
	}
	return r, nil
}

// tipsAlone states what a tilt without a foot rests on.
const tipsAlone = "no feet are seen: tilts come from the tips' offsets alone, so that an array placed off its sites counts as leaning"

// outline finds the substrate, coarse then fine.
func (pic *shot) outline() (*outline, error) {
	laid, quarter := *pic.part, pic.quarter()
	if quarter%2 == 1 {
		laid.Substrate.WidthMm, laid.Substrate.HeightMm = laid.Substrate.HeightMm, laid.Substrate.WidthMm
	}
	pose, seen, err := coarseOutline(pic.g, &laid, pic.base)
	if err != nil {
		return nil, err
	}
	pose.Turn += geom.Angle(quarter) * 90 * geom.Degree
	ss := sides(pic.part.Substrate)
	for k := range ss {
		ss[k].found = seen[(k+quarter)%4].found
	}
	return fitOutline(pic, pose, ss, pic.levelsPx())
}

// levelsPx returns how many pixels inside the edge hold nothing but substrate.
func (pic *shot) levelsPx() int {
	return min(max(int(0.5*pic.marginPx()), 4), 16)
}

// marginPx is how wide the substrate's rim is, outside of the outermost pads.
func (pic *shot) marginPx() float64 {
	a, s := pic.part.Array, pic.part.Substrate
	margin := min(
		s.WidthMm/2-a.PitchMm*float64(a.Columns-1)/2,
		s.HeightMm/2-a.PitchMm*float64(a.Rows-1)/2) - max(a.DiameterMm, a.PadMm)/2
	return 1000 * margin / pic.base.UmPerPx()
}

// seats lists the sites with the places where their tips should be seen.
func (pic *shot) seats(o *outline) []seat {
	out := make([]seat, len(pic.sites))
	for i, s := range pic.sites {
		q := pic.faceAt(o.pose, s.x, s.y)
		out[i] = seat{site: s, px: q.X, py: q.Y}
	}
	return out
}

// faceAt returns where the face of a column or ball at a place of the drawing, µm, is seen.
func (pic *shot) faceAt(pose geom.Pose, xUm, yUm float64) geom.ImagePoint {
	at := pose.ToScope(geom.DrawingPoint{X: geom.Length(xUm), Y: geom.Length(yUm)})
	return pic.tip.ToImage(geom.ScopePoint{X: at.X + geom.Length(pic.bias.X), Y: at.Y + geom.Length(pic.bias.Y)})
}

// blurPx is the point spread's sigma without the pixel's square.
func (o *outline) blurPx() float64 { return math.Sqrt(max(0, o.sigmaPx*o.sigmaPx-1.0/12)) }

// reading describes the outline.
func (o *outline) reading(plane scope.Plane) *reading.Substrate {
	origin := plane.ToImage(o.pose.Origin)
	out := &reading.Substrate{
		OriginXPx: origin.X, OriginYPx: origin.Y,
		TurnDeg: o.pose.Turn.Deg(), UTurnDeg: geom.Angle(math.Sqrt(o.cov[2][2])).Deg(),
		Scale: o.pose.Scale, UScale: math.Sqrt(o.cov[3][3]),
	}
	for k, s := range o.sides {
		if !s.found {
			continue
		}
		corner := func(t float64) geom.ImagePoint {
			return plane.ToImage(o.pose.ToScope(geom.DrawingPoint{
				X: geom.Length(s.nx*s.halfUm - s.ny*t), Y: geom.Length(s.ny*s.halfUm + s.nx*t)}))
		}
		a, b := corner(-s.spanUm), corner(s.spanUm)
		out.Edges = append(out.Edges, reading.Edge{Side: s.name, X1Px: a.X, Y1Px: a.Y, X2Px: b.X, Y2Px: b.Y,
			Used: o.fits[k].used, RmsUm: o.fits[k].rmsUm, UUm: o.fits[k].uUm})
	}
	return out
}

// darkest returns the level below which one pixel in a thousand lies, from every 16th row.
func darkest(g *picture.Gray) float64 {
	counts := make([]int, g.FullScale+1)
	n := 0
	for y := 0; y < g.H; y += 16 {
		for _, v := range g.Pix[y*g.W : (y+1)*g.W] {
			counts[min(int(v), g.FullScale)]++
			n++
		}
	}
	below := 0
	for v, c := range counts {
		if below += c; 1000*below > n {
			return float64(v)
		}
	}
	return 0
}
