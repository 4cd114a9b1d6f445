package offset

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// A Joint is what several shots of one sample give together: the pose of the drawing in the stage's
// frame with its covariance, and the offset.
type Joint struct {
	Offset  *reading.Offset
	Pose    geom.Pose
	PoseCov [4][4]float64    // of origin X and Y in µm, turn in radians, scale
	Corners []reading.Corner // what each shot shows
}

// An edgeSeen is a side of the die as one shot shows it, in that shot's scope frame.
type edgeSeen struct {
	shot, side int
	edge       *fit.Edge
	half       geom.Length // of the stretch, to both sides of the fitted line's middle
}

const (
	stageSigmas  = 4.0 // a stage that is off by more standard uncertainties contradicts the pictures
	shortestEdge = 100 // px of a side that a shot must show, which a fit of edges needs
	fixedParams  = 9   // pose and die; the stage's errors come after
)

// Corners measures a die too large for one picture from shots of its corners. The shots' marks and
// stretches of edges, the stage's coordinates with their uncertainty and, weakly, the drawn size of
// the die go into one least-squares solution for the drawing's pose (place, turn, scale), the die
// (centre, turn, sides) and an error of each stage place. Where a shot shows a mark beside an edge
// its stage error moves both, so that most of it drops out of the offset; the joint covariance knows.
//
// It returns a *reading.Refusal as error when the die can't be seen well enough, or when stage and
// pictures contradict each other.
func Corners(shots []fiducial.Shot, p *part.Part, sc *scope.Scope, a *fiducial.Across) (*Joint, error) {
	d := p.Die
	s := &joint{part: p, scope: sc, shots: shots, across: a, pose: a.Pose, errs: make([]geom.ScopePoint, len(shots))}
	s.die = rectangle{
		centre: a.Pose.ToScope(d.Centre()), turn: a.Pose.Turn + geom.Angle(d.ThetaDeg)*geom.Degree,
		width: geom.Length(d.WidthMm) * geom.Millimetre, height: geom.Length(d.HeightMm) * geom.Millimetre,
	}
	s.drawn = s.die
	if err := s.sameScale(a.Pose.Scale, math.Sqrt2*sc.UStageUm/(s.die.width+s.die.height).Um()); err != nil {
		return nil, err
	}
	for _, coarse := range [2]bool{true, false} {
		if err := s.findEdges(coarse); err != nil {
			return nil, err
		}
		if err := s.solve(); err != nil {
			return nil, err
		}
	}
	pl := plate{rectangle: s.die}
	for i := range 5 {
		for k := range 5 {
			pl.cov[i][k] = s.cov.At(4+i, 4+k)
		}
	}
	if err := s.contradiction(); err != nil {
		return nil, err
	}
	if r := pl.otherSize(s.drawn, p.Limits.SizeUm); r != nil {
		return nil, r
	}
	return s.result(), nil
}

// A joint is such a solution in the making. Parameters, in this order: the pose's origin x and y, turn
// and scale, the die's centre x and y, turn, width and height, and x and y of each shot's error.
type joint struct {
	part   *part.Part
	scope  *scope.Scope
	shots  []fiducial.Shot
	across *fiducial.Across
	edges  []edgeSeen

	pose       geom.Pose
	die, drawn rectangle
	errs       []geom.ScopePoint
	cov        *mat.SymDense // of all parameters
	pinned     *mat.SymDense // of the first nine, were the stage without error
}

// findEdges fits the stretch of each side that each shot shows. The coarse pass looks for it on
// shrunk pictures as far off as a die may lie.
func (s *joint) findEdges(coarse bool) error {
	s.edges = nil
	for k, shot := range s.shots {
		full, searchUm, blur := shot.Source, 2*coarseUm, s.across.Blur
		full.Plane = s.scope.Plane(full.Gray.W, full.Gray.H, s.part.Die.TopMm)
		for side := range 4 {
			line, half, ok := s.stretch(k, side, full)
			if !ok {
				continue
			}
			src := full
			if coarse {
				searchUm, blur = dieShift.Um(), 0
				src = shrunk(src, s.scope, s.part.Die.TopMm, 2*half)
			}
			found, err := fit.FitEdges(src, line, fit.EdgeWindow{Half: half, Corner: 0, SearchPx: searchUm / src.Plane.UmPerPx(), Blur: blur, BestOnly: true})
			if errors.Is(err, fit.ErrNoEdge) {
				continue
			}
			if err != nil {
				return fmt.Errorf("%s: side %s: %w", shot.Name, sideNames[side], err)
			}
			s.edges = append(s.edges, edgeSeen{k, side, found[0], half})
		}
	}
	var seen [4]bool
	n := 0
	for _, e := range s.edges {
		if !seen[e.side] {
			seen[e.side] = true
			n++
		}
	}
	if n < 3 {
		return noDie(n, s.part.Die)
	}
	return nil
}

