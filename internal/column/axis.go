package column

import (
	"math"
	"slices"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
)

const (
	standing  = 0.5  // share of the drawn height that a column must reach to be one
	filletMm  = 0.45 // height below which solder hides the column's walls, at most
	tipFreeMm = 0.12 // height below the tip at which its worn rim has ended
)

// measure fits every column of the row.
func (s *silhouette) measure() (*Result, error) {
	a := &reading.Array{Kind: s.part.Array.Kind, Scale: s.scale}
	r := &Result{Array: a}
	var n, sumX, lean float64
	for i := range s.sites {
		st := &s.sites[i]
		at := s.toImage(s.scale*st.x, 1000*s.part.Array.HeightMm)
		site := reading.Site{Name: st.name, State: reading.Missing, XPx: at.X, YPx: at.Y}
		switch c, seen, found := s.column(st); {
		case !seen:
			site.State = reading.Unseen
		case !found:
			a.Missing++
		default:
			a.Present++
			s.fill(&site, st, &c)
			site.Silhouette = c.silhouette(st, s)
			n++
			sumX += site.DXUm
			lean += site.TiltDeg
			s.state(&site, a)
		}
		a.Sites = append(a.Sites, site)
	}
	if 2*n < float64(len(s.sites)) {
		return nil, &reading.Refusal{Gate: "array-mismatch", Got: 100 * n / float64(len(s.sites)), Limit: 50, Unit: "% of the sites",
			Instruction: "most of the row's columns aren't where part " + s.part.Name + " has them; check part, side and scope"}
	}
	if err := s.judgeRow(a); err != nil {
		return nil, err
	}
	a.XUm, a.UXUm = sumX/n, s.uX
	a.LeanDeg = math.Abs(lean / n)
	if lean < 0 {
		a.LeanAzimuthDeg = 180
	}
	seatRow(a, s.sites, s.scale)
	r.Substrate = s.substrate()
	return r, nil
}

// judgeRow refuses a row of another pitch, or one that stands elsewhere.
func (s *silhouette) judgeRow(a *reading.Array) error {
	var n, astray, sx, sd, sxx, sxd float64
	for i := range a.Sites {
		if a.Sites[i].Silhouette == nil {
			continue
		}
		// Where it leans, its foot tells.
		x, d := s.sites[i].x, a.Sites[i].Silhouette.FootUm
		n++
		sx, sd, sxx, sxd = sx+x, sd+d, sxx+x*x, sxd+x*d
		if math.Abs(d) > astrayPitch*1000*s.part.Array.PitchMm {
			astray++
		}
	}
	grow := (sxd - sx*sd/n) / (sxx - sx*sx/n) / s.scale
	switch {
	case astray <= astrayShare*n && math.Abs(grow) > pitchApart && n >= leastForPitch:
		return s.refusePitch((1 + grow) * s.part.Array.PitchMm)
	case astray > astrayShare*n:
		return &reading.Refusal{Gate: "array-mismatch", Got: 100 * astray / n, Limit: 100 * astrayShare, Unit: "% of the row's columns",
			Instruction: "the columns in the picture have another pitch or stand elsewhere than those of the row of part " + s.part.Name + " that faces the lens; check part, side and turn_deg"}
	}
	return nil
}

// leastForPitch is how many columns of a row tell its pitch.
const leastForPitch = 6

// A silhouetted column: its axis x = foot + slope·z + curve·z², µm.
type axis struct {
	foot, slope, curve float64
	cov                [3][3]float64
	tipZ, uTip         float64 // µm
	width              float64 // µm
}

func (c *axis) at(z float64) float64 { return c.foot + z*(c.slope+z*c.curve) }

// column finds the column of a site: seen reports whether the site lies in the picture.
func (s *silhouette) column(st *site) (c axis, seen, found bool) {
	a := s.part.Array
	um := s.base.UmPerPx()
	h := 1000 * a.HeightMm
	centre := s.scale * st.x
	half := 450 * a.PitchMm
	l, r := s.toImage(centre-half, h), s.toImage(centre+half, h)
	if l.X < 1 || r.X > float64(s.g.W-2) || min(l.Y, r.Y) < 4 {
		return c, false, false
	}
	// Where the skyline stands high, the middle of the run nearest to the site is the tip.
	from, to := s.highRun(int(l.X), int(r.X), centre, standing*h, 1000*a.DiameterMm/um)
	if to-from < int(500*a.DiameterMm/um) {
		return c, true, false
	}
	mid := float64(from+to) / 2
	var tips []float64 // dust may hang over some of it
	for x := from; x <= to; x++ {
		_, z := s.toFrame(float64(x), s.skyline[x])
		tips = append(tips, z)
	}
	return s.fitAxis(mid, median(tips), um)
}

