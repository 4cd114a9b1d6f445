package reading

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"
)

// A column is one column of a table made from a T. A value that there is none of is blank.
type column[T any] struct {
	name string
	cell func(T) string
}

// ShotTable writes readings as CSV, one row a shot. docs/readings.md describes the columns.
type ShotTable struct{ table[*Reading] }

// NewShotTable writes the names of the columns to w.
func NewShotTable(w io.Writer) (*ShotTable, error) {
	t, err := newTable(w, shotColumns)
	return &ShotTable{t}, err
}

// Write adds the row of a reading.
func (t *ShotTable) Write(r *Reading) error { return t.write(r) }

// SiteTable writes the sites of readings as CSV, one row a site.
type SiteTable struct{ table[siteOf] }

type siteOf struct {
	*Reading
	*Site
}

// NewSiteTable writes the names of the columns to w.
func NewSiteTable(w io.Writer) (*SiteTable, error) {
	t, err := newTable(w, siteColumns)
	return &SiteTable{t}, err
}

// Write adds the rows of a reading, none when it has no array.
func (t *SiteTable) Write(r *Reading) error {
	if r.Array == nil {
		return nil
	}
	for i := range r.Array.Sites {
		if err := t.write(siteOf{r, &r.Array.Sites[i]}); err != nil {
			return err
		}
	}
	return nil
}

type table[T any] struct {
	w       *csv.Writer
	columns []column[T]
	row     []string
}

func newTable[T any](w io.Writer, columns []column[T]) (table[T], error) {
	t := table[T]{w: csv.NewWriter(w), columns: columns}
	for _, c := range columns {
		t.row = append(t.row, c.name)
	}
	return t, t.flush()
}

func (t *table[T]) write(v T) error {
	for i, c := range t.columns {
		t.row[i] = c.cell(v)
	}
	return t.flush()
}

func (t *table[T]) flush() error {
	if err := t.w.Write(t.row); err != nil {
		return err
	}
	t.w.Flush()
	return t.w.Error()
}

