// Package accuracy holds what the program measures against what is true. A set of pictures comes
// with a traveler (images.csv) and its truth (truth.csv, sites/); the set's pictures are measured
// as anybody's would be, and the truth is for scoring only.
package accuracy

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// The three values of an offset, in the order of every [3] of this package.
var components = [3]struct{ name, column, unit string }{
	{"X", "dx_um", "µm"}, {"Y", "dy_um", "µm"}, {"θ", "theta_deg", "°"},
}

// A Truth is what is true of one picture. NaN stands for what isn't told.
type Truth struct {
	Image, Part, View string
	Reason            string // why it can't be measured; View is then "retake"
	UmPerPx           float64
	LeverUm           float64    // turns θ into what it moves the corner by
	Offset            [3]float64 // X µm, Y µm, θ degrees
	Bound, BoundKnown [3]float64 // Cramér–Rao bounds, sizes unknown and known
	Sites             []Site     // nil where the picture shows no array
}

// A Site is what is true, or was measured, of one site. NaN stands for what isn't told.
type Site struct {
	Name, State      string
	DXUm, DYUm       float64
	BoundX, BoundY   float64 // truth only
	TiltDeg, Azimuth float64
	DiameterUm       float64

	UUm, UTiltDeg, UDiameterUm float64 // measured only: standard uncertainties, the first two per axis
}

const defaultLeverUm = 5000

// ReadTruth reads truth.csv and sites/ of a set.
func ReadTruth(dir string) ([]Truth, error) {
	rows, err := readTable(filepath.Join(dir, "truth.csv"))
	if err != nil {
		return nil, err
	}
	var truths []Truth
	for _, r := range rows {
		t := Truth{
			Image: stem(r["image"]), Part: r["part"], View: r["view"], Reason: strings.TrimSpace(r["reason"]),
			UmPerPx: r.number("um_per_px"), LeverUm: r.number("lever_um"),
		}
		if math.IsNaN(t.LeverUm) {
			t.LeverUm = defaultLeverUm
		}
		if !(t.UmPerPx > 0) {
			return nil, fmt.Errorf("%s: um_per_px of %s is not a positive number", dir, t.Image)
		}
		for i, c := range components {
			t.Offset[i] = r.number(c.column)
			t.Bound[i] = r.number("crlb_" + c.column)
			t.BoundKnown[i] = r.number("crlb_known_" + c.column)
		}
		if t.Sites, err = readSites(filepath.Join(dir, "sites", t.Image+".csv")); err != nil {
			return nil, err
		}
		truths = append(truths, t)
	}
	return truths, nil
}

func readSites(file string) ([]Site, error) {
	rows, err := readTable(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	var sites []Site
	for _, r := range rows {
		sites = append(sites, Site{
			Name: r["site"], State: strings.ToLower(strings.TrimSpace(r["state"])),
			DXUm: r.number("dx_um"), DYUm: r.number("dy_um"),
			BoundX: r.number("crlb_dx_um"), BoundY: r.number("crlb_dy_um"),
			TiltDeg: r.number("tilt_deg"), Azimuth: r.number("azimuth_deg"), DiameterUm: r.number("diameter_um"),
		})
	}
	return sites, err
}

// A record is one row of a table by the names of its columns.
type record map[string]string

func readTable(file string) ([]record, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	if len(lines) < 2 {
		return nil, fmt.Errorf("%s: holds no rows", file)
	}
	var rows []record
	for _, l := range lines[1:] {
		r := record{}
		for i, name := range lines[0] {
			r[name] = l[i]
		}
		rows = append(rows, r)
	}
	return rows, nil
}

// number returns a cell's number, NaN when it is blank or holds something else.
func (r record) number(column string) float64 {
	v, err := strconv.ParseFloat(strings.TrimSpace(r[column]), 64)
	if err != nil {
		return math.NaN()
	}
	return v
}

// stem returns the name of a picture without folders and extension.
func stem(image string) string {
	base := filepath.Base(image)
	return strings.TrimSuffix(base, filepath.Ext(base))
}