// highRun returns the run of pixel columns with a skyline above z that lies nearest to u.
func (s *silhouette) highRun(l, r int, u, z, width float64) (from, to int) {
	best := math.Inf(1)
	start := -1
	for x := l; x <= r+1; x++ {
		high := false
		if x <= r {
			_, at := s.toFrame(float64(x), s.skyline[x])
			high = s.skyline[x] < float64(s.g.H) && at > z
		}
		switch {
		case high && start < 0:
			start = x
		case !high && start >= 0:
			m, _ := s.toFrame(float64(start+x-1)/2, s.skyline[start])
			if d := math.Abs(m-u) - 0.2*float64(x-start)*s.base.UmPerPx(); float64(x-start) > 0.4*width && d < best {
				best, from, to = d, start, x-1
			}
			start = -1
		}
	}
	return from, to
}

// fitAxis fits the walls row by row between fillet and tip.
func (s *silhouette) fitAxis(midPx, tipUm, um float64) (c axis, seen, found bool) {
	a := s.part.Array
	wide := 1000 * a.DiameterMm
	lo, hi := min(1000*filletMm, 0.35*tipUm), tipUm-1000*tipFreeMm
	u0, _ := s.toFrame(midPx, s.toImage(0, tipUm).Y)
	var zs, us, ws []float64
	axisAt := u0
	for z := hi; z > lo; z -= um {
		p := s.toImage(axisAt, z)
		y := int(math.Round(p.Y))
		if y < 0 || y >= s.g.H {
			continue
		}
		left, ok1 := s.wall(p.X, y, -1, 0.75*wide/um)
		right, ok2 := s.wall(p.X, y, 1, 0.75*wide/um)
		if !ok1 || !ok2 {
			continue
		}
		ul, zl := s.toFrame(left, float64(y))
		ur, zr := s.toFrame(right, float64(y))
		if w := ur - ul; w < 0.7*wide || w > 1.3*wide {
			continue
		}
		axisAt = (ul + ur) / 2
		zs, us, ws = append(zs, (zl+zr)/2), append(us, axisAt), append(ws, ur-ul)
	}
	if len(zs) < 12 {
		return c, true, false
	}
	if !c.fit(zs, us) {
		return c, true, false
	}
	c.width = clippedMean(ws) * math.Cos(math.Atan(c.slope+c.curve*tipUm))
	c.tipZ, c.uTip = s.tipHeight(c.at(tipUm), tipUm, wide)
	return c, true, true
}

// wall returns where along row y, from inside the column outward, the light reaches half of what
// it is beyond.
func (s *silhouette) wall(x float64, y, dir int, far float64) (float64, bool) {
	g := s.g
	row := g.Pix[y*g.W : (y+1)*g.W]
	i := int(math.Round(x))
	if i < 1 || i >= g.W-1 {
		return 0, false
	}
	half := (s.bright + s.dark) / 2
	if float64(row[i]) > half {
		return 0, false
	}
	n := 0
	for ; float64(n) < far; n++ {
		i += dir
		if i < 1 || i >= g.W-1 {
			return 0, false
		}
		if float64(row[i]) > half {
			break
		}
	}
	if float64(row[i]) <= half {
		return 0, false
	}
	// Levels of its own on each side, then the place of the sharp step that holds as much light:
	// unlike a crossing it doesn't depend on where the edge lies between pixels.
	const reach, levels = 5, 5
	if i-reach-levels < 0 || i+reach+levels >= g.W {
		return 0, false
	}
	sum := func(from, to int) (t float64) {
		for k := from; k <= to; k++ {
			t += float64(row[i+dir*k])
		}
		return t
	}
	bright, dark := sum(reach+1, reach+levels)/levels, sum(-reach-levels, -reach-1)/levels
	if bright-dark < 0.5*(s.bright-s.dark) {
		return 0, false
	}
	lit := (sum(-reach, reach) - (2*reach+1)*dark) / (bright - dark) // px of light within the window
	return float64(i) + float64(dir)*(reach+0.5-lit), true
}

