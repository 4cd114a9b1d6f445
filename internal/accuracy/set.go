package accuracy

import (
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"plumbsquare/internal/batch"
	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// today lies within the validity of the scope files that Prepare writes.
var today = time.Date(2031, 6, 1, 0, 0, 0, 0, time.UTC)

// ErrNone says that no picture of a set is wanted.
var ErrNone = errors.New("no picture's name matches")

// Prepare turns a set's images.csv into what a bench would have: a traveler in work and a scope
// file a picture, since these sets try many scopes. Pictures whose name only doesn't match are
// left out; a nil only takes all. The error is ErrNone when none is left.
func Prepare(set, work string, only *regexp.Regexp) error {
	rows, err := readTable(filepath.Join(set, "images.csv"))
	if err != nil {
		return err
	}
	if set, err = filepath.Abs(set); err != nil {
		return err
	}
	if err := os.RemoveAll(work); err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Join(work, "scopes"), 0o777); err != nil {
		return err
	}
	columns := []string{"image", "part", "view", "scope", "lot", "sample", "head", "nozzle", "taken_at"}
	table := [][]string{columns}
	for _, r := range rows {
		name := stem(r["image"])
		if only != nil && !only.MatchString(name) {
			continue
		}
		file := filepath.Join(work, "scopes", name+".yaml")
		data, err := scopeFile(name, r)
		if err != nil {
			return err
		}
		if err := os.WriteFile(file, data, 0o666); err != nil {
			return err
		}
		var line []string
		for _, c := range columns {
			line = append(line, r[c])
		}
		line[0] = filepath.Join(set, filepath.FromSlash(cmp.Or(r["file"], r["image"])))
		if line[3], err = filepath.Abs(file); err != nil {
			return err
		}
		table = append(table, line)
	}
	if len(table) == 1 {
		return ErrNone
	}
	f, err := os.Create(filepath.Join(work, intake.TravelerName))
	if err != nil {
		return err
	}
	return errors.Join(csv.NewWriter(f).WriteAll(table), f.Close())
}

// scopeFile returns the scope columns of a row as a scope file. The sets state their scale without
// an uncertainty.
func scopeFile(name string, r record) ([]byte, error) {
	s := scope.Scope{
		Name: name, UmPerPxX: r.number("um_per_px"), UmPerPxY: r.number("um_per_px"), Camera: scope.Camera(r["camera"]),
		Calibrated: today.AddDate(0, -5, 0), Expires: today.AddDate(0, 7, 0),
	}
	if wd := r.number("working_distance_mm"); wd > 0 {
		s.WorkingDistanceMm = wd
	}
	if k1 := r.number("k1"); !math.IsNaN(k1) {
		s.K1 = k1
	}
	return s.YAML()
}

// An Answer is what became of one picture.
type Answer struct {
	batch.Result
	Name string // of the picture, without folders and extension
}

// Measure measures what Prepare has laid out in work.
func Measure(ctx context.Context, work string, parts []string, o batch.Options) ([]Answer, error) {
	shots, errs := intake.Gather([]string{work}, intake.Options{})
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	library := intake.Library{PartDirs: parts}
	o.Today = today
	jobs, errs := library.Jobs(shots)
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	var answers []Answer
	err := batch.Run(ctx, jobs, o, func(r batch.Result) error {
		answers = append(answers, Answer{r, stem(r.Job.Path)})
		return nil
	})
	return answers, err
}

// Results returns what was measured by picture; pictures without a reading have none.
func Results(answers []Answer) map[string]Measured {
	m := map[string]Measured{}
	for _, a := range answers {
		if a.Err == nil {
			m[a.Name] = measuredFrom(a)
		}
	}
	return m
}

func measuredFrom(a Answer) Measured {
	nan := math.NaN()
	r := a.Reading
	m := Measured{
		Image: a.Name, Verdict: string(r.Verdict.Decision), Sites: map[string]Site{},
		Offset: [3]float64{nan, nan, nan}, U: [3]float64{nan, nan, nan},
		Seconds: (a.Decode + a.Measure).Seconds(),
	}
	if r.Refusal != nil {
		m.Reason = r.Refusal.Gate
	}
	if o := r.Offset; o != nil {
		m.Offset = [3]float64{o.XUm, o.YUm, o.ThetaDeg}
		m.U = [3]float64{o.UXUm, o.UYUm, o.UTheta}
	}
	if r.Array == nil {
		return m
	}
	if o := r.Array; r.Offset == nil {
		m.Offset = [3]float64{o.XUm, o.YUm, o.ThetaDeg}
		m.U = [3]float64{o.UXUm, o.UYUm, o.UTheta}
	}
	for _, s := range r.Array.Sites {
		site := Site{Name: s.Name, State: s.State, DXUm: s.DXUm, DYUm: s.DYUm, TiltDeg: s.TiltDeg, Azimuth: s.AzimuthDeg, DiameterUm: s.DiameterUm,
			UUm: s.UUm, UTiltDeg: s.UTiltDeg, UDiameterUm: s.UDiameterUm}
		if s.State == reading.Missing || s.State == reading.Unseen {
			site.DXUm, site.DYUm, site.TiltDeg, site.Azimuth, site.DiameterUm = nan, nan, nan, nan, nan
		}
		if r.Shot.View == reading.ColumnPlan && s.UTiltDeg > 0 { // that of the end face; the truth's is the wall's
			site.DiameterUm = nan
		}
		if r.Array.Kind == "balls" {
			site.TiltDeg, site.Azimuth = nan, nan
		}
		m.Sites[s.Name] = site
	}
	return m
}
