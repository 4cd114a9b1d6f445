package main

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/part"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// A computedChart is a chart with all that is said about it.
type computedChart struct {
	file, value, level string
	by                 string
	quantity           series.Quantity
	kind               series.Kind
	charts             []spc.Chart
	names              []string // of the points' subgroups
	namesOf            string   // column they come from
	samples            int      // values behind the chart
	retakes, blank     int      // rows left out
	capability         *spc.Capability
	rate               *eventRate // of counts, over everything
	title              string
	events             []chart.Event
	strips             []chart.Strip // under a chart of several values
	remarks            []string      // what caused its points
	vectors            *spc.VectorChart
	behind             []float64 // single values behind their average
	grouped            bool      // points stand for subgroups
	runs               *runLengths
	law                *spc.Nonnormal // where the values follow another law than the normal
	tolerance          spc.Tolerance
}

// compute makes one chart.
func (p chartPlan) compute(o chartOptions, a askedChart) (*computedChart, error) {
	t := a.table
	wanted := []string{a.value}
	wanted = append(wanted, p.sizeColumns...)
	c := &computedChart{file: t.File, value: a.value, by: o.by, level: a.level, quantity: series.QuantityOf(a.value), retakes: t.Retakes, events: p.events}
	var err error
	if c.blank, err = t.Filled(wanted...); err != nil {
		return nil, err
	}
	if t.Len() == 0 {
		return nil, fmt.Errorf("%s: column %s: there is no value%s%s", t.File, a.value, c.ofLevel(), leftOut(c.retakes, c.blank))
	}
	if err := oneKindOfThing(t, a.value); err != nil {
		return nil, err
	}
	if err := o.order(t); err != nil {
		return nil, err
	}
	s, err := p.series(t, a.value)
	if err != nil {
		return nil, err
	}
	switch {
	case p.kind == series.T && t.AreTimes(a.value):
		c.quantity = series.Quantity{Name: "time between events", Unit: "h"}
	case p.schemes.between:
		c.quantity = series.Quantity{Name: "rows between rows with " + c.quantity.Name}
	}
	if !p.kind.Rare() { // what lies between two events belongs to no subgroup
		if s.Keys, c.namesOf, err = o.keys(t); err != nil {
			return nil, err
		}
	}
	c.samples = len(s.Values)
	if c.kind = p.kindFor(s); c.kind == series.EWMA {
		c.behind = s.Values
	}
	if c.charts, c.names, err = s.ChartsBy(c.kind, p.schemes.scheme(), p.options); err != nil {
		return nil, fmt.Errorf("%s: column %s%s: %w", t.File, a.value, c.ofLevel(), err)
	}
	c.grouped = c.kind.Grouped()
	if c.runs, err = p.runsOf(c.kind, &c.charts[0]); err != nil {
		return nil, fmt.Errorf("%s: column %s%s: %w", t.File, a.value, c.ofLevel(), err)
	}
	if c.rate, err = rateOf(c.kind, s); err != nil {
		return nil, fmt.Errorf("%s: column %s%s: %w", t.File, a.value, c.ofLevel(), err)
	}
	if err = p.capability(o, c, t, s); err != nil {
		return nil, fmt.Errorf("%s: column %s%s: %w", t.File, a.value, c.ofLevel(), err)
	}
	c.title = c.heading(o.title, t)
	return c, nil
}

func (p chartPlan) kindFor(s series.Series) series.Kind {
	switch {
	case p.kind != "":
		return p.kind
	case s.Sizes != nil:
		return series.U
	}
	return s.Suggest()
}

// oneKindOfThing refuses values that one chart must not mix: of two parts, views, die and cap.
func oneKindOfThing(t *series.Table, value string) error {
	for _, column := range []string{"part", "view", "of"} {
		if !t.Has(column) {
			continue
		}
		if levels, err := t.Distinct(column); err != nil || len(levels) > 1 {
			return errors.Join(err, fmt.Errorf("%s: column %s: values of %s %s don't belong in one chart; choose with --where %s=%s, or part them with --by %s",
				t.File, value, column, strings.Join(levels, " and "), column, levels[0], column))
		}
	}
	return nil
}

// order puts rows in the order of time. Readings whose times can't all be read keep the file's.
func (o chartOptions) order(t *series.Table) error {
	if o.time != "" {
		return t.Sort(o.time)
	}
	const taken = "taken_at"
	if !t.Has(taken) {
		return nil
	}
	if times, _ := t.Text(taken); slices.Contains(times, "") {
		return nil
	}
	return t.Sort(taken)
}

// keys returns the subgroup of every row, and the column that says it.
func (o chartOptions) keys(t *series.Table) ([]string, string, error) {
	const lot = "lot"
	switch {
	case o.subgroup == "none":
		return nil, "", nil
	case o.subgroup != "":
		keys, err := t.Text(o.subgroup)
		return keys, o.subgroup, err
	case t.Has(lot):
		keys, err := t.Text(lot)
		if slices.ContainsFunc(keys, func(k string) bool { return k != "" }) {
			return keys, lot, err
		}
	}
	return nil, "", nil
}

