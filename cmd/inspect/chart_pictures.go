package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/drift"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// pictureKinds are what --kind offers beside the control charts of one value.
var pictureKinds = []string{"t2", "t2-subgroups", "mewma", "histogram", "probability", "scatter", "factors"}

// vectorKinds are those of them that chart several values together.
var vectorKinds = pictureKinds[:3]

// runPicture draws one of pictureKinds.
func runPicture(o chartOptions, p chartPlan, t *series.Table) error {
	if slices.Contains(vectorKinds, p.picture) {
		return runVectors(o, p, t)
	}
	if o.out == "" && p.picture != "factors" && p.picture != "scatter" {
		return usagef("--kind %s is a picture: where to? Give -o FILE", p.picture)
	}
	switch p.picture {
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
	fits, err := o.fits(values)
	if err != nil {
		return fmt.Errorf("%s: column %s: %w", a.table.File, a.value, err)
	}
	if o.json {
		if err := writeLaws(o.stdout, c, file, len(values), fits); err != nil {
			return err
		}
	}
	if p.picture == "histogram" {
		h := chart.Histogram{Title: c.title, Notes: notes, Quantity: c.quantity.Name, Unit: c.quantity.Unit, Values: values, Capability: c.capability}
		if h.Law = c.law; h.Law == nil && len(fits) > 1 {
			h.Law = &spc.Nonnormal{Fit: fits[1]}
		}
		return drawFigure(file, h)
	}
	return drawFigure(file, chart.Probability{Title: c.title, Notes: notes, Quantity: c.quantity.Name, Unit: c.quantity.Unit, Values: values, Fits: fits})
}

// A lawFitJSON is a law fitted to values; what it hasn't is left out.
type lawFitJSON struct {
	Family   string `json:"law"`
	Location number `json:"location,omitempty"`
	Scale    number `json:"scale"`
	Shape    number `json:"shape,omitempty"`
	AD       number `json:"anderson_darling"`
	AIC      number `json:"aic"`
}

// writeLaws prints what stands behind a histogram or a probability plot.
func writeLaws(w io.Writer, c *computedChart, picture string, n int, fits []spc.Fit) error {
	out := struct {
		File       string          `json:"file"`
		Value      string          `json:"value"`
		By         string          `json:"by,omitempty"`
		Level      string          `json:"level,omitempty"`
		Picture    string          `json:"picture"`
		Values     int             `json:"values"`
		Laws       []lawFitJSON    `json:"laws"`
		Capability *capabilityJSON `json:"capability,omitempty"`
		Law        *lawJSON        `json:"capability_by_law,omitempty"`
	}{File: c.file, Value: c.value, By: c.by, Level: c.level, Picture: picture, Values: n, Capability: capabilityOf(c.capability), Law: lawOf(c.law)}
	for _, f := range fits {
		out.Laws = append(out.Laws, lawFitJSON{string(f.Family), number(f.Location), number(f.Scale), number(f.Shape), number(f.AD), number(f.AIC)})
	}
	return json.NewEncoder(w).Encode(out)
}

// fits are the normal law and the one asked for.
func (o chartOptions) fits(values []float64) ([]spc.Fit, error) {
	normal, err := spc.FitDistribution(values, spc.Normal)
	if err != nil {
		return nil, err
	}
	family, err := o.family(values)
	if err != nil || family == "" || family == spc.Normal {
		return []spc.Fit{normal}, err
	}
	other, err := spc.FitDistribution(values, family)
	return []spc.Fit{normal, other}, err
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
		Explains number      `json:"fraction_of_variance"`
		P        number      `json:"p"`
		Q        number      `json:"q"` // adjusted for the number of factors
		Differ   bool        `json:"levels_differ"`
		Between  number      `json:"sd_between"` // variance components, as standard deviations
		Within   number      `json:"sd_within"`
		Beyond   number      `json:"beyond_others_p"` // of what it explains beyond all other factors
		Remark   string      `json:"remark,omitempty"`
		Levels   []levelJSON `json:"levels"`
	}
	levelJSON struct {
		Level string `json:"level"`
		N     int    `json:"n"`
		Mean  number `json:"mean"`
		Low   number `json:"low"`
		High  number `json:"high"`
	}
)

func effectsJSON(file, value string, effects []spc.FactorEffect) factorsJSON {
	out := factorsJSON{File: file, Value: value}
	for _, e := range effects {
		f := factorJSON{Factor: e.Name, Explains: number(e.Alone.Omega2), P: number(e.Alone.P), Q: number(e.Q), Differ: e.Claimed, Remark: e.Remark,
			Between: number(math.Sqrt(e.Alone.VarBetween)), Within: number(math.Sqrt(e.Alone.VarWithin)), Beyond: number(e.BeyondP)}
		for _, l := range e.Levels {
			f.Levels = append(f.Levels, levelJSON{l.Level, l.N, number(l.Mean), number(l.Low), number(l.High)})
		}
		out.Factors = append(out.Factors, f)
	}
	return out
}

func writeEffects(w io.Writer, effects []spc.FactorEffect) error {
	t := newColumns(w)
	fmt.Fprintln(t, "factor\tlevels\tof the variance\tsd between\twithin\tp\tq\tbeyond others, p\t")
	for _, e := range effects {
		claim := "no difference shown"
		if e.Claimed {
			claim = "levels differ"
		}
		if e.Remark != "" {
			claim += "; " + e.Remark
		}
		within := math.Sqrt(e.Alone.VarWithin)
		beyond := "–"
		if e.BeyondDF > 0 && len(effects) > 1 {
			beyond = fmt.Sprintf("%.2g", e.BeyondP)
		}
		fmt.Fprintf(t, "%s\t%d\t%.0f %%\t%s\t%s\t%.2g\t%.2g\t%s\t%s\n", e.Name, len(e.Levels), 100*e.Alone.Omega2,
			drift.Figure(math.Sqrt(e.Alone.VarBetween), within/10), drift.Figure(within, within/10), e.Alone.P, e.Q, beyond, claim)
	}
	return t.Flush()
}