// stretch returns the part of a side that a shot shows, in that shot's scope frame.
func (s *joint) stretch(shot, side int, src fit.Source) (fit.Line, geom.Length, bool) {
	line := s.die.side(side)
	line.Mid.X -= s.shots[shot].Stage.X + s.errs[shot].X
	line.Mid.Y -= s.shots[shot].Stage.Y + s.errs[shot].Y
	inset := 4*s.across.Blur + min(s.die.width, s.die.height)/50
	reach := s.die.half(side) - inset
	const steps = 400
	from, to := reach, -reach
	for i := range steps + 1 {
		at := reach * geom.Length(2*float64(i)/steps-1)
		if q := src.Plane.ToImage(line.At(at, 0)); q.X > 2 && q.Y > 2 && q.X < float64(src.Gray.W-3) && q.Y < float64(src.Gray.H-3) {
			from, to = min(from, at), max(to, at)
		}
	}
	if (to - from).Um() < shortestEdge*src.Plane.UmPerPx() {
		return line, 0, false
	}
	line.Mid = line.At((from+to)/2, 0)
	return line, (to - from) / 2, true
}

// solve runs Gauss and Newton's steps. Every observation is a condition g = 0 with a variance.
func (s *joint) solve() error {
	n := fixedParams + 2*len(s.shots)
	for range 6 {
		h, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
		add := func(g, variance float64, row map[int]float64) {
			for i, x := range row {
				b.SetVec(i, b.AtVec(i)-x*g/variance)
				for k, y := range row {
					if k >= i {
						h.SetSym(i, k, h.At(i, k)+x*y/variance)
					}
				}
			}
		}
		s.conditions(add)
		var chol mat.Cholesky
		step := mat.NewVecDense(n, nil)
		s.cov = mat.NewSymDense(n, nil)
		if !chol.Factorize(h) || chol.SolveVecTo(step, b) != nil || chol.InverseTo(s.cov) != nil {
			return noDie(2, s.part.Die)
		}
		s.move(step)
		var fixed mat.Cholesky
		s.pinned = mat.NewSymDense(fixedParams, nil)
		if !fixed.Factorize(h.SliceSym(0, fixedParams)) || fixed.InverseTo(s.pinned) != nil {
			return noDie(2, s.part.Die)
		}
	}
	return nil
}

