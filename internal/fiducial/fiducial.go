// Package fiducial finds the marks of a part in a picture and says where the drawing frame lies
// in the scope frame.
//
// Marks are found coarsely by correlation with their drawn shape on a shrunk picture, whatever
// their polarity, told from lookalikes by their geometry, and refined on raw pixels.
package fiducial

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"strings"

	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// Found is the marks of a picture and the pose that they give.
type Found struct {
	Marks []Mark // one for each place of the drawing, in its order
	Pose  geom.Pose
	// Cov is the covariance of the pose: origin X and Y in µm, turn in radians, scale, in that order.
	Cov  [4][4]float64
	Blur geom.Length // point spread at the marks, the median

	PlaneMm float64 // height of the marks above the substrate's top surface

	Warnings []string

	uScale float64 // standard uncertainty of a scale known to be 1; 0 for one that isn't known
}

// A Mark is one mark of the drawing as found.
type Mark struct {
	Place part.Place
	Fit   *fit.Mark // nil where none was seen
	Used  bool
	Note  string // why it isn't used

	ResidualX, ResidualY geom.Length // found minus expected, along the drawing's axes
}

// Find finds the marks that the part's drawing places on the substrate. put is how the sample was
// put under the scope, a multiple of 90° counter-clockwise as seen.
//
// It returns a *reading.Refusal as error when fewer than two marks with enough lever can be seen,
// when one lies outside the picture, or when the sample lies the wrong way round.
func Find(src fit.Source, p *part.Part, sc *scope.Scope, put geom.Angle) (*Found, error) {
	m := p.Marks
	if m == nil || len(m.At) < 2 {
		return nil, fmt.Errorf("part %s: the drawing needs at least two marks", p.Name)
	}
	src.Plane = sc.Plane(src.Gray.W, src.Gray.H, m.PlaneMm)
	v := newView(src.Gray, src.Plane, m)
	if !v.holds(m) {
		return nil, &reading.Refusal{
			Gate: "field", Got: float64(min(src.Gray.W, src.Gray.H)), Limit: math.Ceil(sizeMm(m) * 1000 / src.Plane.UmPerPx()), Unit: "px",
			Instruction: fmt.Sprintf("the picture of %d × %d px isn't even as large as a mark: check the picture, and which part and scope it is of", src.Gray.W, src.Gray.H),
		}
	}
	cand, err := v.candidates(m)
	if err != nil {
		return nil, fmt.Errorf("find marks: %w", err)
	}
	c := chooser{part: p, view: v, cand: cand, put: put}
	g, err := c.choose()
	if err != nil {
		if turned, ok := errors.AsType[*reading.Refusal](err); ok && turned.Gate == gateTurned {
			return nil, err // a pattern turned by 90° may look like itself upright at another scale
		}
		if other := c.otherScale(); other != nil {
			return nil, other
		}
		return nil, err
	}

	f := &Found{Marks: make([]Mark, len(m.At)), PlaneMm: m.PlaneMm}
	pose := coarsePose(m.At, cand, g)
	f.Pose = pose
	out := f.inside(src, m)
	if err := f.settle(src, m, pose, cand, g); err != nil {
		return nil, cmp.Or(out, err)
	}
	if err := f.asLarge(p); err != nil {
		return nil, err
	}
	if err := f.inside(src, m); err != nil {
		return nil, err
	}
	if err := f.sharp(src.Plane.UmPerPx()); err != nil {
		return nil, err
	}
	if err := f.orientation(v, p, g); err != nil {
		return nil, err
	}
	return f, nil
}

// farthestScale is how far the marks' scale may be from 1 on any substrate; ceramic is fired to
// some tenths of a percent. Common practice, no source.
const farthestScale = 0.01

// asLarge refuses marks that lie too far apart or too close together for any substrate of the part.
// What a substrate may shrink is judged later.
func (f *Found) asLarge(p *part.Part) error {
	off := math.Abs(f.Pose.Scale - 1)
	limit := max(farthestScale, 2*p.Limits.ShrinkPercent/100)
	if off <= limit+4*math.Sqrt(f.Cov[3][3]) {
		return nil
	}
	return OtherScale(f.Pose.Scale)
}

