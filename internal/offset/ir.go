package offset

import (
	"errors"
	"fmt"
	"math"

	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

const (
	// siliconScale is how well marks on silicon and the scope's distortion keep the drawn scale
	// beyond what the scope file states (common practice, no source).
	siliconScale = 1e-4
	// scaleOff is the share by which the die's marks must miss their drawn distance before the
	// scope's calibration is in doubt.
	scaleOff = 1e-3
)

// DieIR measures a die by its own marks, seen through the silicon in the infrared, against the
// substrate's. It returns the offset and sentences about what was unusual.
//
// Silicon doesn't shrink as ceramic and laminate do, so its marks are taken to be as far apart as
// drawn. It returns a *reading.Refusal as error when fewer than two of them can be seen.
func DieIR(src fit.Source, p *part.Part, sc *scope.Scope, f *fiducial.Found) (*reading.Offset, []string, error) {
	d := p.Die
	nominalTurn := geom.Angle(d.ThetaDeg) * geom.Degree
	found, err := fiducial.FindNear(src, d.Marks, sc, fiducial.Vicinity{
		Pose:  geom.Pose{Origin: f.Pose.ToScope(d.Centre()), Turn: f.Pose.Turn + nominalTurn, Scale: 1},
		Shift: dieShift, Turn: dieTurn,
		UScale: math.Hypot(siliconScale, sc.UScalePercent/100),
	})
	if hidden, ok := errors.AsType[*reading.Refusal](err); ok && hidden.Gate == "fiducials-hidden" {
		seen := int(hidden.Got)
		if seen < 2 && !outlineSeen(src, d, sc, f) {
			seen = 0 // what looks like a mark is none
		}
		return nil, nil, dieMarksHidden(seen, len(d.Marks.At))
	}
	if err != nil {
		return nil, nil, fmt.Errorf("die: %w", err)
	}
	if used(found) == 2 && len(d.Marks.At) > 2 && !outlineSeen(src, d, sc, f) {
		return nil, nil, dieMarksHidden(0, len(d.Marks.At)) // grain that looks like two marks
	}

	at := plate{rectangle: rectangle{centre: found.Pose.Origin, turn: found.Pose.Turn}}
	for i := range 3 {
		copy(at.cov[i][:3], found.Cov[i][:3])
	}
	o := at.offset(d.Centre(), nominalTurn, sc, d.Marks.PlaneMm, f, "marks of the die")
	o.Of = "die"
	o.Marks = found.Read(sc.Plane(src.Gray.W, src.Gray.H, d.Marks.PlaneMm))
	if d.Bumps != nil {
		o.Bump = worstBump(d, o, f.Pose.Scale)
	}
	warnings := found.Warnings
	if off := found.Pose.Scale - 1; math.Abs(off) > scaleOff+2*math.Sqrt(found.Cov[3][3]) {
		warnings = append(warnings, fmt.Sprintf("the die's marks lie %.2f %% farther apart than drawn, which silicon doesn't: check the scope's calibration and that this is the right part", 100*off))
	}
	return o, warnings, nil
}

func used(f *fiducial.Found) (n int) {
	for _, m := range f.Marks {
		if m.Used {
			n++
		}
	}
	return n
}

// outlineSeen reports whether something of the die's size lies near its place: silicon dims what it
// covers, and its saw line is dark.
func outlineSeen(src fit.Source, d *part.Die, sc *scope.Scope, f *fiducial.Found) bool {
	drawn := rectangle{
		centre: f.Pose.ToScope(d.Centre()), turn: f.Pose.Turn + geom.Angle(d.ThetaDeg)*geom.Degree,
		width: geom.Length(d.WidthMm) * geom.Millimetre, height: geom.Length(d.HeightMm) * geom.Millimetre,
	}
	plane := sc.Plane(src.Gray.W, src.Gray.H, d.TopMm)
	at := locate(src.Gray, plane, drawn, search{shift: dieShift, turn: dieTurn, size: dieSize, inset: min(drawn.width, drawn.height) / 50})
	seen := 0
	for _, a := range at.agreement {
		if a >= sureAgree { // grain agrees on three of four stations somewhere
			seen++
		}
	}
	return seen >= 3
}

func dieMarksHidden(seen, all int) *reading.Refusal {
	if seen >= 2 {
		return &reading.Refusal{
			Gate: "die-marks-hidden", Got: float64(seen), Limit: float64(all), Unit: "marks",
			Instruction: fmt.Sprintf("%d of the die's %d marks are left to tell where it lies, and they are covered in part or contradict each other: clean the back of the die, change the infrared light if fringes cross the marks, and take the picture again", seen, all),
		}
	}
	if seen == 0 {
		return &reading.Refusal{
			Gate: "no-die", Got: 0, Limit: 2, Unit: "marks",
			Instruction: fmt.Sprintf("none of the die's %d marks can be seen: check that the sample carries a die, that this is the right part, and that the light and the camera are the infrared ones", all),
		}
	}
	return &reading.Refusal{
		Gate: "die-marks-hidden", Got: float64(seen), Limit: 2, Unit: "marks",
		Instruction: fmt.Sprintf("only %d of the die's %d marks can be seen and two are needed: clean the back of the die, raise the infrared light, focus on the marks, and take the picture again", seen, all),
	}
}
