package main

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// usualEvery is the number of points between false alarms where none is asked for: that of limits at
// three sigma.
const usualEvery = 1 / 0.0027

// runVectors charts several values together.
func runVectors(o chartOptions, p chartPlan, t *series.Table) error {
	names := o.values
	if len(names) == 0 {
		names = []string{"x_um", "y_um", "theta_deg"}
	}
	values, blank, err := o.columns(t, names)
	if err != nil {
		return err
	}
	var quantities []string
	for _, name := range names {
		quantities = append(quantities, series.QuantityOf(name).Name)
	}
	c := &computedChart{
		file: t.File, value: strings.Join(names, ","), quantity: series.Quantity{Name: strings.Join(quantities, ", ")},
		kind: series.Kind(p.picture), samples: t.Len(), retakes: t.Retakes, blank: blank, events: p.events,
	}
	if c.names, c.namesOf, err = o.keys(t); err != nil {
		return err
	}
	vectors := make([][]float64, t.Len())
	for i := range vectors {
		for _, v := range values {
			vectors[i] = append(vectors[i], v[i])
		}
	}
	v, err := p.vectorChart(o, c, quantities, vectors)
	if err != nil {
		return fmt.Errorf("%s: columns %s: %w", t.File, strings.Join(names, ", "), err)
	}
	c.charts, c.strips, c.vectors = []spc.Chart{v.Chart}, chart.Contributions(v), v
	c.remarks = causes(v)
	if c.title = o.title; c.title == "" {
		c.title = c.heading("", t) + ", together"
	}
	if o.out != "" {
		if err := c.drawTo(o.out); err != nil {
			return err
		}
	}
	if o.json {
		return c.writeJSON(o.stdout)
	}
	return c.writeText(o.stdout)
}

// inBrackets is what a cause says in numbers.
var inBrackets = regexp.MustCompile(` \([^)]*\)`)

// causes says what made points large, those in a row that say the same together.
func causes(v *spc.VectorChart) (remarks []string) {
	out := v.OutOfControl()
	for k := 0; k < len(out); {
		if len(remarks) == mostSignals {
			return append(remarks, "and more; --json lists all")
		}
		first, cause := out[k], v.Cause(out[k])
		plain := inBrackets.ReplaceAllString(cause, "")
		last := k
		for last+1 < len(out) && out[last+1] == out[last]+1 && inBrackets.ReplaceAllString(v.Cause(out[last+1]), "") == plain {
			last++
		}
		if last == k {
			remarks = append(remarks, fmt.Sprintf("point %d: %s", v.Points[first].Index+1, cause))
		} else {
			remarks = append(remarks, fmt.Sprintf("points %d to %d: %s", v.Points[first].Index+1, v.Points[out[last]].Index+1, plain))
		}
		k = last + 1
	}
	return remarks
}

// vectorChart computes the chart and its run lengths.
func (p chartPlan) vectorChart(o chartOptions, c *computedChart, names []string, vectors [][]float64) (*spc.VectorChart, error) {
	every := p.schemes.every
	if every == 0 {
		every = usualEvery
	}
	opt := spc.VectorOptions{Names: names, Alpha: 1 / every}
	var err error
	if opt.Covariance, err = p.schemes.covariance(o.robust); err != nil {
		return nil, err
	}
	if opt.Phases, err = o.vectorPhases(len(names)); err != nil {
		return nil, err
	}
	shift := p.schemes.shift
	c.runs = &runLengths{shift: shift, shiftOf: "one value alone"}
	switch p.picture {
	case "mewma":
		e, err := spc.DesignMEWMA(len(names), p.schemes.lambda, every)
		if err != nil {
			return nil, err
		}
		if c.runs.inControl, err = e.RunLength(len(names), 0); err != nil {
			return nil, err
		}
		if c.runs.afterShift, err = e.RunLength(len(names), shift); err != nil {
			return nil, err
		}
		return e.Chart(vectors, opt)
	case "t2-subgroups":
		if c.names == nil {
			return nil, fmt.Errorf("no column says which subgroup a value belongs to: give --subgroup")
		}
		groups, keys := grouped(vectors, c.names)
		c.names, c.grouped = keys, true
		v, err := spc.T2Subgroups(groups, opt)
		if err != nil {
			return nil, err
		}
		c.runs = nil // sizes may differ, and with them what is seen
		return v, nil
	}
	if c.runs.inControl, err = spc.T2RunLength(len(names), opt.Alpha, 0); err != nil {
		return nil, err
	}
	if c.runs.afterShift, err = spc.T2RunLength(len(names), opt.Alpha, shift); err != nil {
		return nil, err
	}
	return spc.T2Individuals(vectors, opt)
}

// grouped parts vectors by key, in the order in which keys first appear.
func grouped(vectors [][]float64, keys []string) (groups [][][]float64, names []string) {
	for i, v := range vectors {
		k := slices.Index(names, keys[i])
		if k < 0 {
			k = len(names)
			names, groups = append(names, keys[i]), append(groups, nil)
		}
		groups[k] = append(groups[k], v)
	}
	return groups, names
}

// vectorPhases are the phases of the flags. A stated centre and sigma hold one number a value, which
// are then taken as independent of each other.
func (o chartOptions) vectorPhases(n int) ([]spc.VectorPhase, error) {
	centre, err := numbers("--centre", o.centre, n)
	if err != nil {
		return nil, err
	}
	sigma, err := numbers("--sigma", o.sigma, n)
	if err != nil {
		return nil, err
	}
	if (centre == nil) != (sigma == nil) {
		return nil, usagef("--centre and --sigma: for several values give both, one number for each")
	}
	o.centre, o.sigma = "", ""
	if centre != nil && len(o.phases) > 0 {
		return nil, usagef("--phase takes limits from each phase; leave --centre and --sigma out")
	}
	phases, err := o.phaseList()
	var out []spc.VectorPhase
	for _, ph := range phases {
		v := spc.VectorPhase{Phase: ph, Mean: centre}
		for i := range sigma {
			row := make([]float64, n)
			row[i] = sigma[i] * sigma[i]
			v.Covariance = append(v.Covariance, row)
		}
		out = append(out, v)
	}
	return out, err
}

// numbers reads n numbers parted by commas; nil for an empty text.
func numbers(flag, text string, n int) ([]float64, error) {
	if text == "" {
		return nil, nil
	}
	words := strings.Split(text, ",")
	if len(words) != n {
		return nil, usagef("%s: want %d numbers parted by commas, one for each value, got %q", flag, n, text)
	}
	var out []float64
	for _, w := range words {
		v, err := optional(flag, strings.TrimSpace(w))
		if err != nil {
			return nil, err
		}
		if v == nil {
			return nil, usagef("%s: want %d numbers parted by commas, got %q", flag, n, text)
		}
		out = append(out, *v)
	}
	return out, nil
}
