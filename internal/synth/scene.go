package synth

import (
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// A Scene is one picture to be drawn. Part, Scope and View must be given; the zero value of
// everything else is a sample in the middle of a clean, evenly lit, noiseless picture with all
// in its nominal place.
type Scene struct {
	Part  *part.Part
	Scope *scope.Scope
	View  reading.View

	WidthPx, HeightPx int // 0: as large as the view needs, see [Size]
	Bits              int // 8, or 12 in the upper bits of 16; 0: 8

	// The sample in the fixture: where the drawing's origin lies from the optical axis, y up,
	// and how it is turned. Side view: the middle of the substrate's upper surface line.
	FixtureXUm, FixtureYUm, FixtureDeg float64
	// TurnDeg is how the sample was put under the scope, a multiple of 90°, counter-clockwise as seen
	// from above: from the side it decides which edge faces the lens.
	TurnDeg float64
	// SubstrateScale is the ceramic's size over that drawn; 0: 1. Marks, sites, nominal places
	// and, on views that show it, the outline move with it; dies, caps, columns and balls don't.
	SubstrateScale float64

	// Offset of die or cap, or of the whole array, in the drawing frame.
	OffsetXUm, OffsetYUm, ThetaDeg float64

	Die    DieState
	Array  ArrayState
	Marks  []MarkState
	Look   Look
	Optics Optics
	Dirt   Dirt
	Fault  Fault

	// Refuse is the gate that must refuse the picture although nothing spoils it as a picture: a
	// die of the wrong size, two dies. It only goes into the truth.
	Refuse string
}

// A DieState is what is unusual about the die or cap.
type DieState struct {
	SizeXUm, SizeYUm float64 // side minus drawn
	None             bool    // no die was placed
	QuarterTurned    bool    // turned by 90°
	UpsideDown       bool    // bumps up
	Second           *SecondDie
	Chips            int
	ChipUm           float64 // depth of the deepest chip; 0: 40
	CornerUm         float64 // radius of the piece broken off one corner; 0: none
	RoughUm          float64 // standard deviation of the sawn edge about its straight line
	RoughLengthUm    float64 // over which it is correlated; 0: 30
}

// A SecondDie is one more die than there should be, its centre from the first one's.
type SecondDie struct{ XUm, YUm, ThetaDeg float64 }

// A MarkState is what is unusual about one mark of the substrate.
type MarkState struct {
	Name   string
	Absent bool    // never printed, or worn off
	Cover  float64 // share of the mark hidden under opaque residue, 0 to 1
}

// An ArrayState is what is unusual about columns or balls.
type ArrayState struct {
	Sites []SiteState
	// Seed, unless 0, decides the random places and leans of the sites, so that several pictures
	// show one sample; 0: the generator of the picture does.
	Seed uint64

	// Spread of what is in order: standard deviation per axis of the foot's or ball's place,
	// Rayleigh parameter of the tilt, standard deviations of height and diameter.
	PlaceUm, TiltDeg, HeightUm, DiameterUm float64

	LeanDeg, LeanAzimuthDeg float64 // common to all columns, azimuth counter-clockwise from +X
	LightAzimuthDeg         float64 // where oblique light comes from, drawing frame
	Shadow                  float64 // how dark shadows are: 0 none, 1 black
	Oblique                 bool    // light from one side: shadows to one side, not all round
	Debris                  int     // crumbs between the columns
}

// A SiteState is what is unusual about one site. All places are in the drawing frame.
type SiteState struct {
	Site       string
	Missing    bool
	Pad        float64 // missing: level of the bare pad; 0: as the look says, near that of a tip
	TiltDeg    float64 // side view: in the picture, positive toward +X
	AzimuthDeg float64
	XUm, YUm   float64 // off its place
	DiameterUm float64 // balls: diameter minus drawn
	BendUm     float64 // side view: deviation of the tip from the leaning line
	BridgedTo  string  // balls: merged with this neighbour
	Doubled    bool    // balls: a second one sticks to it
	Shadowed   bool    // tip in the dark
}

// A Look is the levels of light, fractions of full scale; 0: the view's own. Texture is how
// much of the real surfaces' grain there is: 0 flat, 1 as on real parts.
type Look struct {
	Outside, Substrate, Mark, Die, Tip, Pad, Flank float64
	Texture                                        float64
}

// Optics is what the scope and its camera do to the picture.
type Optics struct {
	BlurPx float64 // standard deviation of the point spread; 0: 1
	// Focus on the tip or the base of columns leaves the other end DefocusPx more blurred (standard
	// deviation, in squares); empty: all is as sharp.
	Focus     reading.Focus
	DefocusPx float64
	// Noise in fractions of full scale: of reading, and of the light itself at full scale, where
	// it grows with the root of the light.
	ReadNoise, ShotNoise float64
	SlopeX, SlopeY       float64 // light = 1 + slope·(distance from the centre / picture's side)
	Vignette             float64 // share of light lost in the corners
	BlackLevel           float64 // added to all, fraction of full scale
	DeadPixels           int     // stuck dark or bright
	TiltXDeg, TiltYDeg   float64 // of the optical axis: what is h high moves by h tan(tilt)
}

// Dirt is what lies about and gets in the way. Counts are how many; places are drawn at random.
type Dirt struct {
	FluxRim       bool    // glossy film round the die
	FluxOverMarks int     // marks partly under clear film
	Glare         int     // bright patches across die or cap edges
	Streaks       int     // bright streaks across edges
	Dust, Fibres  int     // anywhere, marks included
	Scratches     int     // long, parallel to a die edge
	Components    int     // capacitors on their pads, beside the die
	Traces        int     // from under the die outward
	Residue       int     // dark stains on the substrate
	Fringes       float64 // infrared: contrast of interference fringes
	ContactShadow float64 // how much darker the substrate is along the die: 0 to 1
}

// A Fault makes a picture that must be refused; the word is that of the gate that refuses it.
type Fault string

// The faults.
const (
	Defocus     Fault = "defocus"
	MotionBlur  Fault = "motion-blur"
	Saturated   Fault = "saturated"
	NearlyBlack Fault = "nearly-black"
	HalfMissing Fault = "half-missing"
	MarkOut     Fault = "fiducial-out"
	MarksHidden Fault = "fiducials-hidden"
	NoDie       Fault = "empty-fixture"
)

// Faults lists all faults.
var Faults = [...]Fault{Defocus, MotionBlur, Saturated, NearlyBlack, HalfMissing, MarkOut, MarksHidden, NoDie}

// Fits says whether a fault can befall a view: what has no marks in sight can't hide them.
func (f Fault) Fits(v reading.View) bool {
	switch f {
	case MarkOut, MarksHidden:
		return v == reading.DiePlan || v == reading.DieIR
	case NoDie:
		return v == reading.DiePlan || v == reading.DieIR || v == reading.CapPlan
	}
	return true
}