// fit fits the axis robustly: a parabola by weighted least squares, Tukey's biweight. Heights are
// scaled to the highest to keep the equations well conditioned.
func (c *axis) fit(zs, us []float64) bool {
	top := zs[0]
	w := make([]float64, len(zs))
	for i := range w {
		w[i] = 1
	}
	var p [3]float64
	for range 6 {
		var h [6]float64
		var g [3]float64
		var n float64
		for i, z := range zs {
			t := z / top
			d := [3]float64{1, t, t * t}
			h[0] += w[i]
			h[1] += w[i] * d[1]
			h[2] += w[i] * d[2]
			h[3] += w[i] * d[2]
			h[4] += w[i] * d[1] * d[2]
			h[5] += w[i] * d[2] * d[2]
			for k := range g {
				g[k] += w[i] * d[k] * us[i]
			}
			n += w[i]
		}
		inv, ok := invert3(h)
		if !ok {
			return false
		}
		p = [3]float64{
			inv[0]*g[0] + inv[1]*g[1] + inv[2]*g[2],
			inv[1]*g[0] + inv[3]*g[1] + inv[4]*g[2],
			inv[2]*g[0] + inv[4]*g[1] + inv[5]*g[2],
		}
		rest := make([]float64, len(zs))
		for i, z := range zs {
			t := z / top
			rest[i] = math.Abs(us[i] - p[0] - t*(p[1]+t*p[2]))
		}
		sorted := append([]float64(nil), rest...)
		scale := max(1.4826*median(sorted), 1e-3)
		for i, r := range rest {
			q := r / (5 * scale)
			w[i] = 0
			if q < 1 {
				w[i] = (1 - q*q) * (1 - q*q)
			}
		}
		// Rows are alike over some neighbours: blur, and the wall's own waviness.
		v := 16 * scale * scale
		c.foot, c.slope, c.curve = p[0], p[1]/top, p[2]/(top*top)
		c.cov = [3][3]float64{
			{inv[0] * v, inv[1] * v / top, inv[2] * v / (top * top)},
			{inv[1] * v / top, inv[3] * v / (top * top), inv[4] * v / (top * top * top)},
			{inv[2] * v / (top * top), inv[4] * v / (top * top * top), inv[5] * v / (top * top * top * top)},
		}
	}
	return true
}

// tipHeight returns the height of the tip's face where the axis meets it: a line along the
// skyline of the middle three fifths, without the dust that hangs over it; usual is about where.
func (s *silhouette) tipHeight(u, usual, wide float64) (z, uz float64) {
	l, r := s.toImage(u-0.3*wide, 0), s.toImage(u+0.3*wide, 0)
	var n, sx, sz, sxx, sxz float64
	for x := max(0, int(l.X)); x <= min(s.g.W-1, int(r.X)); x++ {
		a, b := s.toFrame(float64(x), s.skyline[x])
		if math.Abs(b-usual) > dustPx*s.base.UmPerPx()+maxTipSlope*math.Abs(a-u) {
			continue
		}
		// The frame is turned against the picture: a is where this column of pixels meets the tip.
		n++
		sx += a - u
		sz += b
		sxx += (a - u) * (a - u)
		sxz += (a - u) * b
	}
	d := n*sxx - sx*sx
	if n < 4 || d <= 0 {
		return usual, dustPx * s.base.UmPerPx()
	}
	slope := (n*sxz - sx*sz) / d
	z = (sz - slope*sx) / n
	return z, 0.1 * s.base.UmPerPx()
}

// A skyline lies this far from the tip's usual height where it is dust's: px, and the slope of a face
// that leans.
const (
	dustPx      = 2.0
	maxTipSlope = 0.2
)

