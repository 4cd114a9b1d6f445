package chart

import (
	"errors"
	"fmt"
	"image/color"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/plot/vg"

	"plumbsquare/internal/spc"
)

// A Histogram shows how values lie between their limits, with the normal laws of the spread
// overall (solid) and within subgroups (dashed) that the capability rests on.
type Histogram struct {
	Title    string
	Notes    []string
	Quantity string
	Unit     string
	Values   []float64
	// Capability gives limits, laws and indices; nil draws the values with their own normal law.
	Capability *spc.Capability
	// Law is another law than the normal that the values follow, drawn instead; nil for none. Its
	// indices are given where there is a Capability, too.
	Law *spc.Nonnormal
}

const (
	histogramWidth  = vg.Length(480)
	histogramHeight = vg.Length(250)
	indexWidth      = vg.Length(180)
)

func (h Histogram) size() (w, height vg.Length) {
	w = edge + 46 + histogramWidth + 14 + indexWidth + edge
	return w, headingHeight(h.Title, h.Notes, w-2*edge) + 24 + histogramHeight + 38 + edge
}

// bins counts values in bins of equal, round width: that of Freedman & Diaconis (1981, Z.
// Wahrscheinlichkeitstheorie 57, 453–476), 2·IQR/∛n, between 5 and 60 of them.
func bins(values []float64) (from, width float64, counts []int) {
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	lo, hi := sorted[0], sorted[len(sorted)-1]
	iqr := stat.Quantile(0.75, stat.Empirical, sorted, nil) - stat.Quantile(0.25, stat.Empirical, sorted, nil)
	width = 2 * iqr / math.Cbrt(float64(len(sorted)))
	span := hi - lo
	if span == 0 {
		span = math.Max(math.Abs(lo)*0.01, 1)
	}
	width = niceStep(0.7 * min(max(width, span/42), span/5))
	from = math.Floor(lo/width) * width
	counts = make([]int, int(math.Floor((hi-from)/width))+1)
	for _, v := range sorted {
		counts[min(max(int((v-from)/width), 0), len(counts)-1)]++
	}
	return from, width, counts
}

func (h Histogram) draw(p *pen) error {
	if len(h.Values) == 0 {
		return errors.New("chart: there are no values to draw")
	}
	from, width, counts := bins(h.Values)
	w, _ := h.size()
	top := p.heading(h.Title, h.Notes, edge, w-edge, p.Max.Y) - 24
	f := &panel{}
	f.Min = vg.Point{X: edge + 46, Y: top - histogramHeight}
	f.Max = vg.Point{X: f.Min.X + histogramWidth, Y: top}
	laws := h.laws()
	e := newExtent()
	e.see(from, from+width*float64(len(counts)))
	for _, l := range laws {
		if h.Law != nil {
			e.see(h.Law.Fit.Quantile(0.001), h.Law.Fit.Quantile(0.999))
			continue
		}
		e.see(l.mean-3.2*l.sigma, l.mean+3.2*l.sigma)
	}
	limits := h.limits(e)
	for _, l := range limits {
		e.see(l.value)
	}
	f.x0, f.x1 = e.widened(0.04, 0.04)
	f.y1 = float64(slices.Max(counts))
	scale := float64(len(h.Values)) * width
	for _, l := range laws {
		for i := range curveSteps + 1 {
			f.y1 = math.Max(f.y1, scale*l.density(f.x0+(f.x1-f.x0)*float64(i)/curveSteps))
		}
	}
	f.y1 *= 1.06
	unit := ""
	if h.Unit != "" {
		unit = " (" + h.Unit + ")"
	}
	p.yScale(f, "values", true)
	for i, n := range counts {
		if n > 0 {
			a := from + width*float64(i)
			r := vg.Rectangle{Min: f.at(a, 0), Max: f.at(a+width, float64(n))}
			r.Min.X += 0.4
			r.Max.X -= 0.4
			p.area(dataLine, r)
		}
	}
	for _, l := range laws {
		var line []vg.Point
		for i := range curveSteps + 1 {
			x := f.x0 + (f.x1-f.x0)*float64(i)/curveSteps
			y := scale * l.density(x)
			if math.IsInf(y, 0) { // at the edge of some laws
				continue
			}
			line = append(line, f.at(x, y))
		}
		p.StrokeLines(lineStyle(l.ink, 1.4, l.dashes), line)
	}
	p.frame(f)
	p.xScale(f, h.Quantity+unit, false)
	for _, l := range limits {
		x := f.x(l.value)
		p.line(limitInk, 1.1, dashed, vg.Point{X: x, Y: f.Min.Y}, vg.Point{X: x, Y: f.Max.Y})
		l.words.text = l.name
		page := p.Rectangle
		p.try(l.words, middle, page, vg.Point{X: x, Y: f.Max.Y + 4}, vg.Point{X: x, Y: f.Max.Y + 14})
	}
	h.indices(p, laws, vg.Point{X: f.Max.X + 16, Y: top})
	return nil
}

// curveSteps is how many pieces a law is drawn in.
const curveSteps = 200

// A law is drawn over a histogram.
type law struct {
	name        string
	mean, sigma float64
	density     func(x float64) float64
	ink         color.Color
	dashes      []vg.Length
}

