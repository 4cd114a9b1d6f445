package offset

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// An Outline is the substrate's rectangle as the datum: where the drawing frame lies in the scope
// frame by the substrate's sides instead of its marks.
type Outline struct {
	Found fiducial.Found // pose with its covariance, no marks
	Edges []reading.Edge
}

const (
	outlineSize  = 0.012 // how far fired ceramic may be from its drawn size (common practice, no source)
	outlineInset = 0.03  // of a side's ends, where corners are chipped or rounded, of its length

	// edgePx is how far a whole side may be off beyond what its own scatter shows, px: grain and
	// light that run on along all of it. Seen on pictures of known truth.
	edgePx = 0.008

	defaultShift = 1 * geom.Millimetre
	defaultTurn  = 5 * geom.Degree
)

// FindOutline finds the substrate's sides at the height of its top surface. turn says how the
// sample was laid into the fixture, counter-clockwise: a rectangle doesn't show which way round it
// lies.
//
// It returns a *reading.Refusal as error when fewer than three can be seen.
func FindOutline(src fit.Source, p *part.Part, sc *scope.Scope, turn geom.Angle) (*Outline, error) {
	src.Plane = sc.Plane(src.Gray.W, src.Gray.H, 0)
	drawn := rectangle{
		turn:   turn,
		width:  geom.Length(p.Substrate.WidthMm) * geom.Millimetre,
		height: geom.Length(p.Substrate.HeightMm) * geom.Millimetre,
	}
	s := search{shift: geom.Length(p.Fixture.ShiftLimitMm) * geom.Millimetre, turn: geom.Angle(p.Fixture.TurnLimitDeg) * geom.Degree}
	if s.shift == 0 {
		s.shift = defaultShift
	}
	if s.turn == 0 {
		s.turn = defaultTurn
	}
	large := max(drawn.width, drawn.height)
	s.size, s.inset = outlineSize*large, outlineInset*large
	at := locate(src.Gray, src.Plane, drawn, s)

	var edges [4]*fit.Edge
	seen := 0
	for k := range edges {
		if at.agreement[k] < minAgreement {
			continue
		}
		found, err := fit.FitEdges(src, at.side(k), fit.EdgeWindow{
			Half: at.half(k) - s.inset/2, SearchPx: max(3, 1.5*coarseUm/src.Plane.UmPerPx()), BestOnly: true, Unshaded: true,
		})
		if err != nil && !errors.Is(err, fit.ErrNoEdge) {
			return nil, fmt.Errorf("substrate's side %s: %w", sideNames[k], err)
		}
		if err == nil && scatter(found[0]) < maxScatter {
			edges[k] = widened(found[0], src.Plane.UmPerPx())
			seen++
		}
	}
	if seen < 3 {
		return nil, noOutline(src, at, seen)
	}
	pose, cov, err := solveOutline(edges, at.rectangle, drawn)
	if err != nil {
		return nil, noOutline(src, at, seen)
	}
	o := &Outline{Found: fiducial.Found{Pose: pose, Cov: cov, Blur: medianBlur(edges)}}
	seenAt := plate{rectangle: rectangle{centre: pose.Origin, turn: pose.Turn,
		width: drawn.width * geom.Length(pose.Scale), height: drawn.height * geom.Length(pose.Scale)}, edges: edges}
	for k, e := range edges {
		seenAt.used[k] = e != nil
	}
	o.Edges = seenAt.readEdges(src)
	if seen == 3 {
		o.Found.Warnings = append(o.Found.Warnings, "only three of the substrate's sides can be seen: the datum rests on them")
	}
	return o, nil
}

// noOutline says what to do when the substrate's sides can't be found: put a sample in, move it, or
// look at what hides them.
func noOutline(src fit.Source, at located, seen int) *reading.Refusal {
	worst := 0.0
	for k := range at.agreement {
		q := src.Plane.ToImage(at.side(k).Mid)
		worst = max(worst, -q.X, -q.Y, q.X-float64(src.Gray.W-1), q.Y-float64(src.Gray.H-1))
	}
	switch {
	case worst > 0, seen > 0 && cutOff(src, at):
		return &reading.Refusal{Gate: "outline-out", Got: float64(seen), Limit: 3, Unit: "sides",
			Instruction: "a side of the substrate, which is the datum, lies outside the picture: move the sample to the middle and take the picture again"}
	case seen == 0:
		return &reading.Refusal{Gate: "empty-fixture", Got: 0, Limit: 3, Unit: "sides",
			Instruction: "no substrate of the drawn size can be seen: put the sample into the fixture, check that this is the right part, and the light"}
	}
	return &reading.Refusal{Gate: "outline-hidden", Got: float64(seen), Limit: 3, Unit: "sides",
		Instruction: fmt.Sprintf("only %d of the substrate's 4 sides, which are the datum, can be seen: check that this is the right part, clean the sample's edges, and see that it stands out from what lies under it", seen)}
}

