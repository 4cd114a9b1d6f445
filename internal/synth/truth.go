package synth

import (
	"cmp"
	"encoding/csv"
	"io"
	"math"
	"strconv"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
)

// A Truth is what is true of one picture. Offsets are measured minus nominal in the drawing
// frame; image places are in px. What does not apply is null.
type Truth struct {
	Image  string `json:"image"` // left to whoever names the file
	Part   string `json:"part"`
	View   string `json:"view"`
	Reason string `json:"reason,omitempty"` // why the picture must be refused

	WidthPx           int     `json:"width_px"`
	HeightPx          int     `json:"height_px"`
	Bits              int     `json:"bits"`
	UmPerPx           float64 `json:"um_per_px"` // along x
	UmPerPxY          float64 `json:"um_per_px_y"`
	Camera            string  `json:"camera"`
	WorkingDistanceMm float64 `json:"working_distance_mm,omitempty"`
	K1                float64 `json:"k1"`

	SubstrateScale float64 `json:"substrate_scale"`
	OriginXPx      float64 `json:"origin_x_px"` // where the drawing's origin is seen
	OriginYPx      float64 `json:"origin_y_px"`
	FixtureDeg     float64 `json:"fixture_deg"`

	// Offset of die or cap. Arrays: the shift and turn about the drawing's origin that fit the
	// tips, or balls, that are there best.
	DXUm     *float64 `json:"dx_um"`
	DYUm     *float64 `json:"dy_um"`
	ThetaDeg *float64 `json:"theta_deg"`
	LeverUm  float64  `json:"lever_um"` // half diagonal of what was placed
	WidthUm  float64  `json:"width_um,omitempty"`
	HeightUm float64  `json:"height_um,omitempty"`
	Die      string   `json:"die,omitempty"` // "", or what is odd: "none", "second", "quarter-turned", "upside-down"

	BlurPx         float64 `json:"blur_px"`
	ReadNoisePct   float64 `json:"read_noise_percent"` // of full scale
	ShotNoisePct   float64 `json:"shot_noise_percent"` // of full scale, at full scale
	Chips          int     `json:"chips"`
	RoughUm        float64 `json:"rough_um"`
	FluxRim        bool    `json:"flux_rim"`
	FluxOverMarks  int     `json:"flux_over_marks"`
	Glare          int     `json:"glare"`
	MarksImpaired  int     `json:"marks_impaired"` // absent or partly covered
	Missing        int     `json:"missing"`
	LeanDeg        float64 `json:"lean_deg"`
	LeanAzimuthDeg float64 `json:"lean_azimuth_deg"`

	Marks []MarkTruth `json:"marks,omitempty"`
	Sites []SiteTruth `json:"sites,omitempty"`
}

// A MarkTruth is where one mark is seen.
type MarkTruth struct {
	Name  string  `json:"name"`
	XPx   float64 `json:"x_px"`
	YPx   float64 `json:"y_px"`
	State string  `json:"state"` // "ok", "absent", "covered" or "filmed"
}

// A SiteTruth is what stands at one site. State is ok, missing, tilted, off, bent, size,
// bridged, doubled; shadowed tips are ok.
type SiteTruth struct {
	Site       string   `json:"site"`
	State      string   `json:"state"`
	DXUm       *float64 `json:"dx_um"` // tip or ball minus site
	DYUm       *float64 `json:"dy_um"`
	TiltDeg    *float64 `json:"tilt_deg"` // the common lean included
	AzimuthDeg *float64 `json:"azimuth_deg"`
	BaseDXUm   *float64 `json:"base_dx_um"`
	BaseDYUm   *float64 `json:"base_dy_um"`
	DiameterUm *float64 `json:"diameter_um"`
	HeightMm   *float64 `json:"height_mm"`
	BendUm     *float64 `json:"bend_um"`
	XPx        *float64 `json:"x_px"` // where the tip or ball, or the bare pad, is seen
	YPx        *float64 `json:"y_px"`
}

func (t *Truth) addMark(name string, at geom.ImagePoint, s MarkState) {
	state := "ok"
	switch {
	case s.Absent:
		state = "absent"
	case s.Cover > 0:
		state = "covered"
	}
	if state != "ok" {
		t.MarksImpaired++
	}
	t.Marks = append(t.Marks, MarkTruth{name, at.X, at.Y, state})
}

