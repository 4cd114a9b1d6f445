package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"

	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// notes are the lines under the title: what was charted and where the limits come from.
func (c *computedChart) notes() []string {
	what := fmt.Sprintf("%d %s", c.samples, plural(c.samples, "value"))
	points := len(c.charts[0].Points)
	if c.grouped || c.kind.OfCounts() && points != c.samples {
		what += fmt.Sprintf(" in %d %s", points, plural(points, c.groupWord()))
		if sizes := sizesOf(c.charts[0]); sizes != "" {
			what += " of " + sizes
		}
	}
	phase := c.charts[0].Phases[0]
	if len(c.charts[0].Phases) == 1 && phase.Source != "" && !c.kind.OfCounts() {
		what += "; " + phase.Source
	}
	lines := []string{what + leftOut(c.retakes, c.blank)}
	if c.runs != nil {
		lines = append(lines, c.runs.text())
	}
	if c.kind == series.G {
		p := c.charts[0].Points[len(c.charts[0].Points)-1]
		if l, err := spc.GeometricLimits(p.Center, 0); err == nil {
			lower := "no count is too small to tell"
			if l.LCL > 0 {
				lower = fmt.Sprintf("below %.0f unusually bad", l.LCL)
			}
			lines = append(lines, fmt.Sprintf("by the geometric law itself, as seldom as beyond ±3σ of a normal one: above %.0f is unusually good, %s", l.UCL, lower))
		}
	}
	if c.kind == series.T {
		p := c.charts[0].Points[len(c.charts[0].Points)-1]
		lines = append(lines, strings.TrimSpace(fmt.Sprintf("y is the time to the power of 1/3.6; as times the limits are %s and %s, the centre %s %s",
			twoDigits(spc.TimeOf(p.LCL)), twoDigits(spc.TimeOf(p.UCL)), twoDigits(spc.TimeOf(p.Center)), c.quantity.Unit)))
		if l, err := spc.ExponentialLimits(spc.MeanTimeOf(p.Center), 0); err == nil {
			lines = append(lines, fmt.Sprintf("by the exponential law itself, as seldom as beyond ±3σ of a normal one: below %s or above %s", twoDigits(l.LCL), twoDigits(l.UCL)))
		}
	}
	return lines
}

func (c *computedChart) groupWord() string {
	if c.namesOf != "" {
		return c.namesOf
	}
	return "subgroup"
}

func plural(n int, word string) string {
	if n == 1 {
		return word
	}
	return word + "s"
}

// sizesOf says how many values stand behind the points, "" when it is one each.
func sizesOf(ch spc.Chart) string {
	lo, hi := math.MaxInt, 0
	for _, p := range ch.Points {
		lo, hi = min(lo, p.Size), max(hi, p.Size)
	}
	switch {
	case hi <= 1:
		return ""
	case lo == hi:
		return fmt.Sprint(lo)
	}
	return fmt.Sprintf("%d to %d", lo, hi)
}

// writeText prints limits, signals and capability for people.
func (c *computedChart) writeText(w io.Writer) error {
	unit := ""
	if c.quantity.Unit != "" && !c.kind.OfCounts() {
		unit = " in " + c.quantity.Unit
	}
	fmt.Fprintf(w, "%s (%s of %s%s)\n%s\n\n", c.title, c.kind, c.value, unit, strings.Join(c.notes(), "\n"))
	t := newRightColumns(w)
	fmt.Fprintln(t, "statistic\tpoints\tLCL\tcentre\tUCL\tsigma of a value\tout of rules\t")
	for i := range c.charts {
		ch := &c.charts[i]
		for _, ph := range ch.Phases {
			if ph.From >= ph.To {
				continue
			}
			p := ch.Points[ph.To-1]
			name := ch.Statistic
			if ph.Name != "" {
				name += ", " + ph.Name
			}
			fmt.Fprintf(t, "%s\t%d–%d\t%s\t%s\t%s\t%s\t%d\t\n", name, ch.Points[ph.From].Index+1, p.Index+1,
				figure(p.LCL, p), figure(p.Center, p), figure(p.UCL, p), sigmaText(ph.Sigma, p), outIn(ch, ph))
		}
	}
	if err := t.Flush(); err != nil {
		return err
	}
	c.writeSignals(w)
	if c.rate != nil {
		fmt.Fprintf(w, "\n%s\n", c.rate.text())
	}
	if c.capability != nil {
		writeCapability(w, c.capability)
	}
	if c.law != nil {
		writeLaw(w, c.law, c.tolerance)
	}
	return nil
}

