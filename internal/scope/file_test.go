package scope_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbsquare/internal/scope"
	"plumbsquare/internal/strictyaml"
)

func TestSchemaAndStructAgree(t *testing.T) {
	s, err := strictyaml.ParseSchema([]byte(scope.SchemaJSON))
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range strictyaml.Agree(s, scope.Scope{}) {
		t.Error(d)
	}
}

func TestLoadExamples(t *testing.T) {
	paths, err := filepath.Glob("../../examples/scopes/*.yaml")
	if err != nil || len(paths) == 0 {
		t.Fatal(paths, err)
	}
	for _, path := range paths {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		s, err := scope.Load(data, path)
		if err != nil {
			t.Error(err)
			continue
		}
		if err := s.Check(); err != nil {
			t.Error(err)
		}
		if want := strings.TrimSuffix(filepath.Base(path), ".yaml"); s.Name != want {
			t.Errorf("%s: scope is named %s", path, s.Name)
		}
	}
}

const perspective = `scope: bench-2
um_per_px_x: 12.5
um_per_px_y: 12.51
camera: perspective
working_distance_mm: 110
k1: -0.002
u_scale_percent: 0.02
u_tilt_deg: 0.1
u_height_mm: 0.01
calibrated: 2031-02-03
expires: 2032-02-03
`

func TestLoad(t *testing.T) {
	day := func(y int) time.Time { return time.Date(y, 2, 3, 0, 0, 0, 0, time.UTC) }
	want := &scope.Scope{
		Name: "bench-2", UmPerPxX: 12.5, UmPerPxY: 12.51, Camera: scope.Perspective, WorkingDistanceMm: 110, K1: -0.002,
		UScalePercent: 0.02, UTiltDeg: 0.1, UHeightMm: 0.01, Calibrated: day(2031), Expires: day(2032),
	}
	got, err := scope.Load([]byte(perspective), "f")
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Hash) != 64 {
		t.Errorf("hash %q", got.Hash)
	}
	got.Hash = ""
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
}

func TestLoadSaysWhatIsWrong(t *testing.T) {
	for _, tt := range []struct{ name, old, new, want string }{
		{"no distance", "working_distance_mm: 110\n", "", `f:1:1: working_distance_mm: missing: a perspective camera needs`},
		{"camera", "perspective", "Perspectiv", `f:4:9: camera: want one of telecentric, perspective, got "Perspectiv"; did you mean perspective?`},
		{"scale", "um_per_px_x: 12.5", "um_per_px_x: -12.5", `f:2:14: um_per_px_x: want a number in µm per pixel above 0, at most 1000, got -12.5`},
		{"old key", "um_per_px_x: 12.5", "um_per_px: 12.5", `f:2:1: um_per_px: unknown key; did you mean um_per_px_x?`},
		{"slipped digit", "12.51", "125.1", `f:3:14: um_per_px_y: 125.1 µm per pixel against 12.5 along x`},
		{"date", "2031-02-03", "3 February 2031", `f:10:13: calibrated: want a date as 2031-03-04, got "3 February 2031"`},
		{"dates reversed", "2032-02-03", "2030-02-03", `f:11:10: expires: the calibration expires on 2030-02-03, not after`},
		{"negative u", "u_tilt_deg: 0.1", "u_tilt_deg: -0.1", `f:8:13: u_tilt_deg: want a number in degrees from 0 to 10, got -0.1`},
		{"k1 that folds the picture", "-0.002", "-0.2", `f:6:5: k1: want a number from -0.15 to 0.5, got -0.2`},
		{"bias without height", "u_tilt_deg: 0.1", "bias_x_um: 2", `f:1:1: bias_height_mm: missing: bias_x_um needs the height`},
		{"no expiry", "expires: 2032-02-03\n", "", `f:1:1: expires: missing: want a date as 2031-03-04`},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, err := scope.Load([]byte(strings.Replace(perspective, tt.old, tt.new, 1)), "f")
			if err == nil || !strings.HasPrefix(err.Error(), tt.want) || strings.Contains(err.Error(), "\n") {
				t.Errorf("got  %v\nwant %s", err, tt.want)
			}
		})
	}
}

func TestYAMLIsReadBackTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		day := time.Date(2000, 1, 1+rapid.IntRange(0, 30000).Draw(t, "day"), 0, 0, 0, 0, time.UTC)
		x := rapid.Float64Range(0.01, 800).Draw(t, "um_per_px_x")
		want := &scope.Scope{
			Name:     rapid.StringMatching(`[A-Za-z0-9][A-Za-z0-9._-]{0,20}`).Draw(t, "name"),
			UmPerPxX: x, UmPerPxY: x * rapid.Float64Range(0.9, 1.1).Draw(t, "ratio"),
			Camera:            rapid.SampledFrom([]scope.Camera{scope.Telecentric, scope.Perspective}).Draw(t, "camera"),
			WorkingDistanceMm: rapid.Float64Range(1e-9, 1e6).Draw(t, "wd"),
			K1:                rapid.Float64Range(-0.15, 0.5).Draw(t, "k1"),
			UScalePercent:     rapid.Float64Range(0, 10).Draw(t, "u_scale"),
			UTiltDeg:          rapid.Float64Range(0, 10).Draw(t, "u_tilt"),
			UHeightMm:         rapid.Float64Range(0, 10).Draw(t, "u_height"),
			UStageUm:          rapid.Float64Range(0, 50).Draw(t, "u_stage"),
			Calibrated:        day, Expires: day.AddDate(0, 0, rapid.IntRange(1, 4000).Draw(t, "days")),
		}
		if rapid.Bool().Draw(t, "reversed") {
			want.BiasXUm, want.UBiasXUm = rapid.Float64Range(-90, 90).Draw(t, "bias_x"), rapid.Float64Range(0, 9).Draw(t, "u_bias_x")
			want.BiasYUm, want.UBiasYUm = rapid.Float64Range(-90, 90).Draw(t, "bias_y"), rapid.Float64Range(0, 9).Draw(t, "u_bias_y")
			want.BiasHeightMm = rapid.Float64Range(0.01, 9).Draw(t, "bias_height")
		}
		data, err := want.YAML()
		if err != nil {
			t.Fatal(err)
		}
		got, err := scope.Load(data, "f")
		if err != nil {
			t.Fatal(err)
		}
		got.Hash = ""
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("-want +got\n%s\n%s", d, data)
		}
	})
}

func TestYAMLRefusesWhatLoadWould(t *testing.T) {
	if data, err := (&scope.Scope{Name: "x", UmPerPxX: 1, UmPerPxY: 1, Camera: scope.Telecentric}).YAML(); err == nil {
		t.Errorf("no error without dates:\n%s", data)
	}
}

func TestExpiredOn(t *testing.T) {
	s := scope.Scope{Expires: time.Date(2031, 3, 4, 0, 0, 0, 0, time.UTC)}
	east := time.FixedZone("east", 9*3600)
	for _, tt := range []struct {
		now  time.Time
		want bool
	}{
		{time.Date(2031, 3, 4, 23, 59, 0, 0, time.UTC), false},
		{time.Date(2031, 3, 5, 0, 0, 0, 0, time.UTC), true},
		{time.Date(2031, 3, 4, 23, 59, 0, 0, east), false},
		{time.Date(2031, 3, 5, 0, 1, 0, 0, east), true}, // still the 4th in UTC
	} {
		if got := s.ExpiredOn(tt.now); got != tt.want {
			t.Errorf("%v: got %v, want %v", tt.now, got, tt.want)
		}
	}
}

func FuzzLoad(f *testing.F) {
	f.Add([]byte(perspective))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := scope.Load(data, "f")
		if err != nil {
			return
		}
		if err := s.Check(); err != nil {
			t.Errorf("loaded, but %v", err)
		}
		if _, err := s.YAML(); err != nil {
			t.Errorf("loaded, but can't be written: %v", err)
		}
	})
}
