package main

import (
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// pictureKinds are what --kind offers beside the control charts of one value.
var pictureKinds = []string{"t2", "histogram", "probability", "scatter", "factors"}

// runPicture draws one of pictureKinds.
func runPicture(o chartOptions, p chartPlan, t *series.Table) error {
	if o.out == "" && p.picture != "t2" && p.picture != "factors" {
		return usagef("--kind %s is a picture: where to? Give -o FILE", p.picture)
	}
	switch p.picture {
	case "t2":
		return runT2(o, t)
	case "scatter":
		return runScatter(o, t)
	case "factors":
		return runFactors(o, t)
	}
	asked, err := o.split(t)
	if err != nil {
		return err
	}
	var result error
	for _, a := range asked {
		if err := p.distribution(o, a, p.fileFor(o.out, a, asked)); err != nil {
			fmt.Fprintf(o.stderr, "inspect: %v\n", err)
			result = errReported
		}
	}
	return result
}

// distribution draws a histogram or a probability plot.
func (p chartPlan) distribution(o chartOptions, a askedChart, file string) error {
	c, err := p.compute(o, a)
	if err != nil {
		return err
	}
	values, err := a.table.Numbers(a.value)
	if err != nil {
		return err
	}
	notes := []string{fmt.Sprintf("%d %s%s", len(values), plural(len(values), "value"), leftOut(c.retakes, c.blank))}
	if p.picture == "histogram" {
		return drawFigure(file, chart.Histogram{Title: c.title, Notes: notes, Quantity: c.quantity.Name, Unit: c.quantity.Unit, Values: values, Capability: c.capability})
	}
	fit, err := spc.FitDistribution(values, spc.Normal)
	if err != nil {
		return fmt.Errorf("%s: column %s: %w", a.table.File, a.value, err)
	}
	return drawFigure(file, chart.Probability{Title: c.title, Notes: notes, Quantity: c.quantity.Name, Unit: c.quantity.Unit, Values: values, Fits: []spc.Fit{fit}})
}

// columns returns the values of several columns, of rows that have all of them, in order of time.
func (o chartOptions) columns(t *series.Table, names []string) (values [][]float64, blank int, err error) {
	if blank, err = t.Filled(names...); err != nil {
		return nil, 0, err
	}
	if err := oneKindOfThing(t, strings.Join(names, ", ")); err != nil {
		return nil, 0, err
	}
	if err := o.order(t); err != nil {
		return nil, 0, err
	}
	for _, name := range names {
		v, err := t.Numbers(name)
		if err != nil {
			return nil, 0, err
		}
		values = append(values, v)
	}
	return values, blank, nil
}

// runT2 charts several values together.
func runT2(o chartOptions, t *series.Table) error {
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
	vectors := make([][]float64, t.Len())
	for i := range vectors {
		for _, v := range values {
			vectors[i] = append(vectors[i], v[i])
		}
	}
	phases, err := o.phaseList()
	if err != nil {
		return err
	}
	opt := spc.VectorOptions{Names: quantities}
	for _, ph := range phases {
		if ph.Center != nil || ph.Sigma != nil {
			return usagef("--centre and --sigma are for charts of one value")
		}
		opt.Phases = append(opt.Phases, spc.VectorPhase{Phase: ph})
	}
	v, err := spc.T2Individuals(vectors, opt)
	if err != nil {
		return fmt.Errorf("%s: columns %s: %w", t.File, strings.Join(names, ", "), err)
	}
	all := strings.Join(quantities, ", ")
	c := &computedChart{
		file: t.File, value: strings.Join(names, ","), quantity: series.Quantity{Name: all}, kind: "t2",
		charts: []spc.Chart{v.Chart}, samples: t.Len(), retakes: t.Retakes, blank: blank, strips: chart.Contributions(v),
	}
	if c.names, c.namesOf, err = o.keys(t); err != nil {
		return err
	}
	for _, i := range v.OutOfControl() {
		if len(c.remarks) == mostSignals {
			c.remarks = append(c.remarks, "and more")
			break
		}
		c.remarks = append(c.remarks, fmt.Sprintf("point %d: %s", v.Points[i].Index+1, v.Cause(i)))
	}
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

// runScatter draws two values against each other, by head or another factor.
func runScatter(o chartOptions, t *series.Table) error {
	names := o.values
	if len(names) == 0 {
		names = []string{"x_um", "y_um"}
	}
	if len(names) != 2 {
		return usagef("--kind scatter needs two values, such as --value x_um,y_um")
	}
	values, blank, err := o.columns(t, names)
	if err != nil {
		return err
	}
	by := o.by
	if by == "" && t.Has("head") {
		by = "head"
	}
	x, y := series.QuantityOf(names[0]), series.QuantityOf(names[1])
	s := chart.Scatter{
		Title: o.title, Unit: x.Unit,
		Notes: []string{fmt.Sprintf("%d %s%s", t.Len(), plural(t.Len(), "value"), leftOut(t.Retakes, blank))},
	}
	if s.Title == "" {
		s.Title = fmt.Sprintf("X: %s, Y: %s", x.Name, y.Name)
	}
	levels := make([]string, t.Len())
	if by != "" {
		if levels, err = t.Text(by); err != nil {
			return err
		}
	}
	names = slices.Compact(slices.Sorted(slices.Values(levels)))
	for _, level := range names {
		cloud := chart.Cloud{Name: strings.TrimSpace(by + " " + level)}
		if by == "" {
			cloud.Name = "all"
		}
		for i := range levels {
			if levels[i] == level {
				cloud.X, cloud.Y = append(cloud.X, values[0][i]), append(cloud.Y, values[1][i])
			}
		}
		s.Clouds = append(s.Clouds, cloud)
	}
	if o.part != "" {
		if s.LimitX, s.LimitY, err = o.partLimits(t); err != nil {
			return err
		}
	}
	return drawFigure(o.out, s)
}

// partLimits returns what the part file allows the offsets.
func (o chartOptions) partLimits(t *series.Table) (x, y float64, err error) {
	p, err := loadPart(o.part)
	if err != nil {
		return 0, 0, err
	}
	of := ""
	if t.Has("of") {
		if levels, err := t.Distinct("of"); err == nil {
			of = levels[0]
		}
	}
	limit := func(column string) float64 {
		tol, _ := series.ToleranceOf(column, of, p.Limits)
		return tol.Upper
	}
	return limit("x_um"), limit("y_um"), nil
}

// runFactors says which factor explains the variance of one value.
func runFactors(o chartOptions, t *series.Table) error {
	if len(o.values) != 1 || o.by == "" {
		return usagef("--kind factors needs one --value and factors, such as --by head,nozzle")
	}
	by := strings.Split(o.by, ",")
	if _, err := t.Filled(by...); err != nil {
		return err
	}
	values, blank, err := o.columns(t, o.values)
	if err != nil {
		return err
	}
	var factors []spc.Factor
	for _, name := range by {
		levels, err := t.Text(name)
		if err != nil {
			return err
		}
		factors = append(factors, spc.Factor{Name: name, Levels: levels})
	}
	effects, err := spc.RankFactors(values[0], factors, spc.FactorOptions{})
	if err != nil {
		return fmt.Errorf("%s: column %s: %w", t.File, o.values[0], err)
	}
	q := series.QuantityOf(o.values[0])
	notes := fmt.Sprintf("%d %s, bars are 95 %% intervals of the means%s", t.Len(), plural(t.Len(), "value"), leftOut(t.Retakes, blank))
	title := o.title
	if title == "" {
		title = "What explains the variance of " + q.Name
	}
	if o.out != "" {
		if err := drawFigure(o.out, chart.Factors{Title: title, Notes: []string{notes}, Quantity: q.Name, Unit: q.Unit, Effects: effects}); err != nil {
			return err
		}
	}
	if o.json {
		return json.NewEncoder(o.stdout).Encode(effectsJSON(t.File, o.values[0], effects))
	}
	fmt.Fprintf(o.stdout, "%s\n%s\n\n", title, notes)
	return writeEffects(o.stdout, effects)
}

// The JSON form of what factors explain.
type (
	factorsJSON struct {
		File    string       `json:"file"`
		Value   string       `json:"value"`
		Factors []factorJSON `json:"factors"` // the one that explains most first
	}
	factorJSON struct {
		Factor   string      `json:"factor"`
		Explains float64     `json:"fraction_of_variance"`
		P        float64     `json:"p"`
		Q        float64     `json:"q"` // adjusted for the number of factors
		Differ   bool        `json:"levels_differ"`
		Remark   string      `json:"remark,omitempty"`
		Levels   []levelJSON `json:"levels"`
	}
	levelJSON struct {
		Level string   `json:"level"`
		N     int      `json:"n"`
		Mean  float64  `json:"mean"`
		Low   *float64 `json:"low"`
		High  *float64 `json:"high"`
	}
)

func effectsJSON(file, value string, effects []spc.FactorEffect) factorsJSON {
	out := factorsJSON{File: file, Value: value}
	for _, e := range effects {
		f := factorJSON{Factor: e.Name, Explains: e.Alone.Omega2, P: e.Alone.P, Q: e.Q, Differ: e.Claimed, Remark: e.Remark}
		for _, l := range e.Levels {
			f.Levels = append(f.Levels, levelJSON{l.Level, l.N, l.Mean, finite(l.Low), finite(l.High)})
		}
		out.Factors = append(out.Factors, f)
	}
	return out
}

func writeEffects(w io.Writer, effects []spc.FactorEffect) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "factor\tlevels\tof the variance\tp\tq\t")
	for _, e := range effects {
		claim := "no difference shown"
		if e.Claimed {
			claim = "levels differ"
		}
		if e.Remark != "" {
			claim += "; " + e.Remark
		}
		fmt.Fprintf(t, "%s\t%d\t%.0f %%\t%.2g\t%.2g\t%s\n", e.Name, len(e.Levels), 100*e.Alone.Omega2, e.Alone.P, e.Q, claim)
	}
	return t.Flush()
}
