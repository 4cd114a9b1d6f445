package measure

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

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

// MostCorners is how many corner shots of a die are measured together.
const MostCorners = 4

// Corners measures a die too large for one picture from two to four shots of its corners into one
// reading. The jobs are of one sample, part and scope; each shot has its stage place. The reading's
// source names all pictures; image places are in its looks, each in its own picture.
//
// An error means that the jobs are wrong: not one sample, no stage place, no statement of how good
// the stage is.
func Corners(gs []*picture.Gray, jobs []Job) (*reading.Reading, error) {
	if len(gs) != len(jobs) {
		return nil, fmt.Errorf("%d pictures for %d corners", len(gs), len(jobs))
	}
	if err := CheckCorners(jobs); err != nil {
		return nil, err
	}
	first := jobs[0]
	r := begin(gs[0], first)
	var names, sums []string
	shots := make([]fiducial.Shot, len(jobs))
	for k, j := range jobs {
		names, sums = append(names, j.Picture), append(sums, j.SHA256)
		r.Looks = append(r.Looks, reading.Look{
			Name: fmt.Sprintf("corner %d", k+1), Picture: j.Picture, SHA256: j.SHA256,
			Scope: j.Scope.Name, ScopeHash: j.Scope.Hash, View: j.Shot.View, TurnDeg: j.Shot.TurnDeg,
			Corner: &reading.Corner{Stage: *j.Shot.Stage},
		})
	}
	r.Source.Picture, r.Source.SHA256 = strings.Join(names, " + "), JointSHA256(sums)
	r.Shot.Stage = nil
	for k, j := range jobs {
		noise := picture.EstimateNoise(gs[k])
		quality, refusal := picture.Check(gs[k], noise)
		r.Quality = quality
		if refusal != nil {
			named := *refusal
			named.Instruction = filepath.Base(j.Picture) + ": " + refusal.Instruction
			return refuse(r, &named), nil
		}
		shots[k] = fiducial.Shot{
			Source: fit.Source{Gray: gs[k], Noise: noise}, Name: filepath.Base(j.Picture),
			Stage: geom.ScopePoint{X: geom.Length(j.Shot.Stage.XMm) * geom.Millimetre, Y: geom.Length(j.Shot.Stage.YMm) * geom.Millimetre},
		}
	}

	found, err := fiducial.FindAcross(shots, first.Part, first.Scope, geom.Angle(first.Shot.TurnDeg)*geom.Degree)
	var joint *offset.Joint
	if err == nil {
		joint, err = place(shots, first.Part, first.Scope, found)
	}
	if refusal, ok := errors.AsType[*reading.Refusal](err); ok {
		return refuse(r, refusal), nil
	}
	if err != nil {
		return nil, err
	}
	r.Substrate = substrate(&fiducial.Found{Pose: joint.Pose, Cov: joint.PoseCov}, first.Scope.Plane(gs[0].W, gs[0].H, first.Part.Marks.PlaneMm))
	r.Substrate.OriginXPx, r.Substrate.OriginYPx = 0, 0
	r.Offset = joint.Offset
	for k := range joint.Corners {
		joint.Corners[k].Stage = *jobs[k].Shot.Stage
		r.Looks[k].Corner = &joint.Corners[k]
	}
	r.Verdict = verdict.Judge(r, first.Part, doubts(first))
	return r, nil
}

// place solves for the die. Where the marks that were seen may be others, only one choice may have the
// die beside them.
func place(shots []fiducial.Shot, p *part.Part, sc *scope.Scope, found *fiducial.Across) (*offset.Joint, error) {
	joint, err := offset.Corners(shots, p, sc, found)
	for _, other := range found.Elsewhere(p) {
		again, otherwise := offset.Corners(shots, p, sc, other)
		switch {
		case joint != nil && again != nil:
			return nil, &reading.Refusal{Gate: "stage", Instruction: "it can't be told which of the marks are seen, since the die fits beside either: take pictures of two corners that face each other"}
		case again != nil:
			joint, err = again, nil
		case joint == nil && gate(err) == "no-die":
			err = otherwise
		}
	}
	return joint, err
}

// gate returns by which gate an error refuses; empty for one that doesn't.
func gate(err error) string {
	if r, ok := errors.AsType[*reading.Refusal](err); ok {
		return r.Gate
	}
	return ""
}

// JointSHA256 tells what several pictures give together from other readings: the SHA-256 of the
// pictures' SHA-256, one after the other in hexadecimal.
func JointSHA256(sums []string) string {
	sum := sha256.Sum256([]byte(strings.Join(sums, "")))
	return hex.EncodeToString(sum[:])
}

// CheckCorners reports why jobs can't be measured together by [Corners].
func CheckCorners(jobs []Job) error {
	for _, j := range jobs {
		if err := check(j); err != nil {
			return fmt.Errorf("%s: %w", j.Picture, err)
		}
	}
	if len(jobs) < 2 || len(jobs) > MostCorners {
		return fmt.Errorf("a die in corner shots takes two to four pictures, there are %d", len(jobs))
	}
	for _, j := range jobs {
		switch {
		case j.Shot.Stage == nil:
			return fmt.Errorf("%s: it has no stage place (stage_x_mm, stage_y_mm in the traveler), the other pictures of its sample have", j.Picture)
		case j.Scope.UStageUm <= 0:
			return fmt.Errorf("scope %s: u_stage_um is missing from its file: state how good the stage's coordinates are", j.Scope.Name)
		case j.Part.Hash != jobs[0].Part.Hash || j.Scope.Hash != jobs[0].Scope.Hash || j.Shot.TurnDeg != jobs[0].Shot.TurnDeg:
			return fmt.Errorf("%s: part, scope and turn_deg must be those of the sample's first picture", j.Picture)
		}
	}
	return nil
}
