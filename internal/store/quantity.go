package store

import (
	"fmt"
	"slices"
	"strings"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/strictyaml"
)

// A quantity is a number of a reading that stands in a column of its own in the table of shots. It
// has the name of the column in the tables that reading writes.
type quantity struct {
	name  string
	u     string // the column of its standard uncertainty; "" when there is none
	value func(*reading.Reading) (v, u float64, ok bool)
}

func offset(name string, v func(*reading.Offset) (v, u float64)) quantity {
	return quantity{name, "u_" + name, func(r *reading.Reading) (float64, float64, bool) {
		if r.Offset == nil {
			return 0, 0, false
		}
		value, u := v(r.Offset)
		return value, u, true
	}}
}

func substrate(name string, v func(*reading.Substrate) (v, u float64)) quantity {
	return quantity{name, "u_" + name, func(r *reading.Reading) (float64, float64, bool) {
		if r.Substrate == nil {
			return 0, 0, false
		}
		value, u := v(r.Substrate)
		return value, u, true
	}}
}

func array(name string, v func(*reading.Array) (v, u float64)) quantity {
	return quantity{name, "u_" + name, func(r *reading.Reading) (float64, float64, bool) {
		if r.Array == nil {
			return 0, 0, false
		}
		value, u := v(r.Array)
		return value, u, true
	}}
}

// ofArray and ofPicture are quantities without an uncertainty of their own.
func ofArray(name string, v func(*reading.Array) float64) quantity {
	q := array(name, func(a *reading.Array) (float64, float64) { return v(a), 0 })
	q.u = ""
	return q
}

func ofPicture(name string, v func(reading.Quality) float64) quantity {
	return quantity{name, "", func(r *reading.Reading) (float64, float64, bool) { return v(r.Quality), 0, true }}
}

// quantities are only ever added to: a quantity's place is its bit in days.quantities.
var quantities = []quantity{
	offset("x_um", func(o *reading.Offset) (float64, float64) { return o.XUm, o.UXUm }),
	offset("y_um", func(o *reading.Offset) (float64, float64) { return o.YUm, o.UYUm }),
	offset("theta_deg", func(o *reading.Offset) (float64, float64) { return o.ThetaDeg, o.UTheta }),
	offset("width_um", func(o *reading.Offset) (float64, float64) { return o.WidthUm, o.UWidthUm }),
	offset("height_um", func(o *reading.Offset) (float64, float64) { return o.HeightUm, o.UHeightUm }),
	{"worst_bump_um", "u_worst_bump_um", func(r *reading.Reading) (float64, float64, bool) {
		if r.Offset == nil || r.Offset.Bump == nil {
			return 0, 0, false
		}
		return r.Offset.Bump.MissUm, r.Offset.Bump.UUm, true
	}},
	substrate("substrate_turn_deg", func(s *reading.Substrate) (float64, float64) { return s.TurnDeg, s.UTurnDeg }),
	substrate("substrate_scale", func(s *reading.Substrate) (float64, float64) { return s.Scale, s.UScale }),
	ofArray("present", func(a *reading.Array) float64 { return float64(a.Present) }),
	ofArray("missing", func(a *reading.Array) float64 { return float64(a.Missing) }),
	ofArray("tilted", func(a *reading.Array) float64 { return float64(a.Tilted) }),
	ofArray("bridged", func(a *reading.Array) float64 { return float64(a.Bridged) }),
	ofArray("doubled", func(a *reading.Array) float64 { return float64(a.Doubled) }),
	{"coplanarity_um", "u_coplanarity_um", func(r *reading.Reading) (float64, float64, bool) {
		if r.Array == nil || r.Array.UCoplanarityUm == 0 { // only the side view shows it
			return 0, 0, false
		}
		return r.Array.CoplanarityUm, r.Array.UCoplanarityUm, true
	}},
	array("array_x_um", func(a *reading.Array) (float64, float64) { return a.XUm, a.UXUm }),
	array("array_y_um", func(a *reading.Array) (float64, float64) { return a.YUm, a.UYUm }),
	array("array_theta_deg", func(a *reading.Array) (float64, float64) { return a.ThetaDeg, a.UTheta }),
	ofArray("array_scale", func(a *reading.Array) float64 { return a.Scale }),
	ofArray("lean_deg", func(a *reading.Array) float64 { return a.LeanDeg }),
	ofArray("lean_azimuth_deg", func(a *reading.Array) float64 { return a.LeanAzimuthDeg }),
	ofPicture("noise_dn", func(q reading.Quality) float64 { return q.NoiseDN }),
	ofPicture("blur_px", func(q reading.Quality) float64 { return q.BlurPx }),
	ofPicture("saturated_percent", func(q reading.Quality) float64 { return q.SaturatedPercent }),
	ofPicture("dark_percent", func(q reading.Quality) float64 { return q.DarkPercent }),
}

// Quantities returns the names that [Store.Series] takes.
func Quantities() []string {
	names := make([]string, len(quantities))
	for i, q := range quantities {
		names[i] = q.name
	}
	return names
}

func quantityOf(name string) (quantity, error) {
	if i := slices.IndexFunc(quantities, func(q quantity) bool { return q.name == name }); i >= 0 {
		return quantities[i], nil
	}
	near := ""
	if n := strictyaml.Nearest(name, Quantities()); n != "" {
		near = fmt.Sprintf("did you mean %s? ", n)
	}
	return quantity{}, fmt.Errorf("the store keeps no quantity %q; %sthere are %s", name, near, strings.Join(Quantities(), ", "))
}

// bitOf is the place of a quantity that there is.
func bitOf(name string) int {
	return slices.IndexFunc(quantities, func(q quantity) bool { return q.name == name })
}

// bitsOf has the bits of the quantities that a reading has.
func bitsOf(r *reading.Reading) (bits int64) {
	for i, q := range quantities {
		if _, _, ok := q.value(r); ok {
			bits |= 1 << i
		}
	}
	return bits
}

// quantityColumns lists the columns of all quantities, each before its uncertainty.
func quantityColumns() (names []string) {
	for _, q := range quantities {
		names = append(names, q.name)
		if q.u != "" {
			names = append(names, q.u)
		}
	}
	return names
}

// quantitiesOf returns what stands in these columns for a reading, nil where there is nothing.
func quantitiesOf(r *reading.Reading) (values []any) {
	for _, q := range quantities {
		var v, u any
		if value, uncertainty, ok := q.value(r); ok {
			v, u = value, uncertainty
		}
		values = append(values, v)
		if q.u != "" {
			values = append(values, u)
		}
	}
	return values
}