// maxBlurPx is from where on the marks are out of focus; common practice, no source. A microscope
// in focus shows a point spread with a sigma of 1 to 2 px. Dust and glints elsewhere may be sharp.
const maxBlurPx = 4.0

func (f *Found) sharp(um float64) error {
	blur := f.Blur.Um() / um
	if blur <= maxBlurPx {
		return nil
	}
	return &reading.Refusal{
		Gate: "defocus", Got: blur, Limit: maxBlurPx, Unit: "px",
		Instruction: fmt.Sprintf("the marks are out of focus, blurred with a sigma of %.1f px: refocus until it is below %.1f px", blur, maxBlurPx),
	}
}

// span returns the largest distance between two places, µm.
func span(places []part.Place) float64 {
	d := 0.0
	for _, a := range places {
		for _, b := range places {
			d = max(d, math.Hypot(a.XMm-b.XMm, a.YMm-b.YMm))
		}
	}
	return 1000 * d
}

func coarsePose(places []part.Place, cand []candidate, g *guess) geom.Pose {
	var obs []observation
	for k, c := range g.seen {
		if c >= 0 {
			w := 1 / (1.01 - math.Abs(cand[c].score))
			obs = append(obs, observation{places[k].Point(), cand[c].at, [2][2]float64{{1 / w, 0}, {0, 1 / w}}})
		}
	}
	pose, _, err := solvePose(obs, 0)
	if err != nil {
		return g.pose
	}
	return pose
}

// settle sees the marks from a coarse pose, fits them with the pose that they give, and solves it. A
// pose wrong by so much that marks turned and scaled with it aren't those in the picture takes another
// round.
func (f *Found) settle(src fit.Source, m *part.Marks, pose geom.Pose, cand []candidate, g *guess) error {
	um := src.Plane.UmPerPx()
	f.see(src, m, pose, cand, g)
	if f.solve(m, um) == nil { // what can't be used is told by the fits proper
		pose = f.Pose
	}
	for again := false; ; again = true {
		f.refine(src, m, pose)
		if err := f.solve(m, um); err != nil {
			return err
		}
		if again || !unlike(pose, f.Pose, m, um) {
			return nil
		}
		pose = f.Pose
	}
}

// unlikePx is by how much a mark's ends may lie elsewhere for two poses to show the same mark.
const unlikePx = 0.05

func unlike(a, b geom.Pose, m *part.Marks, um float64) bool {
	half := sizeMm(m) * 500 / um
	return half*math.Hypot((a.Turn-b.Turn).Rad(), a.Scale-b.Scale) > unlikePx
}

// see fits every mark roughly, those that correlation didn't see too: where a fit makes sense
// beside the others it is used.
func (f *Found) see(src fit.Source, m *part.Marks, pose geom.Pose, cand []candidate, g *guess) {
	shape := f.shape(m, pose)
	var px fit.Pixels
	blur := geom.Length(startBlurPx * src.Plane.UmPerPx())
	for k, pl := range m.At {
		f.Marks[k] = Mark{Place: pl}
		mk := &f.Marks[k]
		at := pose.ToScope(pl.Point())
		if c := g.seen[k]; c >= 0 {
			at = cand[c].at
		}
		px.Reset(at)
		if !px.AddWindow(src, at, window(m, pose, blur), 2) && px.Len() == 0 {
			mk.Note = "outside the picture"
			continue
		}
		ft, err := fit.SeeMark(&px, &shape, pose.Turn, at, blur)
		if err != nil {
			mk.Note = "not seen"
			continue
		}
		mk.use(ft)
		if moved := math.Hypot(float64(ft.Centre.X-at.X), float64(ft.Centre.Y-at.Y)); moved > 0.5*1000*narrowestMm(m) && g.seen[k] < 0 {
			mk.Used, mk.Note = false, "not seen"
		}
	}
	f.samePolarity()
}

