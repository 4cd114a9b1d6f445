package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
	"plumbsquare/internal/signal"
	"plumbsquare/internal/spc"
	"plumbsquare/internal/store"
)

// A chartStore says which shots of a store to chart.
type chartStore struct {
	storeFlags
	view, line, head, lot string
	spanFlags
	limit int
	plain bool // whether other flags ask for a chart that knows nothing of phases
}

func (o *chartStore) addFlags(cmd *cobra.Command) {
	f := cmd.Flags()
	o.storeFlags.addFlags(f)
	f.StringVar(&o.view, "view", "", "store: view, such as die-plan; needed where several have the value")
	f.StringVar(&o.line, "line", "", "store: line of the plant; needed where several have shots")
	f.StringVar(&o.head, "head", "", "store: shots of one head")
	f.StringVar(&o.lot, "lot", "", "store: shots of one lot")
	o.spanFlags.addFlags(f, "store: taken")
	f.IntVarP(&o.limit, "limit", "n", 0, fmt.Sprintf("store: the newest so many shots; %d, when nothing else chooses some", newestShots))
}

// on reports whether the flags ask for shots of a store, and notes which sort of chart.
func (o *chartStore) on(cmd *cobra.Command) bool {
	for _, name := range []string{"kind", "by", "subgroup", "time", "where", "opportunities", "limits-from", "exclude", "centre", "sigma", "phase", "event", "robust", "rules", "rule-set"} {
		o.plain = o.plain || cmd.Flags().Changed(name)
	}
	return o.at != "" || o.station != ""
}

// runChartStore charts shots of a store: with the phases, events and signals that it has of their
// chart; or, when flags say how else, as a table.
func runChartStore(cmd *cobra.Command, o chartOptions) error {
	given := o.part
	if !isPartFile(given) {
		o.part = "" // a name, not a file to load
	}
	plan, err := o.plan()
	if err != nil {
		return err
	}
	return o.fromStore.with(cmd, func(ctx context.Context, s *store.Store) error {
		name, drawn, err := partIn(ctx, s, given)
		if err != nil {
			return err
		}
		c, err := chartIn(ctx, s, chartFlags{part: name, view: o.fromStore.view, line: o.fromStore.line, head: o.fromStore.head}, o.values)
		if err != nil {
			return err
		}
		if len(o.values) == 0 {
			o.values = signal.Watched(c.View)
		}
		if o.fromStore.plain || plan.picture != "" {
			if drawn != nil && len(o.values) == 1 && !plan.judged {
				plan.tolerance, plan.judged = series.ToleranceOf(o.values[0], ofView(c.View), drawn.Limits)
			}
			t, err := o.storeTable(ctx, s, c)
			if err != nil {
				return err
			}
			return chartTable(o, plan, t)
		}
		return o.chartPhases(ctx, s, plan, c, drawn)
	})
}

// ofView says whose offsets a view shows.
func ofView(v reading.View) string {
	if v == reading.CapPlan {
		return "cap"
	}
	return "die"
}

func isPartFile(given string) bool {
	return strings.HasSuffix(given, ".yaml") || strings.HasSuffix(given, ".yml")
}

// partIn returns the name of a part that is given by its name or its file, and the part itself: of
// the file, or the newest that the store keeps, nil when it keeps none.
func partIn(ctx context.Context, s *store.Store, given string) (string, *part.Part, error) {
	if given == "" {
		return "", nil, usagef("which part? Give --part NAME, or its part file")
	}
	if isPartFile(given) {
		p, err := loadPart(given)
		if err != nil {
			return "", nil, err
		}
		return p.Name, p, nil
	}
	files, err := s.Parts(ctx)
	if err != nil {
		return "", nil, err
	}
	for _, f := range slices.Backward(files) {
		if f.Name != given || f.Text == nil {
			continue
		}
		p, err := part.Load(f.Text, given+" in the store")
		return given, p, err
	}
	return given, nil, nil
}

// fewShots are enough to see of which lines a part has shots.
const fewShots = 200

