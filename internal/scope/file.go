package scope

import (
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"plumbsquare/internal/strictyaml"
)

// SchemaJSON is the JSON Schema of scope files.
//
//go:embed schema.json
var SchemaJSON string

var schema = sync.OnceValues(func() (*strictyaml.Schema, error) {
	return strictyaml.ParseSchema([]byte(SchemaJSON))
})

// Load reads a scope file. fileName is the name for messages. The error, a *strictyaml.Error,
// holds all that is wrong in the file, each with its line and column.
func Load(data []byte, fileName string) (*Scope, error) {
	sch, err := schema()
	if err != nil {
		return nil, err
	}
	s := new(Scope)
	doc := strictyaml.Decode(fileName, data, sch, s)
	s.checkFile(doc)
	if err := doc.Err(); err != nil {
		return nil, err
	}
	sum := sha256.Sum256(data)
	s.Hash = hex.EncodeToString(sum[:])
	return s, nil
}

// checkFile adds what is wrong between values that are each right.
func (s *Scope) checkFile(doc *strictyaml.Document) {
	if doc.Sound("camera") && s.Camera == Perspective && !doc.Has("working_distance_mm") {
		doc.Problemf("working_distance_mm", "missing: a perspective camera needs the distance from its pinhole to the substrate's top surface")
	}
	// Pixels and optics are a few percent from square at most (common practice, no source);
	// more is a slipped digit.
	const mostRatio = 1.2
	if x, y := s.UmPerPxX, s.UmPerPxY; doc.Sound("um_per_px_x", "um_per_px_y") && max(x/y, y/x) > mostRatio {
		doc.Problemf("um_per_px_y", "%g µm per pixel against %g along x: pixels are nearly square; is a digit wrong?", y, x)
	}
	for _, key := range [...]string{"bias_x_um", "bias_y_um", "u_bias_x_um", "u_bias_y_um"} {
		if doc.Has(key) && !doc.Has("bias_height_mm") {
			doc.Problemf("bias_height_mm", "missing: %s needs the height above the marks at which it was found", key)
			break
		}
	}
	if doc.Sound("calibrated", "expires") && !s.Expires.After(s.Calibrated) {
		doc.Problemf("expires", "the calibration expires on %s, not after the day it was made, %s", s.Expires.Format(time.DateOnly), s.Calibrated.Format(time.DateOnly))
	}
}

// ExpiredOn reports whether the calibration no longer holds at a time. It holds through the
// whole of the day that the file gives, as the calendar stands where the time is.
func (s *Scope) ExpiredOn(now time.Time) bool {
	y, m, d := now.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC).After(s.Expires)
}

// YAML returns the scope as a scope file, numbers in full, so that [Load] gives the same
// scope. It returns an error when Load would refuse the file.
func (s *Scope) YAML() ([]byte, error) {
	var b strings.Builder
	line := func(key, value, comment string) {
		if comment != "" {
			comment = fmt.Sprintf("%*s# %s", max(27-len(key+": "+value), 1), "", comment)
		}
		fmt.Fprintf(&b, "%s: %s%s\n", key, value, comment)
	}
	full := func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }
	optional := func(key string, x float64, comment string) {
		if x != 0 {
			line(key, full(x), comment)
		}
	}
	fmt.Fprintf(&b, "scope: %s\n", strconv.Quote(s.Name))
	line("um_per_px_x", full(s.UmPerPxX), "µm per pixel at the substrate's top surface")
	line("um_per_px_y", full(s.UmPerPxY), "µm per pixel at the substrate's top surface")
	fmt.Fprintf(&b, "camera: %s\n", s.Camera)
	optional("working_distance_mm", s.WorkingDistanceMm, "pinhole to the substrate's top surface")
	optional("k1", s.K1, "radial distortion, r in units of half the picture's width")
	optional("u_scale_percent", s.UScalePercent, "standard uncertainty of the scale")
	optional("u_tilt_deg", s.UTiltDeg, "standard uncertainty of the optical axis")
	optional("u_height_mm", s.UHeightMm, "standard uncertainty of heights")
	optional("u_stage_um", s.UStageUm, "standard uncertainty of each coordinate of the stage")
	if s.BiasHeightMm != 0 {
		line("bias_x_um", full(s.BiasXUm), "shift of a plane at bias_height_mm, found by reversal")
		line("bias_y_um", full(s.BiasYUm), "y up")
		line("u_bias_x_um", full(s.UBiasXUm), "standard uncertainties of the shift")
		line("u_bias_y_um", full(s.UBiasYUm), "")
		line("bias_height_mm", full(s.BiasHeightMm), "above the marks")
	}
	fmt.Fprintf(&b, "calibrated: %s\n", s.Calibrated.Format(time.DateOnly))
	line("expires", s.Expires.Format(time.DateOnly), "last day")
	data := []byte(b.String())
	if _, err := Load(data, "scope "+s.Name); err != nil {
		return nil, err
	}
	return data, nil
}