// refine fits every mark that was seen on all raw pixels; where the ground rather than noise limits the
// fits, along the outlines.
func (f *Found) refine(src fit.Source, m *part.Marks, pose geom.Pose) {
	shape := f.shape(m, pose)
	px := make([]fit.Pixels, len(f.Marks))
	var seen []int
	var fits []*fit.Mark
	for k := range f.Marks {
		mk := &f.Marks[k]
		if mk.Fit == nil || mk.Note == "not seen" {
			continue
		}
		at := mk.Fit.Centre
		px[k].Reset(at)
		px[k].AddWindow(src, at, window(m, pose, mk.Fit.Blur), 1)
		ft, err := fit.FitMark(&px[k], &shape, pose.Turn, mk.Fit)
		if err != nil {
			*mk = Mark{Place: mk.Place, Note: "not seen"}
			continue
		}
		seen, fits = append(seen, k), append(fits, ft)
	}
	even := fit.Even(fits)
	for i, k := range seen {
		if !even {
			fits[i] = fit.FitOutline(&px[k], &shape, pose.Turn, fits[i], src.Plane.UmPerPx())
		}
		f.Marks[k].use(fits[i])
	}
	f.samePolarity()
}

// use takes a fit, unless it says itself that it is none.
func (mk *Mark) use(ft *fit.Mark) {
	mk.Fit, mk.Used, mk.Note = ft, true, ""
	switch {
	case math.Abs(ft.Contrast) < 5*ft.UContr:
		mk.Used, mk.Note = false, "no contrast"
	case ft.Used < 0.6:
		mk.Used, mk.Note = false, fmt.Sprintf("%.0f %% of it is covered", 100*(1-ft.Used))
	}
}

// startBlurPx is the point spread of a usual picture.
const startBlurPx = 1.2

// window is how far to each side of a mark's centre its picture reaches, blur and ground included.
func window(m *part.Marks, pose geom.Pose, blur geom.Length) geom.Length {
	half := geom.Length(sizeMm(m) * 500)
	if m.Shape == part.Cross || m.Shape == part.Square {
		half *= geom.Length(math.Abs(math.Cos(pose.Turn.Rad())) + math.Abs(math.Sin(pose.Turn.Rad())))
	}
	return half + 7*blur
}

// shape returns the marks as a pose shows them: on silicon, whose scale is known, as drawn.
func (f *Found) shape(m *part.Marks, pose geom.Pose) part.Marks {
	if f.uScale != 0 {
		return *m
	}
	return printed(m, pose.Scale)
}

// printed returns marks as they are on a substrate of a scale: ceramic shrinks with its print.
func printed(m *part.Marks, scale float64) part.Marks {
	p := *m
	p.LengthMm *= scale
	p.ArmWidthMm *= scale
	p.DiameterMm *= scale
	p.InnerMm *= scale
	return p
}

// samePolarity drops marks whose contrast is unlike the others': they are something else.
func (f *Found) samePolarity() {
	var contrast []float64
	for _, m := range f.Marks {
		if m.Used {
			contrast = append(contrast, m.Fit.Contrast)
		}
	}
	if len(contrast) == 0 {
		return
	}
	mid := middle(contrast)
	for i := range f.Marks {
		m := &f.Marks[i]
		if m.Used && (m.Fit.Contrast*mid < 0 || math.Abs(m.Fit.Contrast) < 0.25*math.Abs(mid)) {
			m.Used, m.Note = false, "its brightness is unlike the other marks'"
		}
	}
}

// inside refuses when a mark lies outside the picture: the technician can move the sample.
func (f *Found) inside(src fit.Source, m *part.Marks) error {
	return outside(src.Gray, src.Plane, m, f.Pose)
}

// outside returns a refusal when a pose has marks outside the picture, nil when all are inside.
func outside(g *picture.Gray, plane scope.Plane, m *part.Marks, pose geom.Pose) error {
	var out []string
	um := plane.UmPerPx()
	r := sizeMm(m) * 500 / um
	worst := 0.0
	for _, pl := range m.At {
		at := plane.ToImage(pose.ToScope(pl.Point()))
		beyond := max(r-at.X, r-at.Y, at.X+r-float64(g.W-1), at.Y+r-float64(g.H-1))
		if beyond > 0 {
			out = append(out, pl.Name)
			worst = max(worst, beyond)
		}
	}
	if len(out) == 0 {
		return nil
	}
	return &reading.Refusal{
		Gate: "fiducial-out", Got: worst * um / 1000, Unit: "mm",
		Instruction: fmt.Sprintf("mark %s lies outside the picture: move the sample by %.1f mm and take the picture again",
			strings.Join(out, ", "), math.Ceil(worst*um/100)/10),
	}
}

var errLever = errors.New("the marks lie too close together")