func (h Histogram) laws() (laws []law) {
	add := func(name string, mean, sigma float64, ink color.Color, dashes []vg.Length) {
		if sigma > 0 && !math.IsInf(sigma, 0) {
			density := spc.Distribution{Family: spc.Normal, Location: mean, Scale: sigma}.Density
			laws = append(laws, law{name, mean, sigma, density, ink, dashes})
		}
	}
	if h.Law != nil {
		mean, sigma := stat.MeanStdDev(h.Values, nil)
		d := h.Law.Fit.Distribution
		density := func(x float64) float64 { // infinite at 0 for some shapes: too tall to draw
			return math.Min(d.Density(x), 4/sigma)
		}
		return []law{{familyName(d.Family) + " law", mean, sigma, density, hitInk, nil}}
	}
	if c := h.Capability; c != nil {
		add("overall", c.Mean, c.Overall.Sigma, hitInk, nil)
		add("within subgroups", c.Mean, c.Within.Sigma, centreInk, dashed)
		return laws
	}
	if len(h.Values) > 1 {
		mean, sigma := stat.MeanStdDev(h.Values, nil)
		add("normal law", mean, sigma, hitInk, nil)
	}
	return laws
}

// familyName writes families called after people as names.
func familyName(f spc.Family) string {
	if f == spc.Weibull || f == spc.Rayleigh {
		return strings.ToUpper(string(f[:1])) + string(f[1:])
	}
	return string(f)
}

// A drawnLimit is a limit of the drawing with its name.
type drawnLimit struct {
	value float64
	name  string
	words words
}

// limits returns the limits that are near enough to the values to be drawn.
func (h Histogram) limits(e extent) (limits []drawnLimit) {
	if h.Capability == nil {
		return nil
	}
	span := e.max - e.min
	for _, l := range []struct {
		name  string
		value float64
	}{{"lower", h.Capability.Tolerance.Lower}, {"upper", h.Capability.Tolerance.Upper}} {
		if math.IsInf(l.value, 0) || l.value < e.min-limitsFit*span || l.value > e.max+limitsFit*span {
			continue
		}
		limits = append(limits, drawnLimit{l.value, fmt.Sprintf("%s %s", l.name, number(l.value, tidy(l.value))), words{size: smallSize, bold: true, color: limitInk}})
	}
	return limits
}

// tidy returns the decimals that a round number needs, six at most.
func tidy(v float64) int {
	d := 0
	for ; d < 6 && math.Abs(v*math.Pow10(d)-math.Round(v*math.Pow10(d))) > 1e-9*math.Abs(v)*math.Pow10(d); d++ {
	}
	return d
}

// indices writes the numbers beside the histogram.
func (h Histogram) indices(p *pen, laws []law, at vg.Point) {
	line := func(text string, bold bool, c color.Color) {
		at.Y -= 12.5
		p.write(words{text, smallSize, bold, c}.cut(indexWidth-14), at, left)
	}
	line(fmt.Sprintf("n = %d", len(h.Values)), false, ink)
	for _, l := range laws {
		d := decimalsFor(l.sigma)
		at.Y -= 8
		p.line(l.ink, 1.4, l.dashes, vg.Point{X: at.X, Y: at.Y - 9.5}, vg.Point{X: at.X + 18, Y: at.Y - 9.5})
		at.X += 23
		line(l.name, true, ink)
		at.X -= 23
		line(fmt.Sprintf("mean %s, sigma %s", number(l.mean, d), number(l.sigma, d)), false, faintInk)
		if h.Capability == nil {
			continue
		}
		if h.Law != nil {
			q := h.Law.Indices
			if q.P != nil {
				line(fmt.Sprintf("Pp %.2f", *q.P), false, ink)
			}
			line(fmt.Sprintf("Ppk %.2f (%.2f to %.2f)", q.K, h.Law.KLow, h.Law.KHigh), false, ink)
			line(fmt.Sprintf("expected outside: %s", parts(q.FractionBelow+q.FractionAbove)), false, ink)
			line(fmt.Sprintf("A² %.2f, p of the fit %.2g", h.Law.Fit.AD, h.Law.FitP), false, faintInk)
			continue
		}
		i, names := h.Capability.Overall, [2]string{"Pp", "Ppk"}
		if l.name != "overall" {
			i, names = h.Capability.Within, [2]string{"Cp", "Cpk"}
		}
		for k, e := range []*spc.IndexEstimate{i.P, &i.K} {
			if e != nil {
				line(fmt.Sprintf("%s %.2f (%.2f to %.2f)", names[k], e.Value, e.Low, e.High), false, ink)
			}
		}
		if l.name == "overall" {
			line(fmt.Sprintf("expected outside: %s", parts(i.FractionBelow+i.FractionAbove)), false, ink)
		}
	}
	if h.Capability != nil {
		at.Y -= 8
		line(fmt.Sprintf("in brackets: %.0f %% intervals", 100*h.Capability.Confidence), false, faintInk)
	}
}

// parts writes a small fraction: in percent, or in parts per million where that is clearer.
func parts(fraction float64) string {
	switch {
	case fraction < 0.5e-9:
		return "below 0.001 ppm"
	case fraction < 1e-3:
		return fmt.Sprintf("%.3g ppm", fraction*1e6)
	}
	return fmt.Sprintf("%.2g %%", fraction*100)
}
