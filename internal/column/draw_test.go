package column_test

import (
	"math"
	"math/rand/v2"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/scope"
)

// A scene is a picture drawn from known geometry: parts of known level, each with its coverage
// blurred in closed form, one painted over the other. It shares no code with the fits.
type scene struct {
	w, h  int
	scope *scope.Scope
	pose  geom.Pose
	sigma float64 // px, the pixel's square included
	level []float64
}

func newScene(w, h int, s *scope.Scope, pose geom.Pose, sigmaPx, background float64) *scene {
	c := &scene{w: w, h: h, scope: s, pose: pose, sigma: sigmaPx, level: make([]float64, w*h)}
	for i := range c.level {
		c.level[i] = background
	}
	return c
}

func phi(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }

// paint covers the pixels of a box with what cover says (0 to 1) and a level that may vary.
func (c *scene) paint(x0, y0, x1, y1 float64, cover func(x, y float64) (share, level float64)) {
	for y := max(0, int(y0)); y <= min(c.h-1, int(y1)+1); y++ {
		for x := max(0, int(x0)); x <= min(c.w-1, int(x1)+1); x++ {
			s, l := cover(float64(x), float64(y))
			p := &c.level[y*c.w+x]
			*p += s * (l - *p)
		}
	}
}

// at returns where a drawing point (µm, not scaled by the substrate) at a height is seen, and
// the px per µm there.
func (c *scene) at(xUm, yUm, heightMm float64) (p geom.ImagePoint, pxPerUm float64) {
	plane := c.scope.Plane(c.w, c.h, heightMm)
	s := geom.Length(c.pose.Scale)
	q := c.pose.ToScope(geom.DrawingPoint{X: geom.Length(xUm) / s, Y: geom.Length(yUm) / s})
	return plane.ToImage(q), 1 / plane.UmPerPx()
}

func (c *scene) disc(xUm, yUm, heightMm, rUm, level float64) {
	p, k := c.at(xUm, yUm, heightMm)
	r := rUm * k
	m := r + 5*c.sigma
	c.paint(p.X-m, p.Y-m, p.X+m, p.Y+m, func(x, y float64) (float64, float64) {
		return phi((r - math.Hypot(x-p.X, y-p.Y)) / c.sigma), level
	})
}

// ring is a band of light between two radii.
func (c *scene) ring(xUm, yUm, heightMm, inner, outer, level float64) {
	p, k := c.at(xUm, yUm, heightMm)
	m := outer*k + 5*c.sigma
	c.paint(p.X-m, p.Y-m, p.X+m, p.Y+m, func(x, y float64) (float64, float64) {
		d := math.Hypot(x-p.X, y-p.Y)
		return phi((outer*k-d)/c.sigma) - phi((inner*k-d)/c.sigma), level
	})
}

// flank is the hull of two discs: a leaning column's side.
func (c *scene) flank(x0, y0, h0, x1, y1, h1, rUm, level float64) {
	a, ka := c.at(x0, y0, h0)
	b, kb := c.at(x1, y1, h1)
	m := rUm*max(ka, kb) + 5*c.sigma
	c.paint(min(a.X, b.X)-m, min(a.Y, b.Y)-m, max(a.X, b.X)+m, max(a.Y, b.Y)+m, func(x, y float64) (float64, float64) {
		dx, dy := b.X-a.X, b.Y-a.Y
		t := 0.0
		if l := dx*dx + dy*dy; l > 0 {
			t = min(1, max(0, ((x-a.X)*dx+(y-a.Y)*dy)/l))
		}
		r := rUm * (ka + t*(kb-ka))
		return phi((r - math.Hypot(x-a.X-t*dx, y-a.Y-t*dy)) / c.sigma), level
	})
}

// substrate covers the drawing's rectangle.
func (c *scene) substrate(p *part.Part, level float64) {
	base := c.scope.Plane(c.w, c.h, 0)
	w, h := 500*p.Substrate.WidthMm*c.pose.Scale, 500*p.Substrate.HeightMm*c.pose.Scale
	s := c.sigma * base.UmPerPx()
	c.paint(0, 0, float64(c.w), float64(c.h), func(x, y float64) (float64, float64) {
		d := c.pose.ToDrawing(base.ToObject(geom.ImagePoint{X: x, Y: y}))
		u, v := d.X.Um(), d.Y.Um()
		return (phi((w-u)/s) + phi((w+u)/s) - 1) * (phi((h-v)/s) + phi((h+v)/s) - 1), level
	})
}