// fillTruth writes down what was drawn.
func (st *stage) fillTruth() {
	t, o := st.truth, st.substrate.image(0, 0)
	t.Part, t.View, t.Reason = st.Part.Name, string(st.View), cmp.Or(string(st.Fault), st.Refuse)
	t.WidthPx, t.HeightPx, t.Bits = st.WidthPx, st.HeightPx, st.Bits
	t.UmPerPx, t.UmPerPxY = st.Scope.UmPerPxX, st.Scope.UmPerPxY
	t.Camera, t.WorkingDistanceMm, t.K1 = string(st.Scope.Camera), st.Scope.WorkingDistanceMm, st.Scope.K1
	t.SubstrateScale, t.OriginXPx, t.OriginYPx, t.FixtureDeg = st.SubstrateScale, o.X, o.Y, st.FixtureDeg
	t.BlurPx, t.ReadNoisePct, t.ShotNoisePct = st.Optics.BlurPx, 100*st.Optics.ReadNoise, 100*st.Optics.ShotNoise
	t.Chips, t.RoughUm = st.Die.Chips, st.Die.RoughUm
	t.FluxRim, t.FluxOverMarks, t.Glare = st.Dirt.FluxRim, st.Dirt.FluxOverMarks, st.Dirt.Glare+st.Dirt.Streaks
	t.LeanDeg, t.LeanAzimuthDeg = st.Array.LeanDeg, st.Array.LeanAzimuthDeg
	switch st.View {
	case reading.DiePlan, reading.DieIR:
		t.WidthUm, t.HeightUm = st.Part.Die.WidthMm*1000+st.Die.SizeXUm, st.Part.Die.HeightMm*1000+st.Die.SizeYUm
		t.LeverUm = math.Hypot(t.WidthUm, t.HeightUm) / 2
	case reading.CapPlan:
		t.WidthUm, t.HeightUm = st.Part.Cap.WidthMm*1000+st.Die.SizeXUm, st.Part.Cap.HeightMm*1000+st.Die.SizeYUm
		t.LeverUm = math.Hypot(t.WidthUm, t.HeightUm) / 2
	default:
		st.fillArrayTruth()
		return
	}
	switch {
	case st.Die.None:
		t.Die = "none"
		return
	case st.Die.Second != nil:
		t.Die = "second"
	case st.Die.QuarterTurned:
		t.Die = "quarter-turned"
	case st.Die.UpsideDown:
		t.Die = "upside-down"
	}
	t.DXUm, t.DYUm, t.ThetaDeg = &st.OffsetXUm, &st.OffsetYUm, &st.ThetaDeg
}

func (st *stage) fillArrayTruth() {
	t, a := st.truth, st.Part.Array
	t.LeverUm = a.PitchMm * 500 * math.Hypot(float64(a.Rows-1), float64(a.Columns-1))
	for i := range st.sites {
		s := &st.sites[i]
		row := SiteTruth{Site: s.Name, State: s.state()}
		f := st.substrate.at(s.x, s.y, 0)
		if st.View == reading.ColumnSide {
			f = st.substrate.at(s.x, 0, 0)
		}
		if s.Missing {
			t.Missing++
			at := f.image(0, 0)
			row.XPx, row.YPx = &at.X, &at.Y
		} else {
			st.fillSite(&row, s)
		}
		t.Sites = append(t.Sites, row)
	}
	if st.View != reading.ColumnSide {
		st.fitArray()
	}
}

// state names the worst that is the matter with a site.
func (s *site) state() string {
	switch {
	case s.Missing:
		return "missing"
	case s.BridgedTo != "":
		return "bridged"
	case s.Doubled:
		return "doubled"
	case s.TiltDeg != 0:
		return "tilted"
	case s.BendUm != 0:
		return "bent"
	case s.XUm != 0 || s.YUm != 0:
		return "off"
	case s.SiteState.DiameterUm != 0:
		return "size"
	}
	return "ok"
}

func (st *stage) fillSite(row *SiteTruth, s *site) {
	baseX, baseY, diameter := s.baseX, s.baseY, s.diameterUm
	row.DiameterUm = &diameter
	if st.View == reading.BallPlan {
		f := st.equator(s)
		at := f.image(0, 0)
		row.DXUm, row.DYUm, row.XPx, row.YPx = &baseX, &baseY, &at.X, &at.Y
		return
	}
	x, y, h := s.tip()
	hMm := h / 1000
	row.BaseDXUm, row.HeightMm = &baseX, &hMm
	if st.View == reading.ColumnSide {
		x += s.BendUm
		at := st.substrate.image(s.x+x, h)
		// Along the drawing's axis, whichever way the picture shows it.
		x, baseX = st.sense()*x, st.sense()*baseX
		tilt := st.sense() * math.Asin(s.tiltX) * 180 / math.Pi
		bend := st.sense() * s.BendUm
		row.TiltDeg, row.BendUm, row.XPx, row.YPx = &tilt, &bend, &at.X, &at.Y
		if st.alongY() {
			row.BaseDXUm, row.DYUm, row.BaseDYUm = nil, &x, &baseX
			return
		}
		row.DXUm = &x
		return
	}
	tilt := math.Asin(math.Hypot(s.tiltX, s.tiltY)) * 180 / math.Pi
	azimuth := math.Mod(math.Atan2(s.tiltY, s.tiltX)*180/math.Pi+360, 360)
	plane := st.plane(hMm)
	at := plane.image(s.x+x, s.y+y)
	row.DXUm, row.DYUm, row.BaseDYUm = &x, &y, &baseY
	row.TiltDeg, row.AzimuthDeg, row.XPx, row.YPx = &tilt, &azimuth, &at.X, &at.Y
}

