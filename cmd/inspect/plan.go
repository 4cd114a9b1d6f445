package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"

	"github.com/spf13/cobra"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/design"
	"plumbsquare/internal/spc"
)

func newPlanCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "plan",
		Short: "Design control charts and sampling plans",
		Long: `Designs a control chart for the move that matters and the false alarms that can be borne, or a
sampling plan for the quality that must be shown, and draws what they can do. Prints the factors of
control charts to check a chart by hand.`,
		Example: `  inspect plan chart --shift 1 --every 500 -o runs.svg
  inspect plan sampling --fraction 0.01 --risk 0.05
  inspect plan factors 5`,
		Args: subcommandOnly,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(newPlanChartCmd(), newPlanSamplingCmd(), newPlanFactorsCmd())
	return cmd
}

const planChartLong = `Finds the EWMA chart (λ, L) and the CUSUM chart (k, h) that see a lasting move of the level soonest,
among those with a false alarm every so many points, and how many units a subgroup of an x̄ chart needs
to signal it soon enough. The move is in standard deviations of a single value (--shift), or in the
values' unit where --sigma is given.

A picture shows the run length of each over the move, with that of single points by --rules to compare.
--oc draws the operating characteristic of x̄ charts instead, the chance that a point misses the move;
--oc-spread that of s and R charts of --subgroup values, over how much the spread has grown.`

const planChartExample = `  inspect plan chart --shift 1 --every 500 -o runs.svg
  inspect plan chart --shift 3 --sigma 2.4 --subgroup 5 --signal 1.5
  inspect plan chart --shift 1 --subgroup 5 --oc oc.svg --oc-spread spread.svg
  inspect plan chart --json --shift 0.75`

type planChartOptions struct {
	shift, sigma, every, signal float64
	subgroup                    int
	rules, ruleSet              string
	title, out, oc, ocSpread    string
	json                        bool
}

