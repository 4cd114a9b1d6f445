package accuracy

import (
	"fmt"
	"math"
	"strings"
)

// Goals of the program. Where a set states bounds it is exact, otherwise it shows glare, chips and
// lookalikes, and the goals differ.
const (
	goalRatio       = 1.2  // RMS of error over bound
	goalBiasZ       = 3    // beyond it a bias can be told from 0
	goalRmsPx       = 0.05 // RMS of X, Y, θ
	goalWorstPx     = 0.2
	goalCoverLow    = 0.93
	goalCoverHigh   = 0.97
	goalTiltDeg     = 0.15 // RMS
	goalTipPx       = 0.1  // RMS per axis
	goalDecodeRatio = 1.0  // analysis over decoding
)

// goals writes what was to be reached and what was.
func (s *Set) goals(b *strings.Builder) {
	b.WriteString("| goal | reached | |\n|---|---:|---|\n")
	line := func(goal, reached string, met bool) {
		word := "met"
		if !met {
			word = "**not met**"
		}
		fmt.Fprintf(b, "| %s | %s | %s |\n", goal, reached, word)
	}
	all := s.Scores[0]
	ratio, z, px, worst, low, high := extremes(all)
	if ratio > 0 {
		line(fmt.Sprintf("RMS of each of X, Y, θ ≤ %g × the bound", goalRatio), number(ratio)+" ×", ratio <= goalRatio)
		line(fmt.Sprintf("no bias: z within ±%d", goalBiasZ), number(z), z <= goalBiasZ)
	} else if px > 0 {
		line(fmt.Sprintf("RMS of each of X, Y, θ ≤ %g px", goalRmsPx), number(px)+" px", px <= goalRmsPx)
		line(fmt.Sprintf("worst ≤ %g px", goalWorstPx), number(worst)+" px", worst <= goalWorstPx)
	}
	if px > 0 {
		line("no gross error (beyond 1 px)", fmt.Sprint(all.grossPictures()), len(all.Gross) == 0)
		line(fmt.Sprintf("%g–%g %% of true values inside ± 1.96 u", 100*goalCoverLow, 100*goalCoverHigh),
			percent(low)+" to "+percent(high), low >= goalCoverLow && high <= goalCoverHigh)
	}
	line("every good picture measured", fmt.Sprintf("%d of %d", all.Measured, all.Images), all.Measured == all.Images)
	if r := s.Retakes; r.Images > 0 {
		line("every unusable picture refused, with the right reason", fmt.Sprintf("%d and %d of %d", r.Refused, r.RightReason, r.Images), r.RightReason == r.Images)
	}
	if all.SiteImages > 0 {
		line("no missing column or ball overlooked", fmt.Sprintf("%d of %d found", all.MissingFound, all.Missing), all.MissingFound == all.Missing)
		line("no false call", fmt.Sprintf("%d in %d sites", len(all.FalseMissing), all.Sites), len(all.FalseMissing) == 0)
		tip := rms(all.SitePx) / math.Sqrt2
		line(fmt.Sprintf("tip position RMS ≤ %g px", goalTipPx), number(tip)+" px", tip <= goalTipPx)
		if len(all.TiltErr) > 0 {
			tilt := rms(all.TiltErr)
			line(fmt.Sprintf("tilt RMS ≤ %g°", goalTiltDeg), number(tilt)+"°", tilt <= goalTiltDeg)
		}
	}
	if len(s.Decode) > 0 {
		r := mean(s.Analysis) / mean(s.Decode)
		line("analysis costs no more than decoding", number(r)+" ×", r <= goalDecodeRatio)
	}
}

// extremes returns the largest ratio to the bound, bias, RMS and error in px of X, Y, θ, and the
// smallest and largest coverage; 0 for what there is none of.
func extremes(s *Score) (ratio, z, px, worst, low, high float64) {
	low = 1
	for i := range s.Components {
		c := &s.Components[i]
		if len(c.Err) == 0 {
			continue
		}
		if len(c.Ratio) > 0 {
			ratio, z = max(ratio, rms(c.Ratio)), max(z, math.Abs(c.BiasZ()))
		}
		px, worst = max(px, rms(c.Px)), max(worst, quantile(c.Px, 1))
		low, high = min(low, c.Covered()), max(high, c.Covered())
	}
	return ratio, z, px, worst, low, high
}