// chartIn settles view and line where only one is possible, and asks for them where several are.
func chartIn(ctx context.Context, s *store.Store, ch chartFlags, values []string) (store.Chart, error) {
	c, err := ch.chart()
	if err != nil {
		return c, err
	}
	newest := func(view reading.View) (lines []string, err error) {
		names := values
		if len(names) == 0 {
			names = signal.Watched(view)
		}
		for _, name := range names {
			list, err := s.Series(ctx, store.Query{Part: c.Part, View: string(view), Line: c.Line, Head: c.Head, Limit: fewShots}, name)
			if err != nil {
				return nil, err
			}
			for _, v := range list {
				if !slices.Contains(lines, v.Shot.Line) {
					lines = append(lines, v.Shot.Line)
				}
			}
		}
		slices.Sort(lines)
		return lines, nil
	}
	var views []string
	var lines []string
	for _, v := range reading.Views {
		if c.View != "" && v != c.View {
			continue
		}
		found, err := newest(v)
		if err != nil {
			return c, err
		}
		if found != nil {
			views, lines = append(views, string(v)), found
		}
	}
	what := "value"
	if len(values) > 0 {
		what = strings.Join(values, ", ")
	}
	switch {
	case len(views) == 0:
		return c, fmt.Errorf("the store has no %s of %v", what, strings.TrimSpace(c.Part+" "+string(c.View)+" "+c.Head))
	case len(views) > 1:
		return c, usagef("which view? Give --view %s", strings.Join(views, " or --view "))
	case len(lines) > 1:
		return c, usagef("which line? Give --line %s", strings.Join(lines, " or --line "))
	}
	c.View, c.Line = reading.View(views[0]), lines[0]
	return c, nil
}

// newestShots are charted when nobody says how many: more points than a picture has room for say
// little.
const newestShots = 1000

// query chooses the shots of a chart.
func (o chartStore) query() (store.Query, error) {
	since, until, err := o.times()
	q := store.Query{Lot: o.lot, Since: since, Until: until, Limit: o.limit}
	if since.IsZero() && until.IsZero() && o.lot == "" && o.limit == 0 {
		q.Limit = newestShots
	}
	return q, err
}

// samples returns what the flags choose of a chart, without a lot of which only the end was chosen.
func (o chartStore) samples(ctx context.Context, s *store.Store, c store.Chart) ([]signal.Sample, error) {
	q, err := o.query()
	if err != nil {
		return nil, err
	}
	samples, err := signal.Samples(ctx, s, c, q)
	if err != nil || q.Limit == 0 || len(samples) < q.Limit {
		return samples, err
	}
	cut := samples[0].Lot
	whole := slices.IndexFunc(samples, func(v signal.Sample) bool { return v.Lot != cut })
	if cut == "" || whole < 0 {
		return samples, nil
	}
	return slices.DeleteFunc(samples, func(v signal.Sample) bool { return v.Lot == cut }), nil
}

// storeColumns are those of what the store knows of a shot, as in the tables of readings.
var storeColumns = []string{"shot", "part", "view", "of", "line", "lot", "sample", "head", "nozzle", "pick_position", "operator", "taken_at"}

// storeTable makes a table of shots of a store, with the quantities that the flags speak of.
func (o chartOptions) storeTable(ctx context.Context, s *store.Store, c store.Chart) (*series.Table, error) {
	q, err := o.fromStore.query()
	if err != nil {
		return nil, err
	}
	q.Part, q.View, q.Line, q.Head = c.Part, string(c.View), c.Line, c.Head
	quantities := slices.Clone(o.values)
	for _, name := range strings.Split(o.opportunities, "+") {
		if slices.Contains(store.Quantities(), name) && !slices.Contains(quantities, name) {
			quantities = append(quantities, name)
		}
	}
	columns := slices.Concat(storeColumns, quantities)
	var rows [][]string
	at := map[int64]int{}
	for i, name := range quantities {
		values, err := s.Series(ctx, q, name)
		if err != nil {
			return nil, err
		}
		for _, v := range values {
			k, known := at[v.Shot.ID]
			if !known {
				k = len(rows)
				at[v.Shot.ID] = k
				rows = append(rows, append(shotCells(v.Shot), make([]string, len(quantities))...))
			}
			rows[k][len(storeColumns)+i] = strconv.FormatFloat(v.Value, 'g', -1, 64)
		}
	}
	if len(rows) == 0 {
		return nil, fmt.Errorf("the store has no %s of these shots", strings.Join(quantities, ", "))
	}
	return series.OfRows("the store", columns, rows), nil
}

func shotCells(v store.Shot) []string {
	return []string{
		strconv.FormatInt(v.ID, 10), v.Part, string(v.View), v.OffsetOf, v.Line, v.Lot, v.Sample, v.Head, v.Nozzle, v.PickPosition, v.Operator,
		v.TakenAt.Format(time.RFC3339Nano),
	}
}

// chartPhases charts every value with the phases of its chart.
func (o chartOptions) chartPhases(ctx context.Context, s *store.Store, plan chartPlan, c store.Chart, drawn *part.Part) error {
	var asked []askedChart
	for _, v := range o.values {
		asked = append(asked, askedChart{value: v})
	}
	var result error
	for i, a := range asked {
		c.Value = a.value
		computed, err := o.phaseChart(ctx, s, plan, c, drawn)
		if err == nil && o.out != "" {
			err = computed.drawTo(plan.fileFor(o.out, a, asked))
		}
		switch {
		case err != nil:
			result = errReported
			fmt.Fprintf(o.stderr, "inspect: %v\n", err)
		case o.json:
			err = computed.writeJSON(o.stdout)
		default:
			if i > 0 {
				fmt.Fprintln(o.stdout)
			}
			err = computed.writeText(o.stdout)
		}
		if err != nil && result == nil {
			return err
		}
	}
	return result
}

