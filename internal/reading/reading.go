// Package reading holds what a shot yields: measured values with their standard uncertainties
// (k = 1), residuals, where they came from, and the verdict. Offsets are measured minus
// nominal in the drawing frame, µm, angles in degrees counter-clockwise, image places in px.
// docs/readings.md describes the JSON and CSV forms.
package reading

import (
	"path/filepath"
	"strings"
)

// Schema names the version of the JSON form.
const Schema = "reading/1"

// A View is what kind of picture a shot is.
type View string

// The views.
const (
	DiePlan    View = "die-plan"
	DieIR      View = "die-ir"
	CapPlan    View = "cap-plan"
	ColumnPlan View = "column-plan"
	ColumnSide View = "column-side"
	BallPlan   View = "ball-plan"
)

// Views lists every view.
var Views = [...]View{DiePlan, DieIR, CapPlan, ColumnPlan, ColumnSide, BallPlan}

// A Decision is the verdict on a shot.
type Decision string

// The decisions, after ISO 14253-1; Retake means that the picture can't be measured.
const (
	Accept Decision = "accept"
	Reject Decision = "reject"
	Review Decision = "review"
	Retake Decision = "retake"
)

// A Reading is the measured result of one shot. The same picture, part, scope and program
// give the same reading, bit for bit.
type Reading struct {
	Schema string `json:"schema"`
	Source Source `json:"source"`
	Shot   Shot   `json:"shot"`

	Verdict Verdict  `json:"verdict"`
	Refusal *Refusal `json:"refusal,omitempty"` // set when, and only when, the verdict is retake

	Quality   Quality    `json:"quality"`
	Substrate *Substrate `json:"substrate,omitempty"`
	Offset    *Offset    `json:"offset,omitempty"`
	Array     *Array     `json:"array,omitempty"`

	// Looks are the shots that a reading of several was put together from; none for a reading of one shot.
	Looks []Look `json:"looks,omitempty"`

	// Warnings are sentences about what was unusual but didn't stop the measurement.
	Warnings []string `json:"warnings,omitempty"`
}

// PictureName returns the picture's file name without its folder; of a reading of several, theirs.
func (r *Reading) PictureName() string {
	if len(r.Looks) == 0 {
		return filepath.Base(r.Source.Picture)
	}
	var names []string
	for _, l := range r.Looks {
		names = append(names, filepath.Base(l.Picture))
	}
	return strings.Join(names, " + ")
}

// A Source names what made the reading, enough to repeat it.
type Source struct {
	Picture   string `json:"picture"` // path as given
	SHA256    string `json:"sha256"`  // of the picture file
	Part      string `json:"part"`
	PartHash  string `json:"part_sha256"`
	Scope     string `json:"scope"`
	ScopeHash string `json:"scope_sha256"`
	Program   string `json:"program"` // version of plumbsquare
	OpenCV    string `json:"opencv"`
	WidthPx   int    `json:"width_px"`
	HeightPx  int    `json:"height_px"`
	BitsPerPx int    `json:"bits_per_px"`
}

// A Look is one of the shots behind a reading of several.
type Look struct {
	Name      string  `json:"name"` // by which sources call it, such as "side 90°"
	Picture   string  `json:"picture"`
	SHA256    string  `json:"sha256"`
	Scope     string  `json:"scope"`
	ScopeHash string  `json:"scope_sha256"`
	View      View    `json:"view"`
	TurnDeg   float64 `json:"turn_deg,omitempty"`
	Focus     Focus   `json:"focus,omitempty"`
	Unused    string  `json:"unused,omitempty"` // why nothing of it is in the reading
	Corner    *Corner `json:"corner,omitempty"` // of a die in corner shots
}

// A Corner is what one of a die's corner shots shows, in px of its own picture.
type Corner struct {
	Stage Stage `json:"stage"` // as the traveler gives it
	// By how much the coordinates are off by what all shots show together; 0 in a refused reading.
	StageOffXUm float64 `json:"stage_off_x_um"`
	StageOffYUm float64 `json:"stage_off_y_um"`
	OriginXPx   float64 `json:"origin_x_px"` // the drawing's origin, which may lie outside; likewise
	OriginYPx   float64 `json:"origin_y_px"`
	Marks       []Mark  `json:"marks,omitempty"`
	Edges       []Edge  `json:"edges,omitempty"` // of the die, over the stretch that was looked at
}