// usualSize is the number of values behind most points of a chart.
func usualSize(ch spc.Chart) int {
	count := map[int]int{}
	best := 1
	for _, p := range ch.Points {
		count[p.Size]++
		if count[p.Size] > count[best] || count[p.Size] == count[best] && p.Size < best {
			best = p.Size
		}
	}
	return best
}

// sigmaText writes the standard deviation of a value, which some statistics have none of.
func sigmaText(sigma float64, p spc.Point) string {
	if sigma == 0 {
		return "–"
	}
	return figure(sigma, p)
}

func outIn(ch *spc.Chart, ph spc.PhaseLimits) (n int) {
	for _, i := range ch.OutOfControl() {
		if i >= ph.From && i < ph.To {
			n++
		}
	}
	return n
}

// figure writes a number to three digits of the spread of the points.
func figure(v float64, p spc.Point) string {
	spread := p.Sigma
	if !(spread > 0) {
		spread = (p.UCL - p.LCL) / 6
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "–"
	}
	decimals := 3
	if spread > 0 && !math.IsInf(spread, 0) {
		decimals = min(max(2-int(math.Floor(math.Log10(spread))), 0), 12)
	}
	return strings.Replace(fmt.Sprintf("%.*f", decimals, v), "-", "−", 1)
}

const mostSignals = 12

func (c *computedChart) writeSignals(w io.Writer) {
	n := 0
	for i := range c.charts {
		ch := &c.charts[i]
		for _, signal := range series.Signals(ch, c.names, c.namesOf) {
			if n++; n > mostSignals {
				continue
			}
			if n == 1 {
				fmt.Fprintln(w)
			}
			fmt.Fprintf(w, "%s: %s\n", ch.Statistic, signal.Text)
		}
	}
	switch {
	case n > mostSignals:
		fmt.Fprintf(w, "and %d more; --json lists all\n", n-mostSignals)
	case n == 0:
		fmt.Fprintln(w, "\nno point breaks a rule")
	}
	for _, remark := range c.remarks {
		fmt.Fprintln(w, remark)
	}
	seen := map[string]bool{}
	for _, ch := range c.charts {
		for _, warning := range ch.Warnings {
			if !seen[warning] {
				seen[warning] = true
				fmt.Fprintf(w, "note: %s\n", warning)
			}
		}
	}
}

func writeCapability(w io.Writer, p *spc.Capability) {
	index := func(name string, e *spc.IndexEstimate) string {
		if e == nil {
			return ""
		}
		return fmt.Sprintf("%s %.2f (%.2f to %.2f)  ", name, e.Value, e.Low, e.High)
	}
	fmt.Fprintf(w, "\ncapability against %s, with %.0f %% intervals:\n", toleranceText(p.Tolerance), 100*p.Confidence)
	fmt.Fprintf(w, "  within subgroups  %s%s\n", index("Cp", p.Within.P), strings.TrimSpace(index("Cpk", &p.Within.K)))
	fmt.Fprintf(w, "  overall           %s%s%s\n", index("Pp", p.Overall.P), index("Ppk", &p.Overall.K), strings.TrimSpace(index("Cpm", p.Overall.M)))
	fmt.Fprintf(w, "  %s\n", p.Summary())
}

func toleranceText(t spc.Tolerance) string {
	number := func(v float64) string { return strings.Replace(fmt.Sprintf("%g", v), "-", "−", 1) }
	switch {
	case math.IsInf(t.Lower, 0):
		return "at most " + number(t.Upper)
	case math.IsInf(t.Upper, 0):
		return "at least " + number(t.Lower)
	}
	return number(t.Lower) + " to " + number(t.Upper)
}