func (s *joint) conditions(add func(g, variance float64, row map[int]float64)) {
	sin, cos := math.Sincos(s.pose.Turn.Rad())
	at := func(shot int, q geom.ScopePoint) (x, y float64) {
		st, e := s.shots[shot].Stage, s.errs[shot]
		return (q.X + st.X + e.X).Um(), (q.Y + st.Y + e.Y).Um()
	}
	for _, m := range s.across.Seen {
		d := m.Place.Point()
		X, Y := d.X.Um(), d.Y.Um()
		px, py := cos*X-sin*Y, sin*X+cos*Y
		x, y := at(m.Shot, m.Fit.Centre)
		e := fixedParams + 2*m.Shot
		add(x-s.pose.Origin.X.Um()-s.pose.Scale*px, m.Fit.Cov[0][0], map[int]float64{0: -1, 2: s.pose.Scale * py, 3: -px, e: 1})
		add(y-s.pose.Origin.Y.Um()-s.pose.Scale*py, m.Fit.Cov[1][1], map[int]float64{1: -1, 2: -s.pose.Scale * px, 3: -py, e + 1: 1})
	}
	for _, o := range s.edges {
		v := o.edge.Cov
		out := s.die.turn + geom.Angle(o.side)*90*geom.Degree
		ny, nx := math.Sincos(out.Rad())
		// Offset and slope are independent at this place along the edge.
		x, y := at(o.shot, o.edge.Line.At(geom.Length(-v[0][1]/v[1][1]), 0))
		x, y = x-s.die.centre.X.Um(), y-s.die.centre.Y.Um()
		dist, size := s.die.width.Um()/2, 7
		if o.side%2 == 1 {
			dist, size = s.die.height.Um()/2, 8
		}
		e := fixedParams + 2*o.shot
		add(x*nx+y*ny-dist, v[0][0]-v[0][1]*v[0][1]/v[1][1], map[int]float64{4: -nx, 5: -ny, 6: y*nx - x*ny, size: -0.5, e: nx, e + 1: ny})
		add(geom.Wrap(o.edge.Line.Dir-out-90*geom.Degree).Rad(), v[1][1], map[int]float64{6: -1})
	}
	sd2 := float64(sideSd * sideSd)
	add((s.die.width - s.drawn.width).Um(), sd2, map[int]float64{7: 1})
	add((s.die.height - s.drawn.height).Um(), sd2, map[int]float64{8: 1})
	u2 := s.scope.UStageUm * s.scope.UStageUm
	for k, e := range s.errs {
		add(e.X.Um(), u2, map[int]float64{fixedParams + 2*k: 1})
		add(e.Y.Um(), u2, map[int]float64{fixedParams + 2*k + 1: 1})
	}
}

func (s *joint) move(d *mat.VecDense) {
	um := func(i int) geom.Length { return geom.Length(d.AtVec(i)) }
	s.pose.Origin.X += um(0)
	s.pose.Origin.Y += um(1)
	s.pose.Turn += geom.Angle(d.AtVec(2))
	s.pose.Scale += d.AtVec(3)
	s.die.centre.X += um(4)
	s.die.centre.Y += um(5)
	s.die.turn += geom.Angle(d.AtVec(6))
	s.die.width += um(7)
	s.die.height += um(8)
	for k := range s.errs {
		s.errs[k].X += um(fixedParams + 2*k)
		s.errs[k].Y += um(fixedParams + 2*k + 1)
	}
}

// contradiction refuses when the pictures say that a stage place is off by more than the stage may
// be, or that the marks of different pictures are farther apart than the substrate may be large.
func (s *joint) contradiction() error {
	limit := stageSigmas * s.scope.UStageUm
	worst, most := 0, 0.0
	for k, e := range s.errs {
		if off := max(math.Abs(e.X.Um()), math.Abs(e.Y.Um())); off > most {
			worst, most = k, off
		}
	}
	if most > limit {
		return stageOff(most, limit, "µm", fmt.Sprintf("%s lies %.3g µm or more from where its stage coordinates say, by what it shows", s.shots[worst].Name, most))
	}
	return s.sameScale(s.pose.Scale, math.Sqrt(s.cov.At(3, 3)))
}

// sameScale refuses a scale, with its standard uncertainty, that the substrate's shrink can't explain.
func (s *joint) sameScale(scale, u float64) error {
	limit := s.part.Limits.ShrinkPercent / 100
	if limit == 0 {
		limit = outlineSize
	}
	off := math.Abs(scale - 1)
	if off <= limit+2*u {
		return nil
	}
	return stageOff(100*off, 100*limit, "%", fmt.Sprintf("by the stage's coordinates the marks lie %.2g %% off their drawn distance, more than the substrate may shrink", 100*off))
}

func stageOff(got, limit float64, unit, what string) error {
	return &reading.Refusal{
		Gate: "stage", Got: got, Limit: limit, Unit: unit,
		Instruction: what + ": check the stage coordinates in the traveler, u_stage_um in the scope file, and that all pictures are of one sample that didn't move",
	}
}