// A Shot is the particulars that came with the picture.
type Shot struct {
	View         View   `json:"view"`
	Lot          string `json:"lot,omitempty"`
	Sample       string `json:"sample,omitempty"`
	Head         string `json:"head,omitempty"`
	Nozzle       string `json:"nozzle,omitempty"`
	PickPosition string `json:"pick_position,omitempty"`
	Operator     string `json:"operator,omitempty"`
	TakenAt      string `json:"taken_at,omitempty"` // RFC 3339, or what the traveler says

	// TurnDeg is how the sample was put under the scope, counter-clockwise as seen: 0, 90, 180 or 270.
	TurnDeg float64 `json:"turn_deg,omitempty"`
	// Focus is which end of tall columns the lens was focused on; empty where nobody said.
	Focus Focus `json:"focus,omitempty"`
	// Stage is where the stage stood, for shots of one sample at several places.
	Stage *Stage `json:"stage,omitempty"`
}

// A Focus is an end of a column that a lens is focused on.
type Focus string

// The ends.
const (
	Tip  Focus = "tip"
	Base Focus = "base"
)

// A Stage is the place on the object that the scope's axis points at, along the picture's x and
// its y up, as the stage shows it.
type Stage struct {
	XMm float64 `json:"x_mm"`
	YMm float64 `json:"y_mm"`
}

// A Verdict is the decision and its reasons, worst first, in words a technician acts on.
type Verdict struct {
	Decision Decision `json:"decision"`
	Reasons  []Reason `json:"reasons,omitempty"`
}

// A Reason is one value held against its limit.
type Reason struct {
	What     string   `json:"what"` // such as "offset_x_um"; for sites "tilt_deg G14"
	Decision Decision `json:"decision"`
	Value    float64  `json:"value"`
	Expanded float64  `json:"expanded_uncertainty"` // U = 2 u, unit of the value
	Limit    float64  `json:"limit"`
	Text     string   `json:"text"`
}

// A Refusal says why a picture can't be measured and what to do about it.
type Refusal struct {
	Gate        string  `json:"gate"` // one word of the list in docs/readings.md, such as "saturated"
	Got         float64 `json:"got"`
	Limit       float64 `json:"limit"`
	Unit        string  `json:"unit,omitempty"`
	Instruction string  `json:"instruction"`
}

// Error makes a refusal an error, so that any step of the measurement can return it.
func (r *Refusal) Error() string { return r.Gate + ": " + r.Instruction }

// Quality is how good the picture is.
type Quality struct {
	NoiseDN          float64 `json:"noise_dn"`          // standard deviation at the median grey level
	BlurPx           float64 `json:"blur_px"`           // sigma of the point spread along the measured edges; 0 when not measured
	SaturatedPercent float64 `json:"saturated_percent"` // of pixels
	DarkPercent      float64 `json:"dark_percent"`      // of pixels at the black level
}

// A Substrate is where the drawing frame lies in the picture.
type Substrate struct {
	OriginXPx float64 `json:"origin_x_px"` // image place of the drawing's origin
	OriginYPx float64 `json:"origin_y_px"`
	TurnDeg   float64 `json:"turn_deg"`
	UTurnDeg  float64 `json:"u_turn_deg"`
	Scale     float64 `json:"scale"` // size shown over size drawn
	UScale    float64 `json:"u_scale"`
	Marks     []Mark  `json:"marks,omitempty"`
	Edges     []Edge  `json:"edges,omitempty"` // outline, where it is the datum
}

// A Mark is a fiducial as found.
type Mark struct {
	Name       string  `json:"name"`
	Used       bool    `json:"used"`
	Note       string  `json:"note,omitempty"` // why it isn't used
	XPx        float64 `json:"x_px"`
	YPx        float64 `json:"y_px"`
	UPx        float64 `json:"u_px"` // standard uncertainty per axis
	ResidualX  float64 `json:"residual_x_um"`
	ResidualY  float64 `json:"residual_y_um"`
	MisfitRoot float64 `json:"misfit"` // root of the reduced chi-square of the fit
}

