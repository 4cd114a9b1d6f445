package accuracy

import (
	"encoding/csv"
	"errors"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
)

// WriteResults writes results.csv and sites.csv into dir, in the order of truths: what was
// measured in plain columns, and beside it, for whoever looks for the worst, how far it is off.
func WriteResults(dir string, truths []Truth, measured map[string]Measured, answers []Answer) error {
	results := [][]string{{"image", "verdict", "reason", "dx_um", "dy_um", "theta_deg", "u_dx_um", "u_dy_um", "u_theta_deg", "seconds",
		"decode_seconds", "off_dx_px", "off_dy_px", "off_theta_px", "off_dx_u", "off_dy_u", "off_theta_u"}}
	sites := [][]string{{"image", "site", "state", "dx_um", "dy_um", "tilt_deg", "azimuth_deg", "diameter_um", "u_um", "u_tilt_deg", "u_diameter_um"}}
	decode := map[string]float64{}
	for _, a := range answers {
		decode[a.Name] = a.Decode.Seconds()
	}
	for _, t := range truths {
		m, ok := measured[t.Image]
		if !ok {
			continue
		}
		line := []string{t.Image, m.Verdict, m.Reason}
		line = append(line, cells(m.Offset[:]...)...)
		line = append(line, cells(m.U[:]...)...)
		line = append(line, cells(m.Seconds, decode[t.Image])...)
		results = append(results, append(line, cells(off(t, m)...)...))
		for _, name := range slices.Sorted(maps.Keys(m.Sites)) {
			s := m.Sites[name]
			sites = append(sites, append([]string{t.Image, name, s.State}, cells(s.DXUm, s.DYUm, s.TiltDeg, s.Azimuth, s.DiameterUm, s.UUm, s.UTiltDeg, s.UDiameterUm)...))
		}
	}
	return errors.Join(
		writeTable(filepath.Join(dir, "results.csv"), results),
		writeTable(filepath.Join(dir, "sites.csv"), sites),
	)
}

// off returns the errors of X, Y, θ in px and in stated standard uncertainties.
func off(t Truth, m Measured) []float64 {
	v := make([]float64, 6)
	for i := range components {
		e := m.Offset[i] - t.Offset[i]
		v[i] = e / t.UmPerPx
		if i == 2 {
			e = turn(e)
			v[i] = e * math.Pi / 180 * t.LeverUm / t.UmPerPx
		}
		v[3+i] = e / m.U[i]
	}
	return v
}

// cells writes numbers in full, blank for NaN.
func cells(v ...float64) []string {
	out := make([]string, len(v))
	for i, x := range v {
		if !math.IsNaN(x) && !math.IsInf(x, 0) {
			out[i] = strconv.FormatFloat(x, 'g', -1, 64)
		}
	}
	return out
}

func writeTable(file string, rows [][]string) error {
	f, err := os.Create(file)
	if err != nil {
		return err
	}
	return errors.Join(csv.NewWriter(f).WriteAll(rows), f.Close())
}