func (o chartOptions) phaseChart(ctx context.Context, s *store.Store, plan chartPlan, c store.Chart, drawn *part.Part) (*computedChart, error) {
	samples, err := o.fromStore.samples(ctx, s, c)
	if err != nil {
		return nil, err
	}
	if len(samples) == 0 {
		return nil, fmt.Errorf("the store has no %v in these shots", c)
	}
	phases, err := s.Phases(ctx, store.PhaseQuery{Part: c.Part, View: c.View, Value: c.Value})
	if err != nil {
		return nil, err
	}
	phases = slices.DeleteFunc(phases, func(p store.Phase) bool { return p.Chart != c })
	d, err := signal.Draw(samples, phases)
	if err != nil {
		return nil, fmt.Errorf("%v: %w", c, err)
	}
	out := &computedChart{
		file: "the store", value: c.Value, quantity: series.QuantityOf(c.Value), kind: d.Kind, charts: d.Charts, samples: len(samples) - d.LeftOut, title: o.title,
		grouped: d.ByLot,
	}
	if out.title == "" {
		out.title = strings.ToUpper(out.quantity.Name[:1]) + out.quantity.Name[1:] + ", part " + c.Part + ", " + string(c.View)
		for _, of := range []struct{ what, name string }{{"line", c.Line}, {"head", c.Head}} {
			if of.name != "" {
				out.title += ", " + of.what + " " + of.name
			}
		}
	}
	out.namesOf, out.names = pointNames(samples, d)
	if err := o.happened(ctx, s, c, d, out); err != nil {
		return nil, err
	}
	own := plan
	own.options.Rules = append([]spc.Rule{}, d.Charts[0].Rules...)
	if out.runs, err = own.runsOf(d.Kind, &d.Charts[0]); err != nil {
		return nil, fmt.Errorf("%v: %w", c, err)
	}
	if out.runs != nil && d.ByLot && !d.Kind.Grouped() {
		out.runs.shiftOf = "the points" // whose sigma is that of lots' means
	}
	if drawn != nil && !plan.judged {
		plan.tolerance, plan.judged = series.ToleranceOf(c.Value, ofView(c.View), drawn.Limits)
	}
	values := series.Series{}
	for _, v := range samples[d.LeftOut:] {
		values.Values, values.Keys = append(values.Values, v.Value), append(values.Keys, v.Lot)
	}
	o.part = "" // its limits are in the plan
	if err := plan.capability(o, out, series.OfRows("the store", nil, nil), values); err != nil {
		return nil, fmt.Errorf("%v: %w", c, err)
	}
	return out, nil
}

// pointNames names the points of a chart by their lots, or samples where nobody told the lot.
func pointNames(samples []signal.Sample, d signal.Drawn) (of string, names []string) {
	lots := map[int64]string{}
	for _, s := range samples {
		lots[s.Shot] = s.Lot
	}
	of = "lot"
	for _, p := range d.Points {
		names = append(names, lots[p.Shot])
	}
	if !slices.ContainsFunc(names, func(n string) bool { return n != "" }) {
		of, names = "sample", nil
		for _, p := range d.Points {
			names = append(names, p.Name)
		}
	}
	return of, names
}

// happened adds the events, and what is known of the signals, in the time that a chart shows.
func (o chartOptions) happened(ctx context.Context, s *store.Store, c store.Chart, d signal.Drawn, out *computedChart) error {
	if len(d.Points) == 0 {
		return nil
	}
	first, last := d.Points[0].At, d.Points[len(d.Points)-1].At
	at := func(t time.Time) int {
		i, _ := slices.BinarySearchFunc(d.Points, t, func(p store.Point, t time.Time) int { return p.At.Compare(t) })
		return i
	}
	events, err1 := s.Events(ctx, store.EventQuery{Part: c.Part, Line: c.Line, Head: c.Head, Since: first, Until: last.Add(1)})
	signals, err2 := s.Signals(ctx, store.SignalQuery{Chart: c, Since: first, Until: last.Add(1)})
	if err := errors.Join(err1, err2); err != nil {
		return err
	}
	for _, e := range events {
		if e.On(c) {
			out.events = append(out.events, chart.Event{Index: at(e.Happened), Text: e.Text})
		}
	}
	for _, sig := range signals {
		if sig.Chart != c || sig.Cause == "" {
			continue
		}
		if len(out.remarks) == mostSignals {
			out.remarks = append(out.remarks, "and more")
			break
		}
		out.remarks = append(out.remarks, fmt.Sprintf("signal %d at point %d, %s: %s; done: %s", sig.ID, at(sig.First.At)+1, sig.State, sig.Cause, sig.Action))
	}
	return nil
}