// An Edge is a fitted straight edge as seen in the picture, from corner to corner.
type Edge struct {
	Side  string  `json:"side"` // "+x", "+y", "-x", "-y" of the drawing
	X1Px  float64 `json:"x1_px"`
	Y1Px  float64 `json:"y1_px"`
	X2Px  float64 `json:"x2_px"`
	Y2Px  float64 `json:"y2_px"`
	Used  float64 `json:"used"`   // fraction of the edge that entered the fit
	RmsUm float64 `json:"rms_um"` // scatter of the edge about the fitted line
	UUm   float64 `json:"u_um"`   // standard uncertainty of its place
	// Profile holds the edge's distance outward from the fitted line, µm, at equal steps; a gap is null.
	Profile []*float64 `json:"profile_um,omitempty"`
}

// An Offset is where the die or cap sits: measured minus nominal, in the drawing frame.
type Offset struct {
	Of       string  `json:"of"` // "die" or "cap"
	XUm      float64 `json:"x_um"`
	YUm      float64 `json:"y_um"`
	ThetaDeg float64 `json:"theta_deg"`
	UXUm     float64 `json:"u_x_um"`
	UYUm     float64 `json:"u_y_um"`
	UTheta   float64 `json:"u_theta_deg"`
	// Cov is the covariance of (X µm, Y µm, theta degrees), in that order.
	Cov [3][3]float64 `json:"cov"`
	// Budget holds the terms that add up in squares to the standard uncertainties, largest first.
	Budget []Term `json:"budget"`

	WidthUm   float64 `json:"width_um"`
	HeightUm  float64 `json:"height_um"`
	UWidthUm  float64 `json:"u_width_um"`
	UHeightUm float64 `json:"u_height_um"`
	Edges     []Edge  `json:"edges,omitempty"`
	Marks     []Mark  `json:"marks,omitempty"` // of the die, seen through the silicon

	Bump *Bump `json:"worst_bump,omitempty"`
}

// A Term is one contribution to the uncertainty, as standard uncertainties of the three values.
type Term struct {
	Name     string  `json:"name"`
	XUm      float64 `json:"x_um"`
	YUm      float64 `json:"y_um"`
	ThetaDeg float64 `json:"theta_deg"`
}

// A Bump is the bump under the die with the largest misregistration to its pad.
type Bump struct {
	Row    int     `json:"row"` // from the top, 1 first
	Column int     `json:"column"`
	XUm    float64 `json:"x_um"` // misregistration in the drawing frame
	YUm    float64 `json:"y_um"`
	MissUm float64 `json:"miss_um"` // its length
	UUm    float64 `json:"u_um"`
}

// An Array is what was found of the columns or balls.
type Array struct {
	Kind    string `json:"kind"` // "columns" or "balls"
	Sites   []Site `json:"sites"`
	Present int    `json:"present"`
	Missing int    `json:"missing"`
	Tilted  int    `json:"tilted"`            // beyond the limit
	Bridged int    `json:"bridged,omitempty"` // balls joined with a neighbour
	Doubled int    `json:"doubled,omitempty"` // balls with a second one on their pad

	// The array as a whole against the datum: the mean of the tips' offsets and their rotation;
	// scale is pitch shown over pitch drawn. Of an array that is its own datum this is its place
	// against the outline, and the sites' offsets are what the best fit of shift and turn leaves.
	XUm      float64 `json:"x_um"`
	YUm      float64 `json:"y_um"`
	ThetaDeg float64 `json:"theta_deg"`
	UXUm     float64 `json:"u_x_um"`
	UYUm     float64 `json:"u_y_um"`
	UTheta   float64 `json:"u_theta_deg"`
	Scale    float64 `json:"scale"`
	// Lean is the tilt common to all columns.
	LeanDeg        float64 `json:"lean_deg"`
	LeanAzimuthDeg float64 `json:"lean_azimuth_deg"`
	// Coplanarity is how far the lowest tip seen lies below the seating plane; side view only.
	CoplanarityUm  float64 `json:"coplanarity_um,omitempty"`
	UCoplanarityUm float64 `json:"u_coplanarity_um,omitempty"`

	// Camera is the tilt of the optical axis, which two plan shots of one sample, turned in between,
	// tell from the columns' own lean; the leans of the reading are freed of it.
	Camera  *CameraTilt   `json:"camera,omitempty"`
	Sources *ArraySources `json:"sources,omitempty"` // combined readings only
}

