package column

import (
	"math"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// offsets returns tip minus site in the drawing frame, µm, for each site; zero where none is found.
func (pic *shot) offsets(o *outline, seats []seat) [][2]float64 {
	out := make([][2]float64, len(seats))
	for i := range seats {
		s := &seats[i]
		if !s.found {
			continue
		}
		at := o.pose.ToDrawing(pic.object(&s.d))
		n := o.pose.Nominal(geom.DrawingPoint{X: geom.Length(s.x), Y: geom.Length(s.y)})
		out[i] = [2]float64{float64(at.X - n.X), float64(at.Y - n.Y)}
	}
	return out
}

// Shares that make an array another part's.
const (
	astrayPitch = 0.2  // a face farther than this share of the pitch from its site is astray
	astrayShare = 0.25 // of the faces found
	faceShare   = 0.17 // by how much the usual face may differ from the drawn one: a worn rim takes a tenth
	strayShare  = 0.5  // of the places beside the array where the part has no site
)

// judgeArray refuses an array of which less than half is there, or that isn't the part's: where it can
// be seen to have another pitch, with that reason.
func (pic *shot) judgeArray(f *discFitter, o *outline, seats []seat, v sight) error {
	why := pic.mismatch(f, o, seats, v)
	if why == nil {
		return nil
	}
	if why.Gate == "array-mismatch" {
		if pitch := pic.otherPitch(o); pitch != nil {
			return pitch
		}
	}
	return why
}

// mismatch is why an array isn't the part's, or that too little of it is there; nil where it is.
func (pic *shot) mismatch(f *discFitter, o *outline, seats []seat, v sight) *reading.Refusal {
	found, seen, astray := 0, 0, 0
	for i := range seats {
		s := &seats[i]
		if !s.unseen {
			seen++
		}
		if s.found {
			found++
			if math.Hypot(s.d.x-s.px, s.d.y-s.py) > astrayPitch*v.pitch {
				astray++
			}
		}
	}
	percent := func(n, of int) float64 { return 100 * float64(n) / float64(max(of, 1)) }
	if 2*seen < len(seats) {
		return &reading.Refusal{Gate: "array-out", Got: percent(seen, len(seats)), Limit: 50, Unit: "% of the sites",
			Instruction: "more than half of the array lies outside the picture; move the sample to the middle"}
	}
	if 2*found < seen {
		if part := emptyShare(pic.g); part > 0.1 {
			return &reading.Refusal{Gate: "half-missing", Got: 100 * part, Limit: 10, Unit: "% of the picture",
				Instruction: "a part of the picture is empty: it was cut off while it was saved or sent; take or copy it again"}
		}
		return &reading.Refusal{Gate: "array-mismatch", Got: percent(found, seen), Limit: 50, Unit: "% of the sites",
			Instruction: "most sites show nothing of the kind that part " + pic.part.Name + " has there: check part, side, focus and light; where they really are empty, reject the sample"}
	}
	if drawn := 500 * pic.part.Array.DiameterMm; math.Abs(v.um/drawn-1) > faceShare {
		return &reading.Refusal{Gate: "array-mismatch", Got: 2 * v.um, Limit: 2 * drawn, Unit: "µm in diameter",
			Instruction: "what is seen at the sites has another size than part " + pic.part.Name + " has there; check part, side, focus and light"}
	}
	if float64(astray) > astrayShare*float64(found) {
		return &reading.Refusal{Gate: "array-mismatch", Got: percent(astray, found), Limit: 100 * astrayShare, Unit: "% of the sites",
			Instruction: "the array in the picture lies elsewhere on the substrate than that of part " + pic.part.Name + ", or has other rows and columns; check part, side and scope"}
	}
	if strays, places := pic.strays(f, o, v); places > 0 && float64(strays) > strayShare*float64(places) {
		return &reading.Refusal{Gate: "array-mismatch", Got: percent(strays, places), Limit: 100 * strayShare, Unit: "% of the places beside the array",
			Instruction: "the array in the picture goes on where that of part " + pic.part.Name + " ends; check the part"}
	}
	return nil
}

// strays counts the faces at places of the grid, one row and column beyond the array included,
// where the part has no site, and the places looked at.
func (pic *shot) strays(f *discFitter, o *outline, v sight) (strays, places int) {
	a := pic.part.Array
	has := make(map[[2]int]bool, len(pic.sites))
	for _, s := range pic.sites {
		has[[2]int{s.row, s.col}] = true
	}
	w, h := 500*pic.part.Substrate.WidthMm-500*a.DiameterMm, 500*pic.part.Substrate.HeightMm-500*a.DiameterMm
	for row := range a.Rows + 2 {
		for col := range a.Columns + 2 {
			x := 1000 * a.PitchMm * (float64(col) - float64(a.Columns+1)/2)
			y := 1000 * a.PitchMm * (float64(a.Rows+1)/2 - float64(row))
			if has[[2]int{row, col}] || math.Abs(x) > w || math.Abs(y) > h {
				continue
			}
			q := pic.faceAt(o.pose, x, y)
			if !f.holds(q.X, q.Y, 1.5*v.r) {
				continue
			}
			places++
			if f.circle(q.X, q.Y, v.r) > wholeStep*v.step {
				strays++
			}
		}
	}
	return strays, places
}

// facePx is how far flank and shadow beside a face may draw its centre, px per axis: seen on
// ray-traced pictures of known truth (0.03 to 0.08 px).
const facePx = 0.05

// facesPx is how far they draw the centres of all faces alike, px per axis, when light comes from one
// side: seen on the same pictures (0.00 to 0.04 px).
const facesPx = 0.02

// The radius leans on the levels of face and ground, which are measured too: on exact pictures its
// errors are 1.1 to 1.3 times what the fit alone explains, and 0.008 px at the widest blur.
const (
	levelGrow = 1.25
	flatPx    = 0.008
)

// columns makes the reading of the array from tips and feet.
func (pic *shot) columns(o *outline, seats []seat, offsets [][2]float64, stand footing, f *discFitter) *reading.Array {
	a := &reading.Array{Kind: pic.part.Array.Kind, Sites: make([]reading.Site, len(seats))}
	heightUm := 1000 * pic.part.Array.HeightMm
	pose, best := pic.rigid(o, seats, offsets, found(seats)), pic.bestFit(o, seats, offsets)
	if best != nil {
		pose = best.rigidFit
	}
	lean := pic.uAxisUm
	common := lean
	if !f.flat {
		common = math.Hypot(lean, facesPx*pic.tip.UmPerPx())
	}
	pose.uxUm, pose.uyUm = math.Hypot(pose.uxUm, common), math.Hypot(pose.uyUm, common)
	pose.fill(a)

	apart := stand.commonUm()
	if stand.uUm >= footScatterUm {
		apart = unseenFeet(seats, offsets)
	}
	var leanX, leanY, n float64
	for i := range seats {
		s := &seats[i]
		r := &a.Sites[i]
		*r = reading.Site{Name: s.name, XPx: s.px, YPx: s.py, State: reading.Missing}
		switch {
		case s.unseen:
			r.State = reading.Unseen
			continue
		case !s.found:
			a.Missing++
			continue
		}
		a.Present++
		r.State = reading.Present
		r.XPx, r.YPx = s.d.x, s.d.y
		at := pic.object(&s.d)
		r.DXUm, r.DYUm = offsets[i][0], offsets[i][1]
		tip := (s.d.cov[0][0] + s.d.cov[1][1]) / 2 * s.d.umPx * s.d.umPx
		if !f.flat && !f.uneven {
			tip += facePx * facePx * s.d.umPx * s.d.umPx
		}
		if best != nil {
			r.DXUm, r.DYUm = best.left(s, offsets[i])
			r.UUm = math.Sqrt(tip + best.placeVar(o, s) + pic.heightVar(at))
		} else {
			r.UUm = math.Sqrt(tip + o.placeVar(s.x, s.y) + lean*lean + pic.heightVar(at))
		}
		// A blurred disc's edge falls most steeply σ²/2r inside of the disc's.
		r.DiameterUm = 2 * (s.d.r + f.edge.steepest + o.sigmaPx*o.sigmaPx/(2*s.d.r)) * s.d.umPx
		switch {
		case s.girth.found:
			r.DiameterUm, r.UDiameterUm = 2*s.girth.r*s.d.umPx, 2*s.girth.ur*s.d.umPx
		case pic.balls(): // the edge may be a mirrored ring's
			r.UDiameterUm = girthIn / math.Sqrt(3) * r.DiameterUm
		case f.flat:
			r.UDiameterUm = 2 * math.Hypot(levelGrow*s.d.ur, flatPx) * s.d.umPx
		default:
			r.UDiameterUm = 2 * math.Hypot(levelGrow*s.d.ur, facePx) * s.d.umPx
		}
		if heightUm > 0 && !pic.balls() {
			bx, by, ub := stand.stand(s.foot, offsets[i])
			if s.foot.found && ub < footScatterUm {
				r.Foot = &reading.Foot{DXUm: bx, DYUm: by, UUm: ub}
			}
			ub = math.Hypot(ub, apart)
			lx, ly := offsets[i][0]-bx, offsets[i][1]-by
			sin := math.Hypot(lx, ly) / heightUm
			r.TiltDeg = geom.Angle(math.Asin(min(1, sin))).Deg()
			r.AzimuthDeg = wrap360(geom.Angle(math.Atan2(ly, lx)).Deg())
			r.UTiltDeg = geom.Angle(math.Sqrt(tip+ub*ub+lean*lean) / heightUm).Deg()
			if sin < 0.05 {
				leanX, leanY, n = leanX+lx, leanY+ly, n+1
			}
		}
		pic.state(r, a)
	}
	if n > 0 {
		lx, ly := leanX/n, leanY/n
		a.LeanDeg = geom.Angle(math.Asin(min(1, math.Hypot(lx, ly)/heightUm))).Deg()
		a.LeanAzimuthDeg = wrap360(geom.Angle(math.Atan2(ly, lx)).Deg())
	}
	return a
}

// unseenFeet is what is to be added, µm per axis, to the uncertainty of where columns stand when no
// feet are seen: an array placed off its sites can't be told from one that leans, so that the mean
// offset of the tips may be the one or the other.
func unseenFeet(seats []seat, offsets [][2]float64) float64 {
	var n, x, y float64
	for i := range seats {
		if seats[i].found {
			n, x, y = n+1, x+offsets[i][0], y+offsets[i][1]
		}
	}
	// Evenly spread from none to all of it (JCGM 100:2008, 4.3.7), shared by both axes.
	return math.Hypot(x, y) / max(n, 1) / math.Sqrt(3) / math.Sqrt2
}

// heightVar is the variance per axis, µm², that the stated uncertainty of a face's height adds to
// where it is seen against the substrate under a perspective lens. The scope's scale doesn't
// count: the substrate is measured with the same ruler.
func (pic *shot) heightVar(at geom.ScopePoint) float64 {
	s := pic.scope
	if s.Camera != scope.Perspective || s.WorkingDistanceMm <= 0 {
		return 0
	}
	r := math.Hypot(at.X.Um(), at.Y.Um()) * s.UHeightMm / s.WorkingDistanceMm
	return r * r / 2
}

// state judges a site that holds something by the part's limits.
func (pic *shot) state(r *reading.Site, a *reading.Array) {
	l := pic.part.Limits
	switch {
	case l.TiltDeg > 0 && math.Abs(r.TiltDeg) > l.TiltDeg:
		r.State = reading.Tilted
		a.Tilted++
	case l.TipUm > 0 && math.Hypot(r.DXUm, r.DYUm) > l.TipUm:
		r.State = reading.Off
	}
}

func wrap360(deg float64) float64 {
	if deg < 0 {
		return deg + 360
	}
	return deg
}

// placeVar is the variance per axis, µm², with which the substrate says where a site is.
func (o *outline) placeVar(xUm, yUm float64) float64 {
	sin, cos := math.Sincos(o.pose.Turn.Rad())
	rx, ry := cos*xUm-sin*yUm, sin*xUm+cos*yUm
	// Derivatives of the site's place by (x, y, turn, scale).
	jx := [4]float64{1, 0, -ry, rx}
	jy := [4]float64{0, 1, rx, ry}
	v := 0.0
	for a := range 4 {
		for b := range 4 {
			v += (jx[a]*jx[b] + jy[a]*jy[b]) * o.cov[a][b]
		}
	}
	return max(v, 0) / 2
}

// A rigidFit is the array as a whole against its drawing.
type rigidFit struct {
	xUm, yUm, turn, scale float64
	uxUm, uyUm, uTurn     float64
}

// rigid fits shift and turn about the drawing's origin, then the scale, to the offsets in use.
func (pic *shot) rigid(o *outline, seats []seat, offsets [][2]float64, use []bool) rigidFit {
	var n, sx, sy, sxx, sdx, sdy, sc, ss, vt float64
	for i := range seats {
		s := &seats[i]
		if !use[i] {
			continue
		}
		n++
		sx += s.x
		sy += s.y
		sxx += s.x*s.x + s.y*s.y
		sdx += offsets[i][0]
		sdy += offsets[i][1]
		sc += s.x*offsets[i][1] - s.y*offsets[i][0]
		ss += s.x*offsets[i][0] + s.y*offsets[i][1]
		vt += (s.d.cov[0][0] + s.d.cov[1][1]) / 2 * s.d.umPx * s.d.umPx
	}
	if n < 3 {
		return rigidFit{scale: 1}
	}
	// dx = X - turn·y, dy = Y + turn·x: normal equations with the sites' mean taken out.
	mx, my := sx/n, sy/n
	inertia := sxx - n*(mx*mx+my*my)
	turn := (sc - mx*sdy + my*sdx) / inertia
	f := rigidFit{turn: turn, xUm: sdx/n + turn*my, yUm: sdy/n - turn*mx}
	f.scale = o.pose.Scale * (1 + (ss-mx*sdx-my*sdy)/inertia/o.pose.Scale)
	v := vt / n / n
	// Offsets are along the drawing's axes; the outline's covariance along the scope's, but for
	// both axes alike where it matters.
	sin, cos := math.Sincos(o.pose.Turn.Rad())
	ox := cos*cos*o.cov[0][0] + sin*sin*o.cov[1][1] + 2*sin*cos*o.cov[0][1]
	oy := sin*sin*o.cov[0][0] + cos*cos*o.cov[1][1] - 2*sin*cos*o.cov[0][1]
	f.uxUm, f.uyUm = math.Sqrt(v+ox), math.Sqrt(v+oy)
	f.uTurn = math.Sqrt(vt/n/inertia + o.cov[2][2])
	return f
}

func (f rigidFit) fill(a *reading.Array) {
	a.XUm, a.YUm, a.ThetaDeg = f.xUm, f.yUm, geom.Angle(f.turn).Deg()
	a.UXUm, a.UYUm, a.UTheta = f.uxUm, f.uyUm, geom.Angle(f.uTurn).Deg()
	a.Scale = f.scale
}