// cutOff reports whether the substrate reaches a border of the picture: the light in the middle half of
// the border is more like that inside the sides that are seen than that outside.
func cutOff(src fit.Source, at located) bool {
	const beside, depth = 8.0, 2 // px
	g := src.Gray
	var in, out, n float64
	for k := range at.agreement {
		if at.agreement[k] < minAgreement {
			continue
		}
		for i := range stations {
			s, d := at.half(k)*geom.Length(station(i)), geom.Length(beside*src.Plane.UmPerPx())
			a, b := src.Plane.ToImage(at.side(k).At(s, -d)), src.Plane.ToImage(at.side(k).At(s, d))
			if min(a.X, a.Y, b.X, b.Y) < 0 || max(a.X, b.X) > float64(g.W-1) || max(a.Y, b.Y) > float64(g.H-1) {
				continue
			}
			in, out, n = in+float64(g.Pix[int(a.Y)*g.W+int(a.X)]), out+float64(g.Pix[int(b.Y)*g.W+int(b.X)]), n+1
		}
	}
	if n == 0 {
		return false
	}
	in, out = in/n, out/n
	like := func(side int, across bool) bool {
		level, m := 0.0, 0.0
		for t := range stations {
			f := 0.25 + 0.5*(float64(t)+0.5)/stations
			x, y := side, int(f*float64(g.H))
			if across {
				x, y = int(f*float64(g.W)), side
			}
			level, m = level+float64(g.Pix[y*g.W+x]), m+1
		}
		return math.Abs(level/m-in) < math.Abs(level/m-out)
	}
	return like(depth, false) || like(g.W-1-depth, false) || like(depth, true) || like(g.H-1-depth, true)
}

// solveOutline returns the pose of the drawing by the sides seen: weighted least squares over each
// side's distance and direction, with one scale for both axes, and the covariance of (origin X µm,
// origin Y µm, turn rad, scale).
func solveOutline(edges [4]*fit.Edge, at, drawn rectangle) (geom.Pose, [4][4]float64, error) {
	var cov [4][4]float64
	pose := geom.Pose{Origin: at.centre, Turn: at.turn, Scale: 1}
	half := [4]float64{drawn.width.Um() / 2, drawn.height.Um() / 2, drawn.width.Um() / 2, drawn.height.Um() / 2}
	for round := range 4 {
		h, g := mat.NewSymDense(4, nil), mat.NewVecDense(4, nil)
		chi2, n := 0.0, 0.0
		add := func(row [4]float64, w, z float64) {
			chi2 += w * z * z
			n++
			for i := range 4 {
				g.SetVec(i, g.AtVec(i)+w*row[i]*z)
				for j := i; j < 4; j++ {
					h.SetSym(i, j, h.At(i, j)+w*row[i]*row[j])
				}
			}
		}
		now := rectangle{pose.Origin, pose.Turn, drawn.width * geom.Length(pose.Scale), drawn.height * geom.Length(pose.Scale)}
		for k, e := range edges {
			if e == nil {
				continue
			}
			offset, slope := e.Line.In(now.side(k))
			sin, cos := math.Sincos((pose.Turn + geom.Angle(k)*90*geom.Degree).Rad())
			// Where offset and slope aren't correlated.
			v := e.Cov
			s0 := -v[0][1] / v[1][1]
			add([4]float64{cos, sin, -s0, half[k]}, 1/(v[0][0]-v[0][1]*v[0][1]/v[1][1]), offset.Um()+slope*s0)
			add([4]float64{2: -1}, 1/v[1][1], slope)
		}
		var chol mat.Cholesky
		d := mat.NewVecDense(4, nil)
		var inv mat.SymDense
		if !chol.Factorize(h) || chol.SolveVecTo(d, g) != nil || chol.InverseTo(&inv) != nil {
			return pose, cov, errors.New("the sides don't determine the outline")
		}
		// What the sides' own uncertainties leave unexplained (a substrate that isn't square) is
		// shared out: Birge's ratio, Physical Review 40 (1932) 207. The last round has converged.
		birge := max(1, chi2/max(1, n-4))
		if round < 3 {
			birge = 1
		}
		pose.Origin.X += geom.Length(d.AtVec(0))
		pose.Origin.Y += geom.Length(d.AtVec(1))
		pose.Turn += geom.Angle(d.AtVec(2))
		pose.Scale += d.AtVec(3)
		for i := range 4 {
			for j := range 4 {
				cov[i][j] = inv.At(i, j) * birge
			}
		}
	}
	return pose, cov, nil
}

func medianBlur(edges [4]*fit.Edge) geom.Length {
	var b []float64
	for _, e := range edges {
		if e != nil {
			b = append(b, e.Blur.Um())
		}
	}
	return geom.Length(middle(b))
}

// widened returns an edge with edgePx in its covariance.
func widened(e *fit.Edge, um float64) *fit.Edge {
	w := *e
	w.Cov[0][0] += edgePx * um * edgePx * um
	return &w
}

// scatter is how far an edge's places typically lie from the fitted line: 1.4826 times the median,
// which a stretch that dirt covers doesn't move.
func scatter(e *fit.Edge) geom.Length {
	var u []float64
	for _, p := range e.Profile {
		if p.Used {
			u = append(u, math.Abs(p.U.Um()))
		}
	}
	if len(u) == 0 {
		return geom.Length(math.Inf(1))
	}
	return geom.Length(1.4826 * middle(u))
}