// A CameraTilt is the tilt of the optical axis in the scope frame: positive X where what stands
// above the substrate is shown too far right, positive Y too far up.
type CameraTilt struct {
	XDeg  float64 `json:"x_deg"`
	YDeg  float64 `json:"y_deg"`
	UXDeg float64 `json:"u_x_deg"`
	UYDeg float64 `json:"u_y_deg"`
}

// ArraySources name the looks that a combined array's values come from.
type ArraySources struct {
	Place       string `json:"place,omitempty"`       // x, y, theta, scale
	Coplanarity string `json:"coplanarity,omitempty"` // and its uncertainty
}

// States of a site.
const (
	Present = "present"
	Missing = "missing"
	Tilted  = "tilted"  // beyond the limit on tilt
	Off     = "off"     // beyond the limit on place
	Bridged = "bridged" // balls: joined with a neighbour
	Doubled = "doubled" // balls: a second one sits on the same pad
	Unseen  = "unseen"  // hidden or outside the picture
)

// A Site is one place of the array.
type Site struct {
	Name  string  `json:"site"`
	State string  `json:"state"`
	XPx   float64 `json:"x_px"` // where the tip or ball is seen; for a missing one, where it should be
	YPx   float64 `json:"y_px"`
	DXUm  float64 `json:"dx_um"` // tip or ball minus site, drawing frame
	DYUm  float64 `json:"dy_um"`
	UUm   float64 `json:"u_um"` // per axis
	// Tilt is the whole lean of the column against the substrate's normal; what all columns have in
	// common is in it and stands beside it as the array's Lean. Azimuth is the direction in which the tip
	// leans, counter-clockwise from +X. From the side the tilt is that in the picture's plane, above 0
	// toward the azimuth, which is 0 (+X) or 90 (+Y).
	TiltDeg    float64 `json:"tilt_deg"`
	AzimuthDeg float64 `json:"azimuth_deg"`
	UTiltDeg   float64 `json:"u_tilt_deg"`
	// Diameter is that of a ball, from the side that of a column, in plan that of its lit end face,
	// which a worn rim makes smaller.
	DiameterUm  float64 `json:"diameter_um"`
	UDiameterUm float64 `json:"u_diameter_um,omitempty"`

	Foot       *Foot        `json:"foot,omitempty"`       // plan of columns, where it is seen
	Silhouette *Silhouette  `json:"silhouette,omitempty"` // side view only
	Sources    *SiteSources `json:"sources,omitempty"`    // combined readings only
}

// A Foot is where a column stands: foot minus site, drawing frame.
type Foot struct {
	DXUm float64 `json:"dx_um"`
	DYUm float64 `json:"dy_um"`
	UUm  float64 `json:"u_um"` // per axis
}

// SiteSources name the looks that a site's values come from; empty for what it has none of. A lean
// from a tip and a foot of two looks names both.
type SiteSources struct {
	State      string `json:"state,omitempty"`
	Place      string `json:"place,omitempty"` // dx, dy, diameter
	Foot       string `json:"foot,omitempty"`
	LeanX      string `json:"lean_x,omitempty"`
	LeanY      string `json:"lean_y,omitempty"`
	Silhouette string `json:"silhouette,omitempty"`
}

// A Silhouette is a column as the side view shows it, in the plane of the picture: x along the
// drawing's +X, heights from the substrate's upper surface.
type Silhouette struct {
	HeightUm  float64 `json:"height_um"` // of the middle of its tip
	UHeightUm float64 `json:"u_height_um"`
	FootUm    float64 `json:"foot_um"` // foot minus site along X
	UFootUm   float64 `json:"u_foot_um"`
	// Bend is how far the tip lies beside the straight line in which the column starts: the axis is
	// taken as foot + slope·z + bend·(z/height)².
	BendUm  float64 `json:"bend_um"`
	UBendUm float64 `json:"u_bend_um"`
	// Seating is the tip's height against the seating plane's, never above 0. For a row of columns
	// that is the line on which the sample would stand: it touches the tallest tips on both sides of
	// the middle.
	SeatingUm  float64 `json:"seating_um"`
	USeatingUm float64 `json:"u_seating_um"`
}