// fill writes a column into the reading.
func (s *silhouette) fill(r *reading.Site, st *site, c *axis) {
	r.State = reading.Present
	at := s.toImage(c.at(c.tipZ), c.tipZ)
	r.XPx, r.YPx = at.X, at.Y
	r.DXUm = c.at(c.tipZ) - s.scale*st.x
	z := c.tipZ
	v := c.cov[0][0] + 2*z*c.cov[0][1] + z*z*(c.cov[1][1]+2*c.cov[0][2]) + 2*z*z*z*c.cov[1][2] + z*z*z*z*c.cov[2][2]
	r.UUm = math.Sqrt(max(v, 0) + s.uX*s.uX + s.uScale*s.uScale*st.x*st.x + s.uTurn*s.uTurn*z*z)
	r.TiltDeg = geom.Angle(math.Atan(c.slope)).Deg()
	r.UTiltDeg = geom.Angle(math.Sqrt(c.cov[1][1] + s.uTurn*s.uTurn)).Deg()
	r.DiameterUm, r.UDiameterUm = c.width, wallsPx*s.base.UmPerPx()
}

// wallsPx is how far walls stand too far apart, px: seen on ray-traced pictures of known truth (0.14
// to 0.19 px), whose walls are rough. Noise, of some hundred rows, is nothing beside it.
const wallsPx = 0.17

// silhouette is what is seen of a column besides; seatRow fills its seating.
func (c *axis) silhouette(st *site, s *silhouette) *reading.Silhouette {
	return &reading.Silhouette{
		HeightUm: c.tipZ, UHeightUm: math.Hypot(c.uTip, s.uY),
		FootUm: c.foot - s.scale*st.x, UFootUm: math.Sqrt(c.cov[0][0] + s.uX*s.uX),
		BendUm: c.curve * c.tipZ * c.tipZ, UBendUm: math.Sqrt(c.cov[2][2]) * c.tipZ * c.tipZ,
		USeatingUm: c.uTip,
	}
}

// seatRow fills the seating of the row's columns, whose USeatingUm holds that of their tips alone,
// and the coplanarity. The seating line lies on the tips with none above it, at the balance about
// the middle of the row: of all lines through two tips the one that touches left and right.
func seatRow(a *reading.Array, list []site, scale float64) {
	type tip struct{ x, z, u float64 }
	var tips []tip
	var seats []*reading.Silhouette
	for i := range a.Sites {
		if c := a.Sites[i].Silhouette; c != nil {
			tips = append(tips, tip{scale * list[i].x, c.HeightUm, c.USeatingUm})
			seats = append(seats, c)
		}
	}
	const touchUm = 1e-6
	var left, right tip
	best := math.Inf(1)
	for _, l := range tips {
		for _, r := range tips {
			if !(l.x <= 0 && r.x > 0) {
				continue
			}
			slope := (r.z - l.z) / (r.x - l.x)
			middle := l.z - slope*l.x
			if middle >= best || slices.ContainsFunc(tips, func(t tip) bool { return t.z > middle+slope*t.x+touchUm }) {
				continue
			}
			best, left, right = middle, l, r
		}
	}
	if math.IsInf(best, 1) {
		for _, c := range seats {
			c.USeatingUm = 0
		}
		return
	}
	for i, t := range tips {
		w := (t.x - left.x) / (right.x - left.x)
		c := seats[i]
		c.SeatingUm = min(0, t.z-(1-w)*left.z-w*right.z)
		if t == left || t == right {
			c.SeatingUm, c.USeatingUm = 0, 0 // by definition
			continue
		}
		c.USeatingUm = math.Hypot(t.u, math.Hypot((1-w)*left.u, w*right.u))
		if -c.SeatingUm >= a.CoplanarityUm {
			a.CoplanarityUm, a.UCoplanarityUm = -c.SeatingUm, c.USeatingUm
		}
	}
}

// substrate describes the frame.
func (s *silhouette) substrate() *reading.Substrate {
	o := s.toImage(0, 0)
	w := 500 * s.part.Substrate.WidthMm * s.scale
	l, r := s.toImage(-w, 0), s.toImage(w, 0)
	return &reading.Substrate{
		OriginXPx: o.X, OriginYPx: o.Y, TurnDeg: geom.Angle(s.turn).Deg(), UTurnDeg: geom.Angle(s.uTurn).Deg(),
		Scale: s.scale, UScale: s.uScale,
		Edges: []reading.Edge{{Side: "top", X1Px: l.X, Y1Px: l.Y, X2Px: r.X, Y2Px: r.Y, Used: 1, UUm: s.uY}},
	}
}