// The JSON form of a chart.
type (
	chartJSON struct {
		File       string          `json:"file"`
		Value      string          `json:"value"`
		By         string          `json:"by,omitempty"`
		Level      string          `json:"level,omitempty"`
		Kind       string          `json:"kind"`
		Unit       string          `json:"unit,omitempty"`
		Values     int             `json:"values"`
		Retakes    int             `json:"left_out_retakes"`
		Blank      int             `json:"left_out_blank"`
		Charts     []statisticJSON `json:"charts"`
		RunLength  *runLengthJSON  `json:"run_length,omitempty"`
		Rate       *rateJSON       `json:"rate,omitempty"`
		Capability *capabilityJSON `json:"capability,omitempty"`
		Law        *lawJSON        `json:"capability_by_law,omitempty"`
	}
	// A runLengthJSON is the average number of points until a signal.
	runLengthJSON struct {
		InControl   number `json:"in_control"`
		InControlSE number `json:"in_control_se"` // of a simulated one
		ShiftSigma  number `json:"shift_sigma,omitempty"`
		RateFactor  number `json:"rate_factor,omitempty"` // of counts, instead of a shift
		After       number `json:"after_shift"`
		AfterSE     number `json:"after_shift_se"`
	}
	statisticJSON struct {
		Statistic string      `json:"statistic"`
		Phases    []phaseJSON `json:"phases"`
		Points    []pointJSON `json:"points"`
		Hits      []hitJSON   `json:"hits"`
		Warnings  []string    `json:"warnings,omitempty"`
	}
	phaseJSON struct {
		Name    string `json:"name,omitempty"`
		From    int    `json:"from"` // number of its first subgroup, from one
		To      int    `json:"to"`   // of its last one
		Centre  number `json:"centre"`
		Sigma   number `json:"sigma"` // of a single value
		Between number `json:"sigma_between,omitempty"`
		Source  string `json:"source"`
		Lag1    number `json:"lag1_autocorrelation"` // of the baseline
		Lag1P   number `json:"lag1_p"`
		// Means and Covariance are those of the values behind a chart of several.
		Means      []number   `json:"means,omitempty"`
		Covariance [][]number `json:"covariance,omitempty"`
	}
	pointJSON struct {
		Number int    `json:"number"` // of the subgroup, from one
		Name   string `json:"name,omitempty"`
		Size   int    `json:"size"`
		Value  number `json:"value"`
		LCL    number `json:"lcl"`
		Centre number `json:"centre"`
		UCL    number `json:"ucl"`
	}
	hitJSON struct {
		Rule   string `json:"rule"`
		Number int    `json:"number"`
		Points []int  `json:"points"`
		Name   string `json:"name,omitempty"`
		Text   string `json:"text"`
		// Parts are what each value has to do with a point of several.
		Parts []partJSON `json:"parts,omitempty"`
	}
	partJSON struct {
		Name       string `json:"name"`
		Deviation  number `json:"deviation_sigma"`
		Alone      number `json:"alone"` // T² of this value by itself
		AloneLimit number `json:"alone_limit"`
		Given      number `json:"given_others"` // T² of this value given the others
		GivenLimit number `json:"given_others_limit"`
	}
	capabilityJSON struct {
		Lower      number     `json:"lower"`
		Upper      number     `json:"upper"`
		N          int        `json:"n"`
		Mean       number     `json:"mean"`
		Confidence number     `json:"confidence"`
		SigmaIn    number     `json:"sigma_within"`
		Sigma      number     `json:"sigma_overall"`
		Cp         *indexJSON `json:"cp,omitempty"`
		Cpk        *indexJSON `json:"cpk"`
		Pp         *indexJSON `json:"pp,omitempty"`
		Ppk        *indexJSON `json:"ppk"`
		Cpm        *indexJSON `json:"cpm,omitempty"`
		Summary    string     `json:"summary"`
	}
)

// An indexJSON is a capability index with its two-sided interval and one-sided lower bound.
type indexJSON struct {
	Value   number `json:"value"`
	Low     number `json:"low"`
	High    number `json:"high"`
	AtLeast number `json:"at_least"`
}

func indexOf(e *spc.IndexEstimate) *indexJSON {
	if e == nil {
		return nil
	}
	return &indexJSON{number(e.Value), number(e.Low), number(e.High), number(e.AtLeast)}
}

