// Package measure takes one shot from its decoded picture to a reading with its verdict.
package measure

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"time"

	"plumbsquare/internal/column"
	"plumbsquare/internal/cv"
	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/offset"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/verdict"
)

// A Job is one shot to measure.
type Job struct {
	Picture string // path of the picture file, for the record
	SHA256  string // of the picture file's bytes, hexadecimal
	Part    *part.Part
	Scope   *scope.Scope
	Shot    reading.Shot // View must be set
	Program string       // version of the program
	Today   time.Time    // the day against which the scope's expiry is held
}

// Shot measures a picture. A picture that can't be measured gives a reading whose verdict is
// retake, with the refusal; an error means that the job itself is wrong (no such view, the part
// lacks what the view needs).
func Shot(g *picture.Gray, j Job) (*reading.Reading, error) {
	if err := check(j); err != nil {
		return nil, err
	}
	r := begin(g, j)
	noise := picture.EstimateNoise(g)
	quality, refusal := picture.Check(g, noise)
	r.Quality = quality
	if refusal != nil {
		return refuse(r, refusal), nil
	}

	var err error
	switch j.Shot.View {
	case reading.DiePlan:
		err = dieBy(r, fit.Source{Gray: g, Noise: noise}, j)
	case reading.DieIR:
		err = dieIRBy(r, fit.Source{Gray: g, Noise: noise}, j)
	case reading.CapPlan:
		err = capBy(r, fit.Source{Gray: g, Noise: noise}, j)
	default:
		err = arrayBy(r, g, noise, j)
	}
	if refusal, ok := errors.AsType[*reading.Refusal](err); ok {
		return refuse(r, refusal), nil
	}
	if err != nil {
		return nil, err
	}
	r.Verdict = verdict.Judge(r, j.Part, doubts(j))
	return r, nil
}

// begin returns the reading of a job before anything is measured.
func begin(g *picture.Gray, j Job) *reading.Reading {
	return &reading.Reading{
		Schema: reading.Schema,
		Source: reading.Source{
			Picture: j.Picture, SHA256: j.SHA256,
			Part: j.Part.Name, PartHash: j.Part.Hash, Scope: j.Scope.Name, ScopeHash: j.Scope.Hash,
			Program: j.Program, OpenCV: cv.Version(),
			WidthPx: g.W, HeightPx: g.H, BitsPerPx: bits.Len(uint(g.FullScale)),
		},
		Shot: j.Shot,
	}
}

func refuse(r *reading.Reading, why *reading.Refusal) *reading.Reading {
	r.Refusal = why
	r.Verdict = reading.Verdict{Decision: reading.Retake}
	return r
}

// Check returns what is wrong with a job, whatever its picture is: part and scope must hold what the
// view needs.
func (j Job) Check() error { return check(j) }

// check says whether part and scope hold what the view needs.
func check(j Job) error {
	if err := j.Scope.Check(); err != nil {
		return err
	}
	lacks := func(what string) error {
		return fmt.Errorf("part %s has no %s in its part file, which view %s needs", j.Part.Name, what, j.Shot.View)
	}
	if j.Shot.Stage != nil && j.Shot.View != reading.DiePlan {
		return fmt.Errorf("only a die seen from above (die-plan) is measured from corner shots; view %s takes one picture of the whole: take it at a lower magnification, and leave the stage coordinates out of its particulars", j.Shot.View)
	}
	switch j.Shot.View {
	case reading.DiePlan:
		if j.Part.Marks == nil {
			return lacks("marks")
		}
		if j.Part.Die == nil {
			return lacks("die")
		}
	case reading.ColumnPlan, reading.ColumnSide:
		if j.Part.Array == nil || j.Part.Array.Kind != "columns" {
			return lacks("array of columns")
		}
	case reading.BallPlan:
		if j.Part.Array == nil || j.Part.Array.Kind != "balls" {
			return lacks("array of balls")
		}
	case reading.DieIR:
		if j.Part.Marks == nil {
			return lacks("marks")
		}
		if j.Part.Die == nil || j.Part.Die.Marks == nil {
			return lacks("die with marks of its own")
		}
	case reading.CapPlan:
		if j.Part.Cap == nil {
			return lacks("cap")
		}
		if j.Part.Cap.Datum == "marks" && j.Part.Marks == nil {
			return lacks("marks")
		}
	case "":
		return errors.New("the view of the picture isn't known: say --view, or give it in traveler.csv")
	default:
		return fmt.Errorf("there is no view %q: it must be one of %v", j.Shot.View, reading.Views)
	}
	return nil
}

