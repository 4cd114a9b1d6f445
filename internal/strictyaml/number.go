package strictyaml

import (
	"math"
	"regexp"
	"strconv"
	"strings"
)

// decimal is how numbers are written. YAML also knows 0x1F, 0o17, 1_000 and .inf, and its older
// versions read 010 as 8: in a drawing each of these is a slip.
var decimal = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*)?(\.[0-9]+|\.)?([eE][-+]?[0-9]+)?$`)

// number reads a decimal number.
func number(text string) (float64, bool) {
	if !decimal.MatchString(text) || !strings.ContainsAny(text, "0123456789") {
		return 0, false
	}
	x, err := strconv.ParseFloat(text, 64)
	return x, err == nil && !math.IsInf(x, 0)
}

// units tells what a written unit is in the units of the schemas.
var units = map[string]struct {
	of string
	is float64
}{
	"nm": {"mm", 1e-6}, "um": {"mm", 1e-3}, "µm": {"mm", 1e-3}, "μm": {"mm", 1e-3}, "micron": {"mm", 1e-3}, "microns": {"mm", 1e-3},
	"mm": {"mm", 1}, "cm": {"mm", 10}, "m": {"mm", 1000}, "mil": {"mm", 0.0254}, "mils": {"mm", 0.0254}, "in": {"mm", 25.4},
	"deg": {"degrees", 1}, "degree": {"degrees", 1}, "degrees": {"degrees", 1}, "°": {"degrees", 1},
	"rad": {"degrees", 180 / math.Pi}, "mrad": {"degrees", 0.18 / math.Pi},
	"%": {"percent", 1}, "percent": {"percent", 1}, "ppm": {"percent", 1e-4},
}

var withUnit = regexp.MustCompile(`^\s*([-+0-9.eE]+)\s*([A-Za-zµμ°%]+)\s*$`)

// hint returns what somebody who wrote text probably meant in a unit, "" when that is unclear.
func hint(text, unit string) string {
	if x, ok := number(strings.Replace(strings.TrimSpace(text), ",", ".", 1)); ok {
		return strconv.FormatFloat(x, 'g', -1, 64)
	}
	m := withUnit.FindStringSubmatch(text)
	if m == nil {
		return ""
	}
	x, ok := number(m[1])
	written, known := units[m[2]]
	if !ok || !known {
		return ""
	}
	want := unit
	if unit == "µm" {
		want, x = "mm", x*1000
	}
	if written.of != want {
		return ""
	}
	return strconv.FormatFloat(x*written.is, 'g', 6, 64)
}