// exact writes a number so that reading it gives the same number.
func exact(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// offset, substrate and array make columns of what not every reading has.
func offset(name string, v func(*Offset) float64) column[*Reading] {
	return column[*Reading]{name, func(r *Reading) string {
		if r.Offset == nil {
			return ""
		}
		return exact(v(r.Offset))
	}}
}

func bump(name string, v func(*Bump) float64) column[*Reading] {
	return column[*Reading]{name, func(r *Reading) string {
		if r.Offset == nil || r.Offset.Bump == nil {
			return ""
		}
		return exact(v(r.Offset.Bump))
	}}
}

func substrate(name string, v func(*Substrate) float64) column[*Reading] {
	return column[*Reading]{name, func(r *Reading) string {
		if r.Substrate == nil {
			return ""
		}
		return exact(v(r.Substrate))
	}}
}

func array(name string, v func(*Array) float64) column[*Reading] {
	return column[*Reading]{name, func(r *Reading) string {
		if r.Array == nil {
			return ""
		}
		return exact(v(r.Array))
	}}
}

// coplanarity blanks what only the side view shows.
func coplanarity(name string, v func(*Array) float64) column[*Reading] {
	c := array(name, v)
	return column[*Reading]{name, func(r *Reading) string {
		if r.Array == nil || r.Array.UCoplanarityUm == 0 {
			return ""
		}
		return c.cell(r)
	}}
}

var shotColumns = []column[*Reading]{
	{"picture", func(r *Reading) string { return r.Source.Picture }},
	{"sha256", func(r *Reading) string { return r.Source.SHA256 }},
	{"part", func(r *Reading) string { return r.Source.Part }},
	{"part_sha256", func(r *Reading) string { return r.Source.PartHash }},
	{"scope", func(r *Reading) string { return r.Source.Scope }},
	{"scope_sha256", func(r *Reading) string { return r.Source.ScopeHash }},
	{"program", func(r *Reading) string { return r.Source.Program }},
	{"view", func(r *Reading) string { return string(r.Shot.View) }},
	{"lot", func(r *Reading) string { return r.Shot.Lot }},
	{"sample", func(r *Reading) string { return r.Shot.Sample }},
	{"head", func(r *Reading) string { return r.Shot.Head }},
	{"nozzle", func(r *Reading) string { return r.Shot.Nozzle }},
	{"pick_position", func(r *Reading) string { return r.Shot.PickPosition }},
	{"operator", func(r *Reading) string { return r.Shot.Operator }},
	{"taken_at", func(r *Reading) string { return r.Shot.TakenAt }},
	{"verdict", func(r *Reading) string { return string(r.Verdict.Decision) }},
	{"reasons", reasons},
	{"retake_gate", func(r *Reading) string {
		if r.Refusal == nil {
			return ""
		}
		return r.Refusal.Gate
	}},
	{"of", func(r *Reading) string {
		if r.Offset == nil {
			return ""
		}
		return r.Offset.Of
	}},
	offset("x_um", func(o *Offset) float64 { return o.XUm }),
	offset("u_x_um", func(o *Offset) float64 { return o.UXUm }),
	offset("y_um", func(o *Offset) float64 { return o.YUm }),
	offset("u_y_um", func(o *Offset) float64 { return o.UYUm }),
	offset("theta_deg", func(o *Offset) float64 { return o.ThetaDeg }),
	offset("u_theta_deg", func(o *Offset) float64 { return o.UTheta }),
	offset("width_um", func(o *Offset) float64 { return o.WidthUm }),
	offset("u_width_um", func(o *Offset) float64 { return o.UWidthUm }),
	offset("height_um", func(o *Offset) float64 { return o.HeightUm }),
	offset("u_height_um", func(o *Offset) float64 { return o.UHeightUm }),
	bump("worst_bump_um", func(b *Bump) float64 { return b.MissUm }),
	bump("u_worst_bump_um", func(b *Bump) float64 { return b.UUm }),
	substrate("substrate_turn_deg", func(s *Substrate) float64 { return s.TurnDeg }),
	substrate("u_substrate_turn_deg", func(s *Substrate) float64 { return s.UTurnDeg }),
	substrate("substrate_scale", func(s *Substrate) float64 { return s.Scale }),
	substrate("u_substrate_scale", func(s *Substrate) float64 { return s.UScale }),
	array("present", func(a *Array) float64 { return float64(a.Present) }),
	array("missing", func(a *Array) float64 { return float64(a.Missing) }),
	array("tilted", func(a *Array) float64 { return float64(a.Tilted) }),
	array("bridged", func(a *Array) float64 { return float64(a.Bridged) }),
	array("doubled", func(a *Array) float64 { return float64(a.Doubled) }),
	coplanarity("coplanarity_um", func(a *Array) float64 { return a.CoplanarityUm }),
	coplanarity("u_coplanarity_um", func(a *Array) float64 { return a.UCoplanarityUm }),
	array("array_x_um", func(a *Array) float64 { return a.XUm }),
	array("u_array_x_um", func(a *Array) float64 { return a.UXUm }),
	array("array_y_um", func(a *Array) float64 { return a.YUm }),
	array("u_array_y_um", func(a *Array) float64 { return a.UYUm }),
	array("array_theta_deg", func(a *Array) float64 { return a.ThetaDeg }),
	array("u_array_theta_deg", func(a *Array) float64 { return a.UTheta }),
	array("array_scale", func(a *Array) float64 { return a.Scale }),
	array("lean_deg", func(a *Array) float64 { return a.LeanDeg }),
	array("lean_azimuth_deg", func(a *Array) float64 { return a.LeanAzimuthDeg }),
	{"noise_dn", func(r *Reading) string { return exact(r.Quality.NoiseDN) }},
	{"blur_px", func(r *Reading) string { return exact(r.Quality.BlurPx) }},
	{"saturated_percent", func(r *Reading) string { return exact(r.Quality.SaturatedPercent) }},
	{"dark_percent", func(r *Reading) string { return exact(r.Quality.DarkPercent) }},
	{"warnings", func(r *Reading) string { return strings.Join(r.Warnings, "; ") }},
}

// reasons joins why a shot wasn't accepted; for a retake, what to do.
func reasons(r *Reading) string {
	if r.Refusal != nil {
		return r.Refusal.Instruction
	}
	var texts []string
	for _, w := range r.Verdict.Reasons {
		if w.Decision != Accept {
			texts = append(texts, w.Text)
		}
	}
	return strings.Join(texts, "; ")
}

// measured blanks what wasn't measured at a site.
func measured(name string, v func(*Site) float64) column[siteOf] {
	return column[siteOf]{name, func(s siteOf) string {
		if s.State == Missing || s.State == Unseen {
			return ""
		}
		return exact(v(s.Site))
	}}
}

// leaning blanks what only columns have.
func leaning(name string, v func(*Site) float64) column[siteOf] {
	c := measured(name, v)
	return column[siteOf]{name, func(s siteOf) string {
		if s.Array.Kind != "columns" {
			return ""
		}
		return c.cell(s)
	}}
}

// silhouette blanks what only the side view shows.
func silhouette(name string, v func(*Silhouette) float64) column[siteOf] {
	return column[siteOf]{name, func(s siteOf) string {
		if s.Silhouette == nil {
			return ""
		}
		return exact(v(s.Silhouette))
	}}
}

var siteColumns = []column[siteOf]{
	{"picture", func(s siteOf) string { return s.Source.Picture }},
	{"part", func(s siteOf) string { return s.Source.Part }},
	{"lot", func(s siteOf) string { return s.Shot.Lot }},
	{"sample", func(s siteOf) string { return s.Shot.Sample }},
	{"site", func(s siteOf) string { return s.Name }},
	{"state", func(s siteOf) string { return s.State }},
	{"x_px", func(s siteOf) string { return exact(s.XPx) }},
	{"y_px", func(s siteOf) string { return exact(s.YPx) }},
	measured("dx_um", func(s *Site) float64 { return s.DXUm }),
	measured("dy_um", func(s *Site) float64 { return s.DYUm }),
	measured("u_um", func(s *Site) float64 { return s.UUm }),
	leaning("tilt_deg", func(s *Site) float64 { return s.TiltDeg }),
	leaning("u_tilt_deg", func(s *Site) float64 { return s.UTiltDeg }),
	leaning("azimuth_deg", func(s *Site) float64 { return s.AzimuthDeg }),
	measured("diameter_um", func(s *Site) float64 { return s.DiameterUm }),
	measured("u_diameter_um", func(s *Site) float64 { return s.UDiameterUm }),
	silhouette("column_height_um", func(s *Silhouette) float64 { return s.HeightUm }),
	silhouette("u_column_height_um", func(s *Silhouette) float64 { return s.UHeightUm }),
	silhouette("bend_um", func(s *Silhouette) float64 { return s.BendUm }),
	silhouette("u_bend_um", func(s *Silhouette) float64 { return s.UBendUm }),
	silhouette("seating_um", func(s *Silhouette) float64 { return s.SeatingUm }),
	silhouette("u_seating_um", func(s *Silhouette) float64 { return s.USeatingUm }),
}