// doubts are what holds a verdict at review whatever the values say.
func doubts(j Job) []string {
	if j.Scope.ExpiredOn(j.Today) {
		return []string{fmt.Sprintf("the calibration of scope %s ran out on %s: calibrate it before this reading counts",
			j.Scope.Name, j.Scope.Expires.Format(time.DateOnly))}
	}
	return nil
}

func dieBy(r *reading.Reading, src fit.Source, j Job) error {
	found, err := fiducial.Find(src, j.Part, j.Scope, geom.Angle(j.Shot.TurnDeg)*geom.Degree)
	if err != nil {
		return err
	}
	r.Substrate = substrate(found, j.Scope.Plane(src.Gray.W, src.Gray.H, j.Part.Marks.PlaneMm))
	r.Warnings = found.Warnings
	r.Offset, err = offset.Die(src, j.Part, j.Scope, found)
	if size, ok := errors.AsType[*reading.Refusal](err); ok && size.Gate == "die-size" && scaleOff(found, j.Part) {
		return fiducial.OtherScale(found.Pose.Scale)
	}
	return err
}

// scaleOff reports whether the marks' scale is beyond what the substrate may shrink. When the die
// isn't as large as drawn either, the scope's scale is what both have in common.
func scaleOff(f *fiducial.Found, p *part.Part) bool {
	limit := p.Limits.ShrinkPercent / 100
	return limit > 0 && math.Abs(f.Pose.Scale-1) > limit+2*math.Sqrt(f.Cov[3][3])
}

func dieIRBy(r *reading.Reading, src fit.Source, j Job) error {
	found, err := fiducial.Find(src, j.Part, j.Scope, geom.Angle(j.Shot.TurnDeg)*geom.Degree)
	if err != nil {
		return err
	}
	r.Substrate = substrate(found, j.Scope.Plane(src.Gray.W, src.Gray.H, j.Part.Marks.PlaneMm))
	var unusual []string
	r.Offset, unusual, err = offset.DieIR(src, j.Part, j.Scope, found)
	r.Warnings = append(found.Warnings, unusual...)
	return err
}

func capBy(r *reading.Reading, src fit.Source, j Job) error {
	plane, turn := j.Scope.Plane(src.Gray.W, src.Gray.H, 0), geom.Angle(j.Shot.TurnDeg)*geom.Degree
	var datum *fiducial.Found
	if j.Part.Cap.Datum == "marks" {
		found, err := fiducial.Find(src, j.Part, j.Scope, turn)
		if err != nil {
			return err
		}
		plane = j.Scope.Plane(src.Gray.W, src.Gray.H, j.Part.Marks.PlaneMm)
		datum, r.Substrate = found, substrate(found, plane)
	} else {
		outline, err := offset.FindOutline(src, j.Part, j.Scope, turn)
		if err != nil {
			return err
		}
		datum, r.Substrate = &outline.Found, substrate(&outline.Found, plane)
		r.Substrate.Edges = outline.Edges
	}
	r.Warnings = datum.Warnings
	var err error
	r.Offset, err = offset.Cap(src, j.Part, j.Scope, datum)
	return err
}

// substrate reports the marks and their pose in the reading's form.
func substrate(f *fiducial.Found, plane scope.Plane) *reading.Substrate {
	at := plane.ToImage(f.Pose.Origin)
	s := &reading.Substrate{
		OriginXPx: at.X, OriginYPx: at.Y,
		TurnDeg: f.Pose.Turn.Deg(), UTurnDeg: geom.Angle(math.Sqrt(f.Cov[2][2])).Deg(),
		Scale: f.Pose.Scale, UScale: math.Sqrt(f.Cov[3][3]),
	}
	s.Marks = f.Read(plane)
	return s
}

func arrayBy(r *reading.Reading, g *picture.Gray, n picture.Noise, j Job) error {
	var res *column.Result
	var err error
	put := geom.Angle(j.Shot.TurnDeg) * geom.Degree
	switch j.Shot.View {
	case reading.ColumnSide:
		res, err = column.Side(g, n, j.Part, j.Scope, put)
	case reading.BallPlan:
		res, err = column.Ball(g, n, j.Part, j.Scope, put)
	default:
		res, err = column.Plan(g, n, j.Part, j.Scope, put)
	}
	if err != nil {
		return err
	}
	r.Substrate, r.Array, r.Warnings = res.Substrate, res.Array, res.Warnings
	if res.BlurPx > 0 {
		r.Quality.BlurPx = res.BlurPx
	}
	return nil
}