func (c *computedChart) writeJSON(w io.Writer) error {
	out := chartJSON{
		File: c.file, Value: c.value, By: c.by, Level: c.level, Kind: string(c.kind), Unit: c.quantity.Unit,
		Values: c.samples, Retakes: c.retakes, Blank: c.blank,
	}
	name := func(i int) string {
		if i < len(c.names) {
			return c.names[i]
		}
		return ""
	}
	for i := range c.charts {
		ch := &c.charts[i]
		s := statisticJSON{Statistic: ch.Statistic, Warnings: ch.Warnings, Hits: []hitJSON{}, Phases: []phaseJSON{}, Points: []pointJSON{}}
		for k, p := range ch.Phases {
			if p.From < p.To {
				s.Phases = append(s.Phases, phaseJSON{
					p.Name, ch.Points[p.From].Index + 1, ch.Points[p.To-1].Index + 1, number(p.Center), number(p.Sigma), number(p.Between),
					p.Source, number(p.Lag1), number(p.Lag1P), nil, nil,
				})
				if c.vectors != nil && i == 0 {
					last := &s.Phases[len(s.Phases)-1]
					last.Means, last.Covariance = fitOf(c.vectors, k)
				}
			}
		}
		for _, p := range ch.Points {
			s.Points = append(s.Points, pointJSON{p.Index + 1, name(p.Index), p.Size, number(p.Value), number(p.LCL), number(p.Center), number(p.UCL)})
		}
		for _, h := range ch.Hits {
			hit := hitJSON{Rule: h.Rule.String(), Number: ch.Points[h.At].Index + 1, Name: name(ch.Points[h.At].Index), Text: ch.Explain(h)}
			if c.vectors != nil {
				hit.Text = c.vectors.Explain(h)
			}
			for _, at := range h.Points() {
				hit.Points = append(hit.Points, ch.Points[at].Index+1)
			}
			if c.vectors != nil {
				hit.Parts = partsOf(c.vectors, h.At)
			}
			s.Hits = append(s.Hits, hit)
		}
		out.Charts = append(out.Charts, s)
	}
	out.Capability = capabilityOf(c.capability)
	out.Law = lawOf(c.law)
	if r := c.rate; r != nil {
		out.Rate = &rateJSON{r.events, number(r.opportunities), number(float64(r.events) / r.opportunities), number(r.interval.Low), number(r.interval.High), rateConfidence}
	}
	if r := c.runs; r != nil {
		out.RunLength = &runLengthJSON{number(r.inControl.Mean), number(r.inControl.SE), number(r.shift), number(r.factor), number(r.afterShift.Mean), number(r.afterShift.SE)}
	}
	return json.NewEncoder(w).Encode(out)
}

func capabilityOf(p *spc.Capability) *capabilityJSON {
	if p == nil {
		return nil
	}
	return &capabilityJSON{
		Lower: number(p.Tolerance.Lower), Upper: number(p.Tolerance.Upper), N: p.N, Mean: number(p.Mean), Confidence: number(p.Confidence),
		SigmaIn: number(p.Within.Sigma), Sigma: number(p.Overall.Sigma),
		Cp: indexOf(p.Within.P), Cpk: indexOf(&p.Within.K), Pp: indexOf(p.Overall.P), Ppk: indexOf(&p.Overall.K), Cpm: indexOf(p.Overall.M), Summary: p.Summary(),
	}
}

func partsOf(v *spc.VectorChart, at int) (parts []partJSON) {
	for _, c := range v.Decompose(at) {
		parts = append(parts, partJSON{c.Name, number(c.Deviation), number(c.Alone), number(c.AloneLimit), number(c.Given), number(c.GivenLimit)})
	}
	return parts
}

func fitOf(v *spc.VectorChart, phase int) (means []number, covariance [][]number) {
	m, s := v.Fit(phase)
	for i := range m {
		means = append(means, number(m[i]))
		var row []number
		for k := range m {
			row = append(row, number(s.At(i, k)))
		}
		covariance = append(covariance, row)
	}
	return means, covariance
}