// gray lights the scene unevenly, adds noise and rounds.
func (c *scene) gray(gx, gy, noise float64, seed uint64) *picture.Gray {
	g := picture.New(c.w, c.h, 255)
	rng := rand.New(rand.NewPCG(seed, 1))
	for y := range c.h {
		for x := range c.w {
			light := 1 + gx*(float64(x)-float64(c.w-1)/2)/float64(c.w) + gy*(float64(y)-float64(c.h-1)/2)/float64(c.h)
			v := c.level[y*c.w+x]*light + noise*rng.NormFloat64()
			g.Pix[y*c.w+x] = uint16(min(255, max(0, math.Round(v))))
		}
	}
	return g
}

// noiseModel is that of gray, rounding included.
func noiseModel(noise float64) picture.Noise { return picture.Noise{ReadVar: noise*noise + 1.0/12} }

func telecentric(umPerPx float64) *scope.Scope {
	return &scope.Scope{Name: "bench", UmPerPxX: umPerPx, UmPerPxY: umPerPx, Camera: scope.Telecentric}
}

func perspective(umPerPx, workingMm float64) *scope.Scope {
	return &scope.Scope{Name: "bench", UmPerPxX: umPerPx, UmPerPxY: umPerPx, Camera: scope.Perspective, WorkingDistanceMm: workingMm}
}

// columnPart is not square, so that rows and columns can't be mixed up.
func columnPart() *part.Part {
	return &part.Part{
		Name:      "dotterel",
		Substrate: part.Substrate{WidthMm: 11.6, HeightMm: 9.6, ThicknessMm: 2},
		Array: &part.Array{Kind: "columns", Rows: 8, Columns: 10, PitchMm: 1, DiameterMm: 0.51, HeightMm: 2.2, PadMm: 0.8,
			Datum: "outline", Absent: []string{"A1", "A10", "H1"}},
		Limits: part.Limits{TiltDeg: 2, TipUm: 60},
	}
}

// smallPart is for tests that draw many pictures.
func smallPart() *part.Part {
	p := columnPart()
	p.Substrate.WidthMm, p.Substrate.HeightMm = 7.6, 6.6
	p.Array.Rows, p.Array.Columns, p.Array.Absent = 5, 6, []string{"A1"}
	return p
}

// A stand is where a column stands and leans: foot and lean in the drawing frame.
type stand struct {
	missing      bool
	footX, footY float64 // µm from the site
	leanX, leanY float64 // tip minus foot, µm
	dim          float64 // level of the tip, as a share; 0 means 1
}

// columnScene draws columns as a ring light shows them: pad, dark fillet, dark flank, bright tip
// with a worn rim.
func columnScene(w, h int, p *part.Part, s *scope.Scope, pose geom.Pose, sigma float64, stands map[string]stand) *scene {
	c := newScene(w, h, s, pose, sigma, 8)
	c.substrate(p, 66)
	list, err := p.Array.Sites()
	if err != nil {
		panic(err)
	}
	for _, site := range list {
		t := stands[site.Name]
		n := pose.Nominal(site.At)
		x, y := n.X.Um(), n.Y.Um()
		r := 500 * p.Array.DiameterMm
		c.disc(x, y, 0, 500*p.Array.PadMm, 74)
		if t.missing {
			c.disc(x+60, y-40, 0, 0.6*r, 82) // a blot of paste
			continue
		}
		fx, fy := x+t.footX, y+t.footY
		tx, ty := fx+t.leanX, fy+t.leanY
		c.disc(fx, fy, 0, 370, 52)
		c.flank(fx, fy, 0, tx, ty, p.Array.HeightMm, r, 30)
		level := 170.0
		if t.dim > 0 {
			level *= t.dim
		}
		c.disc(tx, ty, p.Array.HeightMm, r-20, level)
	}
	return c
}

func poseAt(xUm, yUm, turnDeg, scale float64) geom.Pose {
	return geom.Pose{Origin: geom.ScopePoint{X: geom.Length(xUm), Y: geom.Length(yUm)}, Turn: geom.Angle(turnDeg) * geom.Degree, Scale: scale}
}

// scatter draws healthy stands: feet 8 µm per axis about their sites, leans of 0.25° per axis.
func scatter(p *part.Part, seed uint64) map[string]stand {
	rng := rand.New(rand.NewPCG(seed, 2))
	lean := 1000 * p.Array.HeightMm * math.Tan(0.25*math.Pi/180)
	out := map[string]stand{}
	list, err := p.Array.Sites()
	if err != nil {
		panic(err)
	}
	for _, s := range list {
		out[s.Name] = stand{footX: 8 * rng.NormFloat64(), footY: 8 * rng.NormFloat64(), leanX: lean * rng.NormFloat64(), leanY: lean * rng.NormFloat64()}
	}
	return out
}
