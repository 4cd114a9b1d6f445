package intake

import (
	_ "embed"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/strictyaml"
)

// SidecarSuffix after the name of a picture gives the name of its sidecar: a.png has a.png.yaml.
const SidecarSuffix = ".yaml"

const maxSidecarBytes = 1 << 20

// sidecar reads what stands beside a picture; none is no error.
func sidecar(picture string) (Particulars, error) {
	file := picture + SidecarSuffix
	info, err := os.Stat(file)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Particulars{}, nil
	case err != nil:
		return Particulars{}, err
	case info.Size() > maxSidecarBytes:
		return Particulars{}, fmt.Errorf("%s: %d MB are no sidecar", file, info.Size()>>20)
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return Particulars{}, err
	}
	return parseSidecar(file, b)
}

// SchemaJSON is the JSON Schema of sidecars.
//
//go:embed sidecar.schema.json
var SchemaJSON string

var schema = sync.OnceValues(func() (*strictyaml.Schema, error) {
	return strictyaml.ParseSchema([]byte(SchemaJSON))
})

// A sidecarFile is a sidecar as written, keys as the columns of a traveler.
type sidecarFile struct {
	Part         string `yaml:"part"`
	Scope        string `yaml:"scope"`
	View         string `yaml:"view"`
	Lot          string `yaml:"lot"`
	Sample       string `yaml:"sample"`
	Head         string `yaml:"head"`
	Nozzle       string `yaml:"nozzle"`
	PickPosition string `yaml:"pick_position"`
	Operator     string `yaml:"operator"`
	TakenAt      string `yaml:"taken_at"`

	TurnDeg float64       `yaml:"turn_deg"`
	Focus   reading.Focus `yaml:"focus"`
	Stage   *sidecarStage `yaml:"stage"`
}

type sidecarStage struct {
	XMm float64 `yaml:"x_mm"`
	YMm float64 `yaml:"y_mm"`
}

// parseSidecar reads the particulars of one shot. file is the name for messages.
func parseSidecar(file string, b []byte) (Particulars, error) {
	sch, err := schema()
	if err != nil {
		return Particulars{}, err
	}
	var f sidecarFile
	if err := strictyaml.Decode(file, b, sch, &f).Err(); err != nil {
		return Particulars{}, err
	}
	folder := filepath.Dir(file)
	if !slices.Contains(turns[:], f.TurnDeg) {
		return Particulars{}, fmt.Errorf("%s: turn_deg is %g; want 0, 90, 180 or 270, counter-clockwise as seen in the picture", file, f.TurnDeg)
	}
	var stage *reading.Stage
	if f.Stage != nil {
		stage = &reading.Stage{XMm: f.Stage.XMm, YMm: f.Stage.YMm}
	}
	return Particulars{
		Part: under(folder, f.Part), Scope: under(folder, f.Scope),
		Shot: reading.Shot{
			View: reading.View(f.View), Lot: f.Lot, Sample: f.Sample, Head: f.Head, Nozzle: f.Nozzle,
			PickPosition: f.PickPosition, Operator: f.Operator, TakenAt: f.TakenAt,
			TurnDeg: f.TurnDeg, Focus: f.Focus, Stage: stage,
		},
	}, nil
}