// fitArray finds the small motion (dx − θy, dy + θx) that fits the sites' offsets best.
func (st *stage) fitArray() {
	var n, sx, sy, sdx, sdy, srr, sxy float64
	for i, row := range st.truth.Sites {
		if row.DXUm == nil {
			continue
		}
		x, y := st.sites[i].x, st.sites[i].y
		n++
		sx, sy, sdx, sdy = sx+x, sy+y, sdx+*row.DXUm, sdy+*row.DYUm
		srr += x*x + y*y
		sxy += x**row.DYUm - y**row.DXUm
	}
	if n < 2 {
		return
	}
	theta := (sxy - (sx*sdy-sy*sdx)/n) / (srr - (sx*sx+sy*sy)/n)
	dx, dy, deg := (sdx+theta*sy)/n, (sdy-theta*sx)/n, theta*180/math.Pi
	st.truth.DXUm, st.truth.DYUm, st.truth.ThetaDeg = &dx, &dy, &deg
}

var truthColumns = []string{
	"image", "part", "view", "reason", "um_per_px", "um_per_px_y", "camera", "working_distance_mm", "k1", "width_px", "height_px", "bits",
	"substrate_scale", "origin_x_px", "origin_y_px", "fixture_deg", "dx_um", "dy_um", "theta_deg", "lever_um", "width_um", "height_um", "die",
	"blur_px", "read_noise_percent", "shot_noise_percent", "chips", "rough_um", "flux_rim", "flux_over_marks", "glare", "marks_impaired",
	"missing", "lean_deg", "lean_azimuth_deg",
}

// WriteCSV writes truths as a table, one row a picture.
func WriteCSV(w io.Writer, truths []*Truth) error {
	out := csv.NewWriter(w)
	if err := out.Write(truthColumns); err != nil {
		return err
	}
	for _, t := range truths {
		flux := "0"
		if t.FluxRim {
			flux = "1"
		}
		err := out.Write([]string{
			t.Image, t.Part, t.View, t.Reason, number(t.UmPerPx), number(t.UmPerPxY), t.Camera, unless0(t.WorkingDistanceMm), number(t.K1), strconv.Itoa(t.WidthPx), strconv.Itoa(t.HeightPx), strconv.Itoa(t.Bits),
			number(t.SubstrateScale), number(t.OriginXPx), number(t.OriginYPx), number(t.FixtureDeg), optional(t.DXUm), optional(t.DYUm), optional(t.ThetaDeg), number(t.LeverUm), unless0(t.WidthUm), unless0(t.HeightUm), t.Die,
			number(t.BlurPx), number(t.ReadNoisePct), number(t.ShotNoisePct), strconv.Itoa(t.Chips), number(t.RoughUm), flux, strconv.Itoa(t.FluxOverMarks), strconv.Itoa(t.Glare), strconv.Itoa(t.MarksImpaired),
			strconv.Itoa(t.Missing), number(t.LeanDeg), number(t.LeanAzimuthDeg),
		})
		if err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// WriteSitesCSV writes the sites of one picture as a table. Empty cells don't apply.
func (t *Truth) WriteSitesCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	err := out.Write([]string{"site", "state", "dx_um", "dy_um", "tilt_deg", "azimuth_deg", "base_dx_um", "base_dy_um", "diameter_um", "height_mm", "bend_um", "x_px", "y_px"})
	for _, s := range t.Sites {
		if err != nil {
			return err
		}
		err = out.Write([]string{
			s.Site, s.State, optional(s.DXUm), optional(s.DYUm), optional(s.TiltDeg), optional(s.AzimuthDeg), optional(s.BaseDXUm), optional(s.BaseDYUm),
			optional(s.DiameterUm), optional(s.HeightMm), optional(s.BendUm), optional(s.XPx), optional(s.YPx),
		})
	}
	if err != nil {
		return err
	}
	out.Flush()
	return out.Error()
}

func number(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

func unless0(v float64) string {
	if v == 0 {
		return ""
	}
	return number(v)
}

func optional(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', 6, 64)
}
