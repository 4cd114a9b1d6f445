package offset

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

const (
	dieShift = 800 * geom.Micrometre // how far from nominal a die is looked for
	dieTurn  = 3 * geom.Degree
	dieSize  = 60 * geom.Micrometre
)

// fewestSides is with how many straight sides at most there is no die, but texture or traces that
// happen to step where its sides would be.
const fewestSides = 1

// Die measures the die's outline at the height of its top and returns its offset.
//
// It returns a *reading.Refusal as error when no die of the drawn size can be seen.
func Die(src fit.Source, p *part.Part, sc *scope.Scope, f *fiducial.Found) (*reading.Offset, error) {
	d := p.Die
	src.Plane = sc.Plane(src.Gray.W, src.Gray.H, d.TopMm)
	drawn := rectangle{
		centre: f.Pose.ToScope(d.Centre()),
		turn:   f.Pose.Turn + geom.Angle(d.ThetaDeg)*geom.Degree,
		width:  geom.Length(d.WidthMm) * geom.Millimetre,
		height: geom.Length(d.HeightMm) * geom.Millimetre,
	}
	inset := 4 * f.Blur
	corner := 2*f.Blur + min(drawn.width, drawn.height)/50
	at := locate(src.Gray, src.Plane, drawn, search{shift: dieShift, turn: dieTurn, size: dieSize, inset: inset + corner})
	seen := 0
	for _, a := range at.agreement {
		if a >= minAgreement {
			seen++
		}
	}
	if seen < 3 {
		return nil, noDie(seen, d)
	}
	searchPx := max(3, 1.5*coarseUm/src.Plane.UmPerPx())
	pl, err := measurePlate(src, at, drawn, inset, corner, searchPx, f.Blur)
	if r, ok := errors.AsType[*reading.Refusal](err); ok && r.Got <= fewestSides {
		return nil, noDie(int(r.Got), d)
	}
	if err != nil {
		return nil, fmt.Errorf("die: %w", err)
	}
	if r := pl.otherSize(drawn, p.Limits.SizeUm); r != nil {
		return nil, r
	}
	o := pl.offset(d.Centre(), geom.Angle(d.ThetaDeg)*geom.Degree, sc, d.TopMm, f, "edges of the plate")
	o.Of = "die"
	o.Edges = pl.readEdges(src)
	if d.Bumps != nil {
		o.Bump = worstBump(d, o, f.Pose.Scale)
	}
	return o, nil
}

func noDie(seen int, d *part.Die) *reading.Refusal {
	return &reading.Refusal{
		Gate: "no-die", Got: float64(seen), Limit: 3, Unit: "sides",
		Instruction: fmt.Sprintf("no die of %g × %g mm can be seen near its place (%d of 4 sides): check that the sample carries a die, that this is the right part, and the light", d.WidthMm, d.HeightMm, seen),
	}
}