// result expresses the solution in the drawing frame, with the budget.
func (s *joint) result() *Joint {
	j := &Joint{Pose: s.pose}
	for k := range s.shots {
		j.Corners = append(j.Corners, s.corner(k))
	}
	for i := range 4 {
		for k := range 4 {
			j.PoseCov[i][k] = s.cov.At(i, k)
		}
	}
	d := s.part.Die
	turn := geom.Angle(d.ThetaDeg) * geom.Degree
	nominal := d.Centre()
	centre := s.die.centre
	bias, reversed := s.scope.Bias(d.TopMm - s.part.Marks.PlaneMm)
	centre.X -= geom.Length(bias.X)
	centre.Y -= geom.Length(bias.Y)
	at, want := s.pose.ToDrawing(centre), s.pose.Nominal(nominal)
	o := &reading.Offset{
		Of: "die", XUm: (at.X - want.X).Um(), YUm: (at.Y - want.Y).Um(),
		ThetaDeg: geom.Wrap(s.die.turn - s.pose.Turn - turn).Deg(),
		WidthUm:  s.die.width.Um(), HeightUm: s.die.height.Um(),
		UWidthUm: math.Sqrt(s.cov.At(7, 7)), UHeightUm: math.Sqrt(s.cov.At(8, 8)),
	}
	sin, cos := math.Sincos(s.pose.Turn.Rad())
	deg := 1 / geom.Degree.Rad()
	sens := [3][]float64{
		{-cos, -sin, at.Y.Um(), -float64(nominal.X), cos, sin, 0},
		{sin, -cos, -at.X.Um(), -float64(nominal.Y), -sin, cos, 0},
		{0, 0, -deg, 0, 0, 0, deg},
	}
	all := propagate(sens, s.cov.At)
	fits := propagate(sens, s.pinned.At)
	stage := all
	for i := range 3 {
		for k := range 3 {
			stage[i][k] -= fits[i][k]
		}
	}
	uScale := s.scope.UScalePercent / 100
	terms := []term{{"edges of the plate and marks", fits}, {"stage", stage}, diagonal("scale of the scope", uScale*o.XUm, uScale*o.YUm)}
	terms = append(terms, s.heightTerm(), axisTerm(s.scope, bias, reversed, d.TopMm, s.pose.Turn))
	combine(o, terms)
	j.Offset = o
	if d.Bumps != nil {
		j.Offset.Bump = worstBump(d, j.Offset, s.pose.Scale)
	}
	return j
}

// heightTerm is what an error of the die's height does on a perspective scope: it moves each edge away
// from the axis of its own shot, and the centre by the mean over opposite sides, or with the one that
// is seen.
func (s *joint) heightTerm() term {
	if s.scope.Camera != scope.Perspective {
		return term{}
	}
	var sum, n [4]float64
	for _, e := range s.edges {
		out := s.die.turn + geom.Angle(e.side)*90*geom.Degree
		sin, cos := math.Sincos(out.Rad())
		sum[e.side] += cos*e.edge.Line.Mid.X.Um() + sin*e.edge.Line.Mid.Y.Um()
		n[e.side]++
	}
	k := s.scope.UHeightMm / (s.scope.WorkingDistanceMm - s.part.Die.TopMm)
	moved := func(side int) float64 {
		switch opposite := side + 2; {
		case n[opposite] == 0:
			return k * sum[side] / n[side]
		case n[side] == 0:
			return k * sum[opposite] / n[opposite]
		default:
			return k * (sum[side]/n[side] - sum[opposite]/n[opposite]) / 2
		}
	}
	return diagonal("height of the plate", moved(0), moved(1))
}

// shrunk returns a source of pixels of about shrunkUm, which is enough to find an edge by; of smaller
// ones where a stretch of it would have too few.
func shrunk(src fit.Source, sc *scope.Scope, heightMm float64, stretch geom.Length) fit.Source {
	const shrunkUm = 8.0
	factor := min(max(int(min(shrunkUm, stretch.Um()/shortestEdge)/src.Plane.UmPerPx()), 1), 8)
	small := *sc
	small.UmPerPxX *= float64(factor)
	small.UmPerPxY *= float64(factor)
	g := cv.Shrink(src.Gray, factor)
	return fit.Source{Gray: g, Plane: small.Plane(g.W, g.H, heightMm), Noise: picture.EstimateNoise(g)}
}
