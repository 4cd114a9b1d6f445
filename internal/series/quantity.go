package series

import (
	"strings"

	"plumbsquare/internal/part"
	"plumbsquare/internal/spc"
)

// A Quantity is what a column holds, in words.
type Quantity struct {
	Name string // "offset X"
	Unit string // "µm"; "" when the column's name doesn't end in one
}

// readingNames says in words what columns of readings hold.
var readingNames = map[string]string{
	"x_um": "offset X", "y_um": "offset Y", "theta_deg": "rotation θ",
	"width_um": "width", "height_um": "height", "worst_bump_um": "worst bump misregistration",
	"substrate_turn_deg": "turn of the substrate", "substrate_scale": "scale of the substrate",
	"array_x_um": "array offset X", "array_y_um": "array offset Y", "array_theta_deg": "array rotation θ",
	"lean_deg": "common lean", "missing": "missing sites", "tilted": "tilted sites", "present": "sites present",
	"blur_px": "blur", "noise_dn": "noise",
}

// units are the endings of names, as docs/readings.md lists them.
var units = []struct{ ending, unit string }{
	{"_um", "µm"}, {"_mm", "mm"}, {"_deg", "°"}, {"_px", "px"}, {"_percent", "%"}, {"_dn", "grey levels"},
}

// QuantityOf puts the name of a column in words.
func QuantityOf(column string) Quantity {
	q := Quantity{Name: column}
	for _, u := range units {
		if name, ok := strings.CutSuffix(column, u.ending); ok && name != "" {
			q = Quantity{strings.ReplaceAll(name, "_", " "), u.unit}
		}
	}
	if name := readingNames[column]; name != "" {
		q.Name = name
	}
	return q
}

// ToleranceOf returns what a part's limits allow a column of readings, and whether they judge it.
// of is the column "of": whether offsets are those of the die or of the cap.
func ToleranceOf(column, of string, l part.Limits) (spc.Tolerance, bool) {
	limits := map[string]float64{"x_um": l.OffsetXUm, "y_um": l.OffsetYUm, "theta_deg": l.ThetaDeg}
	if of == "cap" {
		limits = map[string]float64{"x_um": l.CapXUm, "y_um": l.CapYUm, "theta_deg": l.CapThetaDeg}
	}
	if limit := limits[column]; limit > 0 {
		return spc.Tolerance{Lower: -limit, Upper: limit}, true
	}
	if column == "worst_bump_um" && l.BumpUm > 0 {
		return spc.AtMost(l.BumpUm), true
	}
	return spc.Tolerance{}, false
}
