package accuracy

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbsquare/internal/batch"
	"plumbsquare/internal/intake"
	"plumbsquare/internal/part"
)

const pictures = "../../testdata/images"

// A sidecar is what testdata/images tells of a picture; its README describes it.
type sidecar struct {
	Source  string  `json:"source"`
	View    string  `json:"view"`
	UmPerPx float64 `json:"um_per_px"`
	LeverUm float64 `json:"lever_um"`
	Retake  string  `json:"retake"`
	Offset  *struct {
		X     float64 `json:"x_um"`
		Y     float64 `json:"y_um"`
		Theta float64 `json:"theta_deg"`
	} `json:"offset"`
	Sites string `json:"sites"`
}

func readSidecars(t *testing.T) (truths []Truth) {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(pictures, "*.truth.json"))
	if err != nil {
		t.Fatal(err)
	}
	for _, file := range files {
		f, err := os.Open(file)
		if err != nil {
			t.Fatal(err)
		}
		var s sidecar
		d := json.NewDecoder(f)
		d.DisallowUnknownFields()
		if err := d.Decode(&s); err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		f.Close()
		nan := math.NaN()
		truth := Truth{Image: strings.TrimSuffix(filepath.Base(file), ".truth.json"), View: s.View, Reason: s.Retake,
			UmPerPx: s.UmPerPx, LeverUm: s.LeverUm, Offset: [3]float64{nan, nan, nan}, Bound: [3]float64{nan, nan, nan}, BoundKnown: [3]float64{nan, nan, nan}}
		if truth.LeverUm == 0 {
			truth.LeverUm = defaultLeverUm
		}
		if s.Retake != "" {
			truth.View = "retake"
		}
		if o := s.Offset; o != nil {
			truth.Offset = [3]float64{o.X, o.Y, o.Theta}
		}
		if s.Sites != "" {
			if truth.Sites, err = readSites(filepath.Join(pictures, s.Sites)); err != nil {
				t.Fatal(err)
			}
		}
		truths = append(truths, truth)
	}
	return truths
}

// The readings of the pictures in testdata/images are held against their truth. Limits, from the
// goals of the program: no error of X, Y, θ beyond 0.2 px, their RMS at most 0.1 px; no value off by
// more than 4 stated standard uncertainties (of 30 normal values one run in five hundred would have
// one); no missing site overlooked, none falsely called, no leaning column either; tips within
// 0.1 px RMS an axis, tilts within 0.15° RMS; unusable pictures refused for their reason.
func TestPictures(t *testing.T) {
	truths := readSidecars(t)
	if len(truths) < 12 {
		t.Fatalf("only %d pictures", len(truths))
	}
	var o intake.Options
	var library intake.Library
	if err := o.Bench(&library, filepath.Join(pictures, "station.yaml")); err != nil {
		t.Fatal(err)
	}
	shots, errs := intake.Gather([]string{pictures}, o)
	jobs, more := library.Jobs(shots)
	for _, err := range append(errs, more...) {
		t.Error(err)
	}
	var answers []Answer
	err := batch.Run(context.Background(), jobs, batch.Options{Today: today}, func(r batch.Result) error {
		if r.Err != nil {
			t.Error(r.Err)
		}
		answers = append(answers, Answer{r, stem(r.Job.Path)})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	measured := Results(answers)
	for _, truth := range truths {
		t.Run(truth.Image, func(t *testing.T) { holdPicture(t, truth, measured) })
	}
	scores, _ := Compare(truths, measured)
	all := scores[0]
	for i, c := range all.Components {
		if px := rms(c.Px); px > 0.1 {
			t.Errorf("%s is off by %.3g px RMS over all pictures", components[i].name, px)
		}
	}
	if tip := rms(all.SitePx) / math.Sqrt2; tip > goalTipPx {
		t.Errorf("tips are off by %.3g px RMS an axis over all pictures", tip)
	}
	if tilt := rms(all.TiltErr); tilt > goalTiltDeg {
		t.Errorf("tilts are off by %.3g° RMS over all pictures", tilt)
	}
}

func holdPicture(t *testing.T, truth Truth, measured map[string]Measured) {
	scores, retakes := Compare([]Truth{truth}, measured)
	if truth.View == "retake" {
		if retakes.RightReason != 1 {
			t.Errorf("got %s %q, want retake for %q", measured[truth.Image].Verdict, measured[truth.Image].Reason, truth.Reason)
		}
		return
	}
	s := scores[0]
	if s.Measured != 1 {
		t.Fatalf("not measured: refused %v, lost %v", s.Refused, s.Lost)
	}
	const worstPx, worstU = 0.2, 4
	for i, c := range s.Components {
		for j := range c.Err {
			if math.Abs(c.Px[j]) > worstPx {
				t.Errorf("%s is off by %.3g %s, %.3g px", components[i].name, c.Err[j], components[i].unit, c.Px[j])
			}
			if c.BadU > 0 || math.Abs(c.Pull[j]) > worstU {
				t.Errorf("%s is off by %.3g %s, more than %d stated uncertainties: %.3g", components[i].name, c.Err[j], components[i].unit, worstU, c.Pull[j])
			}
		}
	}
	if truth.Sites == nil {
		return
	}
	if len(s.Overlooked)+len(s.FalseMissing)+s.Unreported > 0 {
		t.Errorf("overlooked %v, falsely called missing %v, unreported %d", s.Overlooked, s.FalseMissing, s.Unreported)
	}
	if s.TiltedFound != s.Tilted || s.TiltFalse > 0 {
		t.Errorf("%d of %d leaning columns found, %d falsely called", s.TiltedFound, s.Tilted, s.TiltFalse)
	}
}

// The truth must fit the part files: every site by the same name, in the order of the drawing.
func TestSitesFitTheirParts(t *testing.T) {
	for name, file := range map[string]string{"tern-col-001": "../../examples/parts/tern.yaml", "wren-ball-002": "../../examples/parts/wren.yaml",
		"linnet-column-012": "../part/testdata/linnet.yaml"} {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		p, err := part.Load(b, file)
		if err != nil {
			t.Fatal(err)
		}
		want, err := p.Array.Sites()
		if err != nil {
			t.Fatal(err)
		}
		got, err := readSites(filepath.Join(pictures, name+".sites.csv"))
		if err != nil {
			t.Fatal(err)
		}
		if len(got) != len(want) {
			t.Fatalf("%s: %d sites, the part has %d", name, len(got), len(want))
		}
		for i := range got {
			if got[i].Name != want[i].Name {
				t.Fatalf("%s: site %d is %s, the part says %s", name, i, got[i].Name, want[i].Name)
			}
		}
	}
}
