// Package part holds part files: the drawing of one package type (substrate, marks, die, cap,
// array) and its limits. Lengths are in mm as on drawings, limits on measured values in µm.
package part

import "plumbsquare/internal/geom"

// A Part is one package type as its part file states it.
type Part struct {
	Name        string      `yaml:"part"`
	Substrate   Substrate   `yaml:"substrate"`
	Fixture     Fixture     `yaml:"fixture"`
	Marks       *Marks      `yaml:"marks"`
	Orientation Orientation `yaml:"orientation"`
	Die         *Die        `yaml:"die"`
	Cap         *Cap        `yaml:"cap"`
	Array       *Array      `yaml:"array"`
	Limits      Limits      `yaml:"limits"`

	// Hash is the SHA-256 of the file's bytes, hexadecimal: the part's version.
	Hash string `yaml:"-"`
}

// A Substrate is the ceramic, centred on the drawing's origin unless the drawing says otherwise.
type Substrate struct {
	WidthMm     float64 `yaml:"width_mm"`
	HeightMm    float64 `yaml:"height_mm"`
	ThicknessMm float64 `yaml:"thickness_mm"`
}

// A Fixture says how far a sample may lie from the centre of the picture, unturned.
type Fixture struct {
	ShiftLimitMm float64 `yaml:"shift_limit_mm"` // per axis; 0 means 1 mm
	TurnLimitDeg float64 `yaml:"turn_limit_deg"` // 0 means 5°
}

// A MarkShape is the outline of a mark.
type MarkShape string

// The shapes of marks that can be found.
const (
	Cross  MarkShape = "cross"
	Ring   MarkShape = "ring"
	Disc   MarkShape = "disc"
	Square MarkShape = "square"
)

// Marks are fiducials of one shape on one plane.
type Marks struct {
	Shape      MarkShape `yaml:"shape"`
	LengthMm   float64   `yaml:"length_mm"`    // cross: tip to tip; square: side
	ArmWidthMm float64   `yaml:"arm_width_mm"` // cross
	DiameterMm float64   `yaml:"diameter_mm"`  // disc, ring: outer
	InnerMm    float64   `yaml:"inner_mm"`     // ring: inner diameter
	PlaneMm    float64   `yaml:"plane_mm"`     // height of the marks above the substrate's top surface
	At         []Place   `yaml:"at"`
}

// SizeMm returns the side of the square that a mark fills.
func (m *Marks) SizeMm() float64 {
	if m.Shape == Cross || m.Shape == Square {
		return m.LengthMm
	}
	return m.DiameterMm
}

// A Place is a named point of the drawing.
type Place struct {
	Name string  `yaml:"name"`
	XMm  float64 `yaml:"x_mm"`
	YMm  float64 `yaml:"y_mm"`
}

// Point returns the place as a drawing point.
func (p Place) Point() geom.DrawingPoint { return geom.MmPoint(p.XMm, p.YMm) }

// Orientation says how one tells which way round a sample lies.
type Orientation struct {
	// By is "disc" (an extra disc at X, Y), "absent-mark" (the mark pattern has none at X, Y)
	// or "fixture" (the fixture lets the sample in only one way round).
	By         string  `yaml:"by"`
	XMm        float64 `yaml:"x_mm"`
	YMm        float64 `yaml:"y_mm"`
	DiameterMm float64 `yaml:"diameter_mm"` // disc
}

// A Die is the bare chip: its outline at the height of its top surface, and where it belongs.
type Die struct {
	WidthMm  float64 `yaml:"width_mm"`
	HeightMm float64 `yaml:"height_mm"`
	TopMm    float64 `yaml:"top_mm"` // height of the top surface above the substrate's
	XMm      float64 `yaml:"x_mm"`   // nominal centre
	YMm      float64 `yaml:"y_mm"`
	ThetaDeg float64 `yaml:"theta_deg"`
	Marks    *Marks  `yaml:"marks"` // seen through the silicon; places from the die's centre
	Bumps    *Bumps  `yaml:"bumps"`
}

// Centre returns the nominal centre of the die.
func (d *Die) Centre() geom.DrawingPoint { return geom.MmPoint(d.XMm, d.YMm) }

// Bumps is the grid of solder bumps under the die, centred on it.
type Bumps struct {
	Rows       int     `yaml:"rows"`
	Columns    int     `yaml:"columns"`
	PitchMm    float64 `yaml:"pitch_mm"`
	DiameterMm float64 `yaml:"diameter_mm"`
	PadMm      float64 `yaml:"pad_mm"` // pad diameter on the substrate
}

// A Cap is the metal lid over the die.
type Cap struct {
	WidthMm        float64 `yaml:"width_mm"`
	HeightMm       float64 `yaml:"height_mm"`
	CornerRadiusMm float64 `yaml:"corner_radius_mm"`
	TopMm          float64 `yaml:"top_mm"`
	XMm            float64 `yaml:"x_mm"`
	YMm            float64 `yaml:"y_mm"`
	ThetaDeg       float64 `yaml:"theta_deg"`
	Datum          string  `yaml:"datum"` // "outline" of the substrate or "marks"
}

// An Array is the grid of columns or balls, centred on the drawing's origin, as the picture of
// that side shows it: row A on top, column 1 at the left.
type Array struct {
	Kind       string   `yaml:"kind"` // "columns" or "balls"
	Rows       int      `yaml:"rows"`
	Columns    int      `yaml:"columns"`
	PitchMm    float64  `yaml:"pitch_mm"`
	DiameterMm float64  `yaml:"diameter_mm"`
	HeightMm   float64  `yaml:"height_mm"`  // columns: tip above the substrate; balls: top
	EquatorMm  float64  `yaml:"equator_mm"` // balls: height of the widest section
	PadMm      float64  `yaml:"pad_mm"`     // pad diameter
	Datum      string   `yaml:"datum"`      // "outline", "marks" or "array" (best fit of the array itself)
	Absent     []string `yaml:"absent"`     // sites that the part doesn't have: "A1", "A1:A3" or "A1:C3"
}

// Limits are what the part is judged by. A limit of 0 is not judged, except MissingColumns,
// where nil is not judged.
type Limits struct {
	OffsetXUm      float64 `yaml:"offset_x_um"`      // |X| of die or cap
	OffsetYUm      float64 `yaml:"offset_y_um"`      // |Y|
	ThetaDeg       float64 `yaml:"theta_deg"`        // |θ|
	BumpUm         float64 `yaml:"bump_um"`          // worst bump misregistration
	BumpPadPercent float64 `yaml:"bump_pad_percent"` // the same as a share of the pad's diameter
	CapXUm         float64 `yaml:"cap_x_um"`         // the same for the cap
	CapYUm         float64 `yaml:"cap_y_um"`
	CapThetaDeg    float64 `yaml:"cap_theta_deg"`
	ShrinkPercent  float64 `yaml:"shrink_percent"` // |scale of the marks - 1|
	SizeUm         float64 `yaml:"size_um"`        // die side against the drawing; beyond it the die is a wrong one
	Missing        *int    `yaml:"missing"`        // missing columns or balls allowed
	TiltDeg        float64 `yaml:"tilt_deg"`       // lean of one column
	TipUm          float64 `yaml:"tip_um"`         // distance of a tip or ball from its site
	CoplanarityUm  float64 `yaml:"coplanarity_um"` // distance of a column's tip below the seating plane, seen from the side
}