func (p chartPlan) series(t *series.Table, value string) (s series.Series, err error) {
	if p.kind == series.T && t.AreTimes(value) {
		s.Values, err = t.HoursBetween(value)
		return s, err
	}
	if s.Values, err = t.Numbers(value); err != nil {
		return s, err
	}
	if p.schemes.between {
		s.Values, _ = series.Between(s.Values)
		return s, nil
	}
	if p.fixedSize > 0 {
		s.Sizes = slices.Repeat([]float64{p.fixedSize}, len(s.Values))
	}
	for _, column := range p.sizeColumns {
		sizes, err := t.Numbers(column)
		if err != nil {
			return s, err
		}
		if s.Sizes == nil {
			s.Sizes = make([]float64, len(sizes))
		}
		for i, n := range sizes {
			s.Sizes[i] += n
		}
	}
	return s, nil
}

// capability holds the values against the limits that were stated, or those of the part file.
func (p chartPlan) capability(o chartOptions, c *computedChart, t *series.Table, s series.Series) error {
	tol, judged := p.tolerance, p.judged
	if o.part != "" {
		var err error
		if tol, judged, err = partTolerance(o.part, t, c.value); err != nil {
			return err
		}
	}
	if !judged || c.kind.OfCounts() || c.kind.Rare() {
		return nil
	}
	groups := spc.Singles(s.Values)
	if c.kind.Grouped() {
		var err error
		if groups, _, err = s.Subgroups(); err != nil {
			return err
		}
	}
	found, err := spc.AssessCapability(groups, tol, spc.CapabilityOptions{Required: o.required})
	if err != nil {
		return err
	}
	c.capability, c.tolerance = &found, tol
	c.law, err = o.byLaw(s.Values, tol)
	return err
}

// partTolerance is what a part file allows a column of readings, and whether it judges it.
func partTolerance(file string, t *series.Table, value string) (spc.Tolerance, bool, error) {
	drawn, err := loadPart(file)
	if err != nil {
		return spc.Tolerance{}, false, err
	}
	tol, judged := toleranceIn(drawn, t, value)
	return tol, judged, nil
}

// toleranceIn is what a part allows a column of readings, and whether it judges it.
func toleranceIn(p *part.Part, t *series.Table, value string) (spc.Tolerance, bool) {
	of := ""
	if t.Has("of") {
		if levels, err := t.Distinct("of"); err == nil && len(levels) > 0 {
			of = levels[0]
		}
	}
	return series.ToleranceOf(value, of, p.Limits)
}

func (c *computedChart) ofLevel() string {
	if c.by == "" {
		return ""
	}
	return fmt.Sprintf(", %s %s", c.by, c.level)
}

func (c *computedChart) heading(asked string, t *series.Table) string {
	title := asked
	if title == "" {
		title = strings.ToUpper(c.quantity.Name[:1]) + c.quantity.Name[1:]
		for _, column := range []string{"of", "part"} {
			if !t.Has(column) {
				continue
			}
			if levels, err := t.Distinct(column); err == nil && len(levels) == 1 && levels[0] != "" {
				if column == "of" {
					title += " of the " + levels[0]
				} else {
					title += ", part " + levels[0]
				}
			}
		}
	}
	return title + c.ofLevel()
}

// leftOut says what was left out, for the end of a sentence.
func leftOut(retakes, blank int) string {
	var words []string
	if retakes > 0 {
		words = append(words, fmt.Sprintf("%d to be retaken", retakes))
	}
	if blank > 0 {
		words = append(words, fmt.Sprintf("%d without a value", blank))
	}
	if words == nil {
		return ""
	}
	return "; left out: " + strings.Join(words, ", ")
}

// drawTo draws the chart to a file.
func (c *computedChart) drawTo(file string) error {
	figure := chart.Control{
		Title: c.title, Notes: c.notes(), Quantity: c.quantity.Name, Unit: c.quantity.Unit,
		Charts: c.charts, Labels: c.names, LabelsOf: c.namesOf, Events: c.events,
		Behind: c.behind, Strips: c.strips, Remarks: c.remarks,
	}
	if c.behind != nil {
		figure.Notes = append(figure.Notes, "grey: the single values")
	}
	if c.kind.OfCounts() || c.kind.Rare() { // a t chart shows a power of the time
		figure.Unit = ""
	}
	return drawFigure(file, figure)
}

// drawFigure draws a figure to a file in the format that its name asks for.
func drawFigure(file string, figure chart.Figure) error {
	format, err := chart.FormatOf(file)
	if err != nil {
		return err
	}
	f, err := createOut(file)
	if err != nil {
		return err
	}
	if err := chart.Write(f, figure, format); err != nil {
		return errors.Join(err, f.discard())
	}
	return f.close()
}

// fileFor names the file of one chart: as asked when it is the only one, else with value and level.
func (p chartPlan) fileFor(out string, a askedChart, all []askedChart) string {
	if len(all) == 1 {
		return out
	}
	ext := filepath.Ext(out)
	name := strings.TrimSuffix(out, ext)
	if slices.ContainsFunc(all, func(b askedChart) bool { return b.value != a.value }) {
		name += "-" + plain(a.value)
	}
	if slices.ContainsFunc(all, func(b askedChart) bool { return b.level != a.level }) {
		name += "-" + plain(a.level)
	}
	return name + ext
}

// plain makes a word fit for a file's name.
func plain(word string) string {
	if word == "" {
		return "blank"
	}
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune(`/\:*?"<>|`, r) || r < ' ' {
			return '_'
		}
		return r
	}, word)
}
