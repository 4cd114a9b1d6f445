package picture

import (
	"fmt"
	"math"

	"plumbsquare/internal/reading"
)

// Limits of the gates: from where on a picture of any part is no good. Common practice, no source;
// each lies well between what usable pictures show and what spoilt ones do.
const (
	// The brightest parts must use a fair share of the scale: an 8-bit picture below has fewer
	// than 40 steps for everything, and rounding is no longer small against the noise.
	minBrightPercent = 15

	// A saturated pixel doesn't say where in it an edge lies. Glints are a few tenths of a percent.
	maxSaturatedPercent = 1

	// A strip this large can hide a row of sites, which would then be called missing.
	maxLostPercent = 2

	// A microscope in focus shows a point spread with a sigma of 1 to 2 px.
	maxBlurPx = 3.0
	// Dust on the camera's window stays sharp. Where the bulk of the edges is blurred in whatever
	// direction they run, the picture is out of focus, and no motion made it so; pictures in focus
	// stay below 2.5 px, those which motion smeared below 3.5 px along their sharpest direction.
	maxBulkBlurPx = 3.5

	// How far the picture may move during the exposure. Blur is called motion when the long axis
	// of the point spread is also clearly longer than the short one.
	maxMotionPx     = 6
	motionAxesRatio = 1.5
)

// Words of the gates, as they stand in a refusal.
const (
	gateBlack   = "nearly-black"
	gateWhite   = "saturated"
	gateMissing = "half-missing"
	gateEmpty   = "empty-fixture"
	gateFocus   = "defocus"
	gateMotion  = "motion-blur"
)

// Check judges a picture by what needs no knowledge of the part: exposure, completeness,
// whether there is anything in it, focus and motion. The refusal is nil when the picture passes;
// it then still may show another part, or too little of this one.
//
// The quality's BlurPx is that of the strongest edges, whatever they belong to.
func Check(g *Gray, n Noise) (reading.Quality, *reading.Refusal) {
	l := levelsOf(g)
	q := reading.Quality{
		NoiseDN:          math.Sqrt(n.Var(l.median)),
		SaturatedPercent: l.saturatedPercent,
		DarkPercent:      l.blackPercent,
	}
	if r := checkLevels(g, l); r != nil {
		return q, r
	}
	if lost := lostPercent(g); lost > maxLostPercent {
		return q, &reading.Refusal{Gate: gateMissing, Got: lost, Limit: maxLostPercent, Unit: "% of the picture",
			Instruction: fmt.Sprintf("%.0f %% of the picture holds no image, not even noise: it was cut off while it was taken or saved; take it again, and check cable and disk if this comes back", lost)}
	}
	b := blurOf(g, n)
	q.BlurPx = b.sigmaPx
	return q, checkBlur(b)
}

func checkLevels(g *Gray, l levels) *reading.Refusal {
	full := float64(g.FullScale)
	if bright := 100 * l.bright / full; bright < minBrightPercent {
		r := &reading.Refusal{Gate: gateBlack, Got: bright, Limit: minBrightPercent, Unit: "% of full scale",
			Instruction: "the picture is black: switch the light on and open the shutter"}
		if bright > 0.5 {
			r.Instruction = fmt.Sprintf("the brightest parts reach only %.2g %% of full scale: raise the light or the exposure about %.0f times", bright, 65/bright)
		}
		if bits := lowBits(l.highest); g.FullScale == 65535 && levelStep(g) == 1 && bits >= 10 && bits < 16 {
			r.Instruction += fmt.Sprintf("; or, if the camera has %d bits, let it write them into the upper bits of the 16", bits)
		}
		return r
	}
	if l.saturatedPercent > maxSaturatedPercent {
		return &reading.Refusal{Gate: gateWhite, Got: l.saturatedPercent, Limit: maxSaturatedPercent, Unit: "% of pixels",
			Instruction: fmt.Sprintf("%.1f %% of the picture is saturated: lower the light or the exposure until less than %d %% is", l.saturatedPercent, maxSaturatedPercent)}
	}
	return nil
}

// lowBits is how many bits a grey level takes.
func lowBits(level int) int { return int(math.Ceil(math.Log2(float64(level + 1)))) }

func checkBlur(b blur) *reading.Refusal {
	if b.edges == 0 {
		return &reading.Refusal{Gate: gateEmpty, Got: 0, Limit: minEdges, Unit: "edges",
			Instruction: "nothing in the picture stands out of the noise: put the sample under the lens, and check light and focus"}
	}
	if b.shortPx > maxBulkBlurPx {
		return defocused(b.shortPx, maxBulkBlurPx, "its edges")
	}
	// A uniform motion by L is a box of L, whose width at half height is L.
	if motion := math.Sqrt(8 * math.Ln2 * max(b.longPx*b.longPx-b.shortPx*b.shortPx, 0)); motion > maxMotionPx && b.longPx > motionAxesRatio*b.shortPx {
		return &reading.Refusal{Gate: gateMotion, Got: motion, Limit: maxMotionPx, Unit: "px",
			Instruction: fmt.Sprintf("the picture is smeared over about %.0f px %s: let the table come to rest and touch nothing while the picture is taken, or shorten the exposure", motion, along(b.longDeg))}
	}
	if b.sigmaPx > maxBlurPx {
		return defocused(b.sigmaPx, maxBlurPx, "its sharpest edges")
	}
	return nil
}

func defocused(sigmaPx, limitPx float64, edges string) *reading.Refusal {
	return &reading.Refusal{Gate: gateFocus, Got: sigmaPx, Limit: limitPx, Unit: "px",
		Instruction: fmt.Sprintf("the picture is out of focus, %s are blurred with a sigma of %.1f px: refocus until it is below %.1f px", edges, sigmaPx, limitPx)}
}

// along says a direction in words a technician can check at the table.
func along(deg float64) string {
	switch a := math.Mod(deg+360, 180); {
	case a < 22.5 || a > 157.5:
		return "from side to side"
	case a < 67.5:
		return "along the diagonal up to the right"
	case a <= 112.5:
		return "up and down"
	}
	return "along the diagonal up to the left"
}