// offset expresses the plate in the drawing frame of the marks' pose, measured minus nominal,
// with the uncertainty budget after JCGM 100:2008, 5.2. by names what the plate was measured by.
func (p *plate) offset(nominal geom.DrawingPoint, nominalTurn geom.Angle, sc *scope.Scope, topMm float64, f *fiducial.Found, by string) *reading.Offset {
	pose := f.Pose
	bias, reversed := sc.Bias(topMm - f.PlaneMm)
	centre := geom.ScopePoint{X: p.centre.X - geom.Length(bias.X), Y: p.centre.Y - geom.Length(bias.Y)}
	at, want := pose.ToDrawing(centre), pose.Nominal(nominal)
	o := &reading.Offset{
		XUm:      (at.X - want.X).Um(),
		YUm:      (at.Y - want.Y).Um(),
		ThetaDeg: geom.Wrap(p.turn - pose.Turn - nominalTurn).Deg(),
		WidthUm:  p.width.Um(), HeightUm: p.height.Um(),
		UWidthUm: math.Sqrt(p.cov[3][3]), UHeightUm: math.Sqrt(p.cov[4][4]),
	}
	sin, cos := math.Sincos(pose.Turn.Rad())
	deg := 1 / geom.Degree.Rad()

	// Sensitivities of (X, Y, theta°) to the plate's (x, y, turn) and to the pose's (x, y, turn, scale).
	toPlate := [3][]float64{{cos, sin, 0}, {-sin, cos, 0}, {0, 0, deg}}
	toPose := [3][]float64{
		{-cos, -sin, at.Y.Um(), -float64(nominal.X)},
		{sin, -cos, -at.X.Um(), -float64(nominal.Y)},
		{0, 0, -deg, 0},
	}
	edges := propagate(toPlate, func(i, j int) float64 { return p.cov[i][j] })
	marks := propagate(toPose, func(i, j int) float64 { return f.Cov[i][j] })
	terms := []term{{by, edges}, {"marks", marks}}

	// What the scope file states. An error of scale stretches the offset itself and, on a
	// perspective scope, an error of height moves the plate away from the optical axis.
	uScale := sc.UScalePercent / 100
	terms = append(terms, diagonal("scale of the scope", uScale*o.XUm, uScale*o.YUm))
	k := 0.0
	if sc.Camera == scope.Perspective {
		k = sc.UHeightMm / (sc.WorkingDistanceMm - topMm)
		ax, ay := float64(p.centre.X)*k, float64(p.centre.Y)*k
		terms = append(terms, diagonal("height of the plate", cos*ax+sin*ay, cos*ay-sin*ax))
	}
	terms = append(terms, axisTerm(sc, bias, reversed, topMm, pose.Turn))
	combine(o, terms)
	// Both stretch the sides themselves.
	stretch := math.Hypot(uScale, k)
	o.UWidthUm, o.UHeightUm = math.Hypot(o.UWidthUm, stretch*o.WidthUm), math.Hypot(o.UHeightUm, stretch*o.HeightUm)
	return o
}

// axisTerm is what the optical axis adds for a sample turned under the scope: the uncertainty of its
// bias where a reversal found that, else that of its tilt.
func axisTerm(sc *scope.Scope, bias scope.Bias, reversed bool, topMm float64, turn geom.Angle) term {
	if !reversed {
		lean := topMm * 1000 * math.Tan((geom.Angle(sc.UTiltDeg) * geom.Degree).Rad())
		return diagonal("optical axis", lean, lean)
	}
	sin, cos := math.Sincos(turn.Rad())
	toBias := [3][]float64{{cos * bias.UX, sin * bias.UY}, {-sin * bias.UX, cos * bias.UY}, {}}
	return term{"bias of the scope", propagate(toBias, unit)}
}

// combine adds terms up to an offset's covariance, budget and standard uncertainties.
func combine(o *reading.Offset, terms []term) {
	for _, t := range terms {
		for i := range 3 {
			for j := range 3 {
				o.Cov[i][j] += t.cov[i][j]
			}
		}
		b := reading.Term{Name: t.name, XUm: math.Sqrt(t.cov[0][0]), YUm: math.Sqrt(t.cov[1][1]), ThetaDeg: math.Sqrt(t.cov[2][2])}
		if b.XUm > 0 || b.YUm > 0 || b.ThetaDeg > 0 {
			o.Budget = append(o.Budget, b)
		}
	}
	slices.SortStableFunc(o.Budget, func(a, b reading.Term) int {
		switch x, y := a.XUm+a.YUm, b.XUm+b.YUm; {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	o.UXUm, o.UYUm, o.UTheta = math.Sqrt(o.Cov[0][0]), math.Sqrt(o.Cov[1][1]), math.Sqrt(o.Cov[2][2])
}

type term struct {
	name string
	cov  [3][3]float64 // of (X µm, Y µm, theta degrees)
}

func diagonal(name string, ux, uy float64) term {
	return term{name, [3][3]float64{{ux * ux, 0, 0}, {0, uy * uy, 0}, {}}}
}

// unit is the covariance of independent values in units of their standard uncertainties.
func unit(i, k int) float64 {
	if i == k {
		return 1
	}
	return 0
}

// propagate returns J C Jᵀ for the rows of J.
func propagate(j [3][]float64, c func(i, k int) float64) (out [3][3]float64) {
	for a := range 3 {
		for b := range 3 {
			for i, x := range j[a] {
				for k, y := range j[b] {
					out[a][b] += x * c(i, k) * y
				}
			}
		}
	}
	return out
}