func newPlanChartCmd() *cobra.Command {
	var o planChartOptions
	cmd := &cobra.Command{
		Use:     "chart [flags]",
		Short:   "Design EWMA, CUSUM and x̄ charts for a move that matters",
		Long:    planChartLong,
		Example: planChartExample,
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runPlanChart(o, cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.Float64Var(&o.shift, "shift", 0, "lasting move of the level that matters")
	f.Float64Var(&o.sigma, "sigma", 1, "standard deviation of a single value, in the unit of --shift")
	f.Float64Var(&o.every, "every", 370, "points between false alarms, on average")
	f.IntVar(&o.subgroup, "subgroup", 1, "values behind a point of EWMA and CUSUM")
	f.Float64Var(&o.signal, "signal", 2, "points after which the x̄ chart must have signalled, on average")
	f.StringVar(&o.rules, "rules", "1,2,5,6", `rules of the points to compare with, by number; "none" for none`)
	f.StringVar(&o.ruleSet, "rule-set", "nelson", "whose rules: nelson or western")
	f.StringVar(&o.title, "title", "", "title of the picture")
	f.StringVarP(&o.out, "output", "o", "", "draw run lengths to this file: .png, .svg or .pdf")
	f.StringVar(&o.oc, "oc", "", "draw operating characteristics of x̄ charts to this file")
	f.StringVar(&o.ocSpread, "oc-spread", "", "draw those of s and R charts to this file")
	f.BoolVar(&o.json, "json", false, "print as JSON")
	return cmd
}

func (o planChartOptions) check() ([]spc.Rule, error) {
	for _, c := range []struct {
		flag  string
		value float64
		least float64
	}{{"shift", o.shift, 0}, {"sigma", o.sigma, 0}, {"every", o.every, 2}, {"signal", o.signal, 1}} {
		if !(c.value > c.least) || math.IsInf(c.value, 0) {
			return nil, usagef("--%s: want a number above %v, got %v", c.flag, c.least, c.value)
		}
	}
	if o.subgroup < 1 {
		return nil, usagef("--subgroup: want 1 or more, got %d", o.subgroup)
	}
	for _, file := range []string{o.out, o.oc, o.ocSpread} {
		if _, err := chart.FormatOf(file); file != "" && err != nil {
			return nil, usageError{err}
		}
	}
	if o.ocSpread != "" && o.subgroup < 2 {
		return nil, usagef("--oc-spread: give --subgroup, 2 or more values; one has no spread")
	}
	rules, err := chartOptions{rules: o.rules, ruleSet: o.ruleSet}.chosenRules()
	if err != nil {
		return nil, usageError{err}
	}
	return rules, nil
}

func runPlanChart(o planChartOptions, w io.Writer) error {
	rules, err := o.check()
	if err != nil {
		return err
	}
	d, err := design.ForShift(design.Wish{Shift: o.shift / o.sigma, Every: o.every, Subgroup: o.subgroup, Signal: o.signal})
	if err != nil {
		return err
	}
	upTo := math.Max(3, 2*d.Shift)
	if err := o.drawMisses(d, upTo); err != nil {
		return err
	}
	if o.out != "" || o.json {
		curves, err := d.RunLengths(upTo, rules)
		if err != nil {
			return err
		}
		if o.out != "" {
			if err := drawFigure(o.out, runLengthFigure(o, d, curves)); err != nil {
				return err
			}
		}
		if o.json {
			return json.NewEncoder(w).Encode(planChartOf(o, d, curves))
		}
	}
	points := "points"
	if o.subgroup > 1 {
		points = fmt.Sprintf("subgroups of %d", o.subgroup)
	}
	fmt.Fprintf(w, "for a lasting move by %s and a false alarm every %s points:\n\n", shiftText(o, d), shortNumber(o.every))
	fmt.Fprintf(w, "EWMA    λ = %.3g, limits at ± %.4g sigma of the average (L)\n        the move is seen after %.1f %s\n", d.EWMA.Lambda, d.EWMA.Width, d.EWMAAfter.Mean, points)
	fmt.Fprintf(w, "CUSUM   k = %.4g, h = %.4g sigma\n        the move is seen after %.1f %s; with a head start of h/2, after %.1f, with a false alarm every %.0f\n",
		d.CUSUM.K, d.CUSUM.H, d.CUSUMAfter.Mean, points, d.HeadStartAfter.Mean, d.HeadStartEvery.Mean)
	fmt.Fprintf(w, "x̄       subgroups of %d, limits at ± %.4g sigma of the mean\n        the move is seen after %.2f subgroups\n", d.SampleSize, d.Width, d.MeansAfter)
	return nil
}

// drawMisses draws operating characteristics where they are asked for.
func (o planChartOptions) drawMisses(d design.Charts, upTo float64) error {
	if o.oc != "" {
		q := chart.Curves{
			Title: o.title, XTitle: "move of the level (sigma of a value)", YTitle: "chance that the next point misses it", YMax: 1.04,
			Notes:  []string{fmt.Sprintf("a false alarm every %s points", shortNumber(o.every))},
			Levels: []chart.CurveLevel{{Y: 0.5}, {Y: 0.1, Text: "1 in 10"}},
		}
		if o.title == "" {
			q.Title = "What x̄ charts miss"
		}
		for _, c := range d.Misses(upTo) {
			q.Curves = append(q.Curves, chart.Curve{Name: c.Name, Note: c.Note, X: c.X, Y: c.Y})
		}
		if err := drawFigure(o.oc, q); err != nil {
			return err
		}
	}
	if o.ocSpread == "" {
		return nil
	}
	const upToRatio = 4
	curves, err := design.SpreadMisses(o.subgroup, upToRatio)
	if err != nil {
		return err
	}
	q := chart.Curves{
		Title: o.title, XTitle: "spread, times as large as it was", YTitle: "chance that the next point misses it", YMax: 1.04,
		Notes:  []string{"limits at three standard deviations of the statistic"},
		Levels: []chart.CurveLevel{{Y: 0.5}, {Y: 0.1, Text: "1 in 10"}},
	}
	if o.title == "" {
		q.Title = "What charts of spread miss"
	}
	for _, c := range curves {
		q.Curves = append(q.Curves, chart.Curve{Name: c.Name, X: c.X, Y: c.Y})
	}
	return drawFigure(o.ocSpread, q)
}

func shiftText(o planChartOptions, d design.Charts) string {
	if o.sigma == 1 {
		return shortNumber(d.Shift) + " sigma"
	}
	return fmt.Sprintf("%s (%s sigma)", shortNumber(o.shift), shortNumber(d.Shift))
}

func runLengthFigure(o planChartOptions, d design.Charts, curves []design.Curve) chart.Curves {
	q := chart.Curves{
		Title: o.title, LogY: true, XTitle: "move of the level (sigma of a value)", YTitle: "points until the signal, on average",
		Notes:  []string{fmt.Sprintf("designed for a move by %s and a false alarm every %s points", shiftText(o, d), shortNumber(o.every))},
		Levels: []chart.CurveLevel{{Y: o.every, Text: fmt.Sprintf("a false alarm every %s", shortNumber(o.every))}},
	}
	if o.title == "" {
		q.Title = "How soon a move is seen"
	}
	after := map[string]float64{"EWMA": d.EWMAAfter.Mean, "CUSUM": d.CUSUMAfter.Mean}
	for _, c := range curves {
		curve := chart.Curve{Name: c.Name, Note: c.Note, X: c.X, Y: c.Y}
		if y, ok := after[c.Name]; ok {
			curve.Mark = []chart.CurveMark{{X: d.Shift, Y: y, Text: fmt.Sprintf("%.1f", y)}}
		} else if c.Name == fmt.Sprintf("x̄ of %d", d.SampleSize) {
			curve.Mark = []chart.CurveMark{{X: d.Shift, Y: d.MeansAfter, Text: fmt.Sprintf("%.2f", d.MeansAfter)}}
		}
		q.Curves = append(q.Curves, curve)
	}
	return q
}

// The JSON form of a chart's design.
type (
	planChartJSON struct {
		ShiftSigma number      `json:"shift_sigma"`
		Every      number      `json:"false_alarm_every"`
		Subgroup   int         `json:"subgroup"`
		EWMA       ewmaJSON    `json:"ewma"`
		CUSUM      cusumJSON   `json:"cusum"`
		Means      meansJSON   `json:"xbar"`
		Curves     []curveJSON `json:"run_lengths"`
	}
	ewmaJSON struct {
		Lambda number `json:"lambda"`
		Width  number `json:"width"`
		After  number `json:"after_shift"`
	}
	cusumJSON struct {
		K              number `json:"k"`
		H              number `json:"h"`
		After          number `json:"after_shift"`
		HeadStart      number `json:"head_start"`
		HeadStartAfter number `json:"head_start_after_shift"`
		HeadStartEvery number `json:"head_start_false_alarm_every"`
	}
	meansJSON struct {
		Size  int    `json:"subgroup"`
		Width number `json:"width"`
		After number `json:"after_shift"`
	}
	curveJSON struct {
		Name string   `json:"name"`
		X    []number `json:"x"`
		Y    []number `json:"y"`
	}
)

func planChartOf(o planChartOptions, d design.Charts, curves []design.Curve) planChartJSON {
	out := planChartJSON{
		ShiftSigma: number(d.Shift), Every: number(o.every), Subgroup: o.subgroup,
		EWMA:  ewmaJSON{number(d.EWMA.Lambda), number(d.EWMA.Width), number(d.EWMAAfter.Mean)},
		CUSUM: cusumJSON{number(d.CUSUM.K), number(d.CUSUM.H), number(d.CUSUMAfter.Mean), number(d.CUSUM.H / 2), number(d.HeadStartAfter.Mean), number(d.HeadStartEvery.Mean)},
		Means: meansJSON{d.SampleSize, number(d.Width), number(d.MeansAfter)},
	}
	for _, c := range curves {
		out.Curves = append(out.Curves, curveOf(c))
	}
	return out
}

func curveOf(c design.Curve) curveJSON {
	out := curveJSON{Name: c.Name}
	for i := range c.X {
		out.X, out.Y = append(out.X, number(c.X[i])), append(out.Y, number(c.Y[i]))
	}
	return out
}
