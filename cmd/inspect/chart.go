package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

const chartLong = `Draws control charts of readings (FILE.jsonl, as inspect measure writes) or of any table (CSV,
first row the names of its columns), and says their limits, which points break a rule and what
that means, and, where limits are known, how capable the process is.

Columns are chosen by name; those of readings are listed in docs/readings.md. Without --value a
file of readings is charted for x_um, y_um and theta_deg. Values stand in the order of --time
(readings: taken_at), else of the file. --subgroup says which values belong together (readings:
lot); where there are 8 subgroups or more of at least two values, their means are charted, else
single values. Readings that must be retaken, and rows without a value, are left out and counted.

Kinds: individuals (moving range), xbar-r, xbar-s, three-way, ewma (--lambda, --width), cusum (--k,
--h, --head-start); of counts, with --value and --opportunities: p, np, u, c, laney-p, laney-u; of
rare events: g (units between events, or with --between counts of them), t (times between events, or
a column of their times); of several values together, with what each contributes: t2, t2-subgroups,
mewma. Pictures that are no control charts: histogram (with limits and capability), probability
(probability plot), scatter (two values, by head; with --radius how they sit in a circle), factors
(which of --by head,nozzle,… explains the variance). docs/statistics.md says how each is computed.

Rules are chosen by number from the set of Nelson (1984), or from that of the Western Electric
handbook (1956) with --rule-set western. How often they raise a false alarm, and how soon they see a
move by --shift, is said. inspect plan chart designs a chart for a move.

With several values, or with --by, every chart gets a file of its own: NAME-VALUE-LEVEL.svg.

With --store the shots come from a store instead of a file, and the chart has the phases, events and
causes of signals that the store knows (inspect phase, event, signal). Flags that choose another
kind, other limits or rules, or parts of the shots chart them as a table, without phases.`

const chartExample = `  inspect chart lot42.jsonl -o lot42.svg
  inspect chart lot42.jsonl --value x_um --by head --part tern.yaml -o x.png
  inspect chart lot42.jsonl --kind u --value missing --opportunities present+missing --where view=column-plan
  inspect chart pull.csv --value force_n --subgroup shift --limits-from 1-20 --lower 4.5 -o pull.pdf
  inspect chart lot42.jsonl --kind t2 -o t2.svg
  inspect chart lot42.jsonl --kind factors --value x_um --by head,nozzle -o factors.svg
  inspect chart --json lot42.jsonl --value theta_deg --rules 1,2,3,5
  inspect chart --store line.db --part tern --value x_um --since 2031-03-01 -o x.svg
  inspect chart --store line.db --part tern --value x_um --kind factors --by head,nozzle`

type chartOptions struct {
	values              []string
	subgroup, by, time  string
	opportunities       string
	where               []string
	kind                string
	rules, ruleSet      string
	limitsFrom, exclude string
	centre, sigma       string
	phases, events      []string
	robust              bool
	lower, upper        string
	part                string
	radius              float64
	law                 string
	required            float64
	schemes             schemeFlags
	fromStore           chartStore

	title, out     string
	json           bool
	stdout, stderr io.Writer
}

func newChartCmd() *cobra.Command {
	var o chartOptions
	cmd := &cobra.Command{
		Use:     "chart [flags] FILE | --store AT --part NAME",
		Short:   "Draw control charts of readings or of any table",
		Long:    chartLong,
		Example: chartExample,
		Args:    usageArgs(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.stdout, o.stderr = cmd.OutOrStdout(), cmd.ErrOrStderr()
			switch fromStore := o.fromStore.on(cmd); {
			case fromStore && len(args) > 0:
				return usagef("a file or a store? Leave out %s, or --store", args[0])
			case fromStore:
				return runChartStore(cmd, o)
			case len(args) == 0:
				return usagef("what to chart? Give a FILE, or --store AT and --part NAME")
			}
			return runChart(o, args[0])
		},
	}
	o.fromStore.addFlags(cmd)
	f := cmd.Flags()
	f.StringSliceVar(&o.values, "value", nil, "column of values, or of counts; several for a chart each")
	f.StringVar(&o.subgroup, "subgroup", "", `column that says which values belong together; "none" for none`)
	f.StringVar(&o.by, "by", "", "column of a factor, such as head: a chart for each of its levels; for factors several")
	f.StringVar(&o.time, "time", "", "column of times that the values are put in order by")
	f.StringVar(&o.opportunities, "opportunities", "", "opportunities, or units, of counts: a column, a sum such as present+missing, or one number for all")
	f.StringArrayVar(&o.where, "where", nil, "take only the rows whose COLUMN=VALUE; may be given several times")
	f.StringVar(&o.kind, "kind", "", "kind of chart; by default what suits the data")
	f.StringVar(&o.rules, "rules", "1,2,3", `rules by number, "all" or "none"`)
	f.StringVar(&o.ruleSet, "rule-set", "nelson", "whose rules: nelson or western")
	f.StringVar(&o.limitsFrom, "limits-from", "", "subgroups (or values) that limits are taken from: the first N, or FROM-TO")
	f.StringVar(&o.exclude, "exclude", "", "subgroups left out of the limits, by number: 7,12")
	f.StringVar(&o.centre, "centre", "", "state the centre instead of estimating it")
	f.StringVar(&o.sigma, "sigma", "", "state the standard deviation of single values instead of estimating it")
	f.StringArrayVar(&o.phases, "phase", nil, "new limits from subgroup N on: N=NAME; may be given several times")
	f.StringArrayVar(&o.events, "event", nil, "something done to the line before subgroup N: N=TEXT; may be given several times")
	f.BoolVar(&o.robust, "robust", false, "limits from medians, so that a few bad points don't widen them")
	f.StringVar(&o.lower, "lower", "", "lower limit that capability is held against")
	f.StringVar(&o.upper, "upper", "", "upper limit that capability is held against")
	f.StringVar(&o.part, "part", "", "part file to take these limits from, for columns of readings; with --store the name of the part will do")
	f.Float64Var(&o.radius, "radius", 0, "scatter: circular tolerance, the largest distance from nominal allowed")
	f.StringVar(&o.law, "law", "normal", `law that values follow, for capability, histogram and probability plot: normal, best (which fits best), or a family by name`)
	f.Float64Var(&o.required, "required", 0, "capability index to be shown, such as 1.33")
	o.schemes.add(cmd)
	f.StringVar(&o.title, "title", "", "title of the picture")
	f.StringVarP(&o.out, "output", "o", "", "draw to this file: .png, .svg or .pdf")
	f.BoolVar(&o.json, "json", false, "print one JSON object a chart")
	return cmd
}

// runChart charts every value and level that o asks for. What can't be charted is said; the others
// are charted all the same.
func runChart(o chartOptions, file string) error {
	plan, err := o.plan()
	if err != nil {
		return err
	}
	t, err := loadTable(file)
	if err != nil {
		return err
	}
	return chartTable(o, plan, t)
}

// chartTable charts a table.
func chartTable(o chartOptions, plan chartPlan, t *series.Table) error {
	for _, w := range o.where {
		column, value, ok := strings.Cut(w, "=")
		if !ok {
			return usagef("--where: want COLUMN=VALUE, got %q", w)
		}
		if err := t.Where(column, value); err != nil {
			return err
		}
	}
	if plan.picture != "" {
		return runPicture(o, plan, t)
	}
	asked, err := o.split(t)
	if err != nil {
		return err
	}
	var result error
	for i, a := range asked {
		c, err := plan.compute(o, a)
		if err == nil && o.out != "" {
			err = c.drawTo(plan.fileFor(o.out, a, asked))
		}
		switch {
		case err != nil:
			result = errReported
			fmt.Fprintf(o.stderr, "inspect: %v\n", err)
		case o.json:
			err = c.writeJSON(o.stdout)
		default:
			if i > 0 {
				fmt.Fprintln(o.stdout)
			}
			err = c.writeText(o.stdout)
		}
		if err != nil && result == nil {
			return err
		}
	}
	return result
}

// loadTable reads a file of readings or a table.
func loadTable(file string) (*series.Table, error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	if ext := strings.ToLower(filepath.Ext(file)); ext == ".jsonl" || ext == ".ndjson" {
		return series.OfReadings(reading.Lines(f, file), file)
	}
	return series.ReadCSV(f, file)
}

// An askedChart is one chart that was asked for: a value, and the level of the factor.
type askedChart struct {
	table *series.Table
	value string
	level string
}

// split returns the charts that o asks for.
func (o chartOptions) split(t *series.Table) (asked []askedChart, err error) {
	values := o.values
	if len(values) == 0 {
		for _, v := range []string{"x_um", "y_um", "theta_deg"} {
			if t.Has(v) {
				values = append(values, v)
			}
		}
	}
	if len(values) == 0 {
		return nil, usagef("which column? Give --value NAME; %s has %s", t.File, strings.Join(t.Columns, ", "))
	}
	for _, v := range values {
		if o.by == "" {
			own := *t
			asked = append(asked, askedChart{&own, v, ""})
			continue
		}
		levels, tables, err := t.Split(o.by)
		if err != nil {
			return nil, err
		}
		for i, level := range levels {
			asked = append(asked, askedChart{tables[i], v, level})
		}
	}
	return asked, nil
}

// A chartPlan is what flags say, understood.
type chartPlan struct {
	kind        series.Kind // "" for what suits the data
	picture     string      // one of pictureKinds, instead of a kind of control chart
	options     spc.Options
	tolerance   spc.Tolerance
	judged      bool // whether there is a stated tolerance
	events      []chart.Event
	fixedSize   float64  // opportunities of every row; 0 when columns say
	sizeColumns []string // columns whose sum they are
	schemes     schemeFlags
}

func (o chartOptions) plan() (p chartPlan, err error) {
	if o.out != "" {
		if _, err := chart.FormatOf(o.out); err != nil {
			return p, usageError{err}
		}
	}
	if slices.Contains(pictureKinds, o.kind) {
		p.picture = o.kind
	} else if o.kind != "" {
		if p.kind, err = series.ParseKind(o.kind); err != nil {
			return p, usageError{fmt.Errorf("--kind: %w, %s", err, strings.Join(pictureKinds, ", "))}
		}
	}
	if err := o.schemes.check(o.kind); err != nil {
		return p, err
	}
	if err := checkLaw(o.law); err != nil {
		return p, err
	}
	p.schemes, p.options.Width = o.schemes, o.schemes.width
	if o.part != "" && (o.lower != "" || o.upper != "") {
		return p, usagef("--part and --lower or --upper: give the limits once")
	}
	if p.options.Rules, err = o.chosenRules(); err != nil {
		return p, usageError{err}
	}
	p.options.Robust = o.robust
	if !slices.Contains(vectorKinds, o.kind) { // which have phases of their own
		if p.options.Phases, err = o.phaseList(); err != nil {
			return p, err
		}
	}
	for _, e := range o.events {
		at, text, err := numbered("--event", e)
		if err != nil {
			return p, err
		}
		p.events = append(p.events, chart.Event{Index: at, Text: text})
	}
	p.tolerance, p.judged, err = o.statedTolerance()
	if n, err := strconv.ParseFloat(o.opportunities, 64); err == nil {
		if !(n > 0) {
			return p, usagef("--opportunities: want a number above zero, got %s", o.opportunities)
		}
		p.fixedSize = n
	} else if o.opportunities != "" {
		p.sizeColumns = strings.Split(o.opportunities, "+")
	}
	return p, err
}

func (o chartOptions) chosenRules() ([]spc.Rule, error) {
	if !slices.Contains([]string{"nelson", "western"}, o.ruleSet) {
		return nil, fmt.Errorf("--rule-set: want nelson or western, got %q", o.ruleSet)
	}
	choice := o.ruleSet + ":" + o.rules
	switch {
	case o.rules == "all":
		choice = o.ruleSet
	case o.rules == "none" || o.rules == "":
		choice = "none"
	}
	rules, err := spc.ParseRules(choice)
	if err != nil {
		return nil, fmt.Errorf("--rules: %w", err)
	}
	return rules, nil
}

// optional reads a number that may be left out.
func optional(flag, text string) (*float64, error) {
	if text == "" {
		return nil, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || v-v != 0 {
		return nil, usagef("%s: want a finite number, got %q", flag, text)
	}
	return &v, nil
}

func (o chartOptions) statedTolerance() (tol spc.Tolerance, judged bool, err error) {
	lower, err1 := optional("--lower", o.lower)
	upper, err2 := optional("--upper", o.upper)
	if err := errors.Join(err1, err2); err != nil {
		return tol, false, usageError{err}
	}
	switch {
	case lower != nil && upper != nil:
		if *lower >= *upper {
			return tol, false, usagef("--lower %s isn't below --upper %s", o.lower, o.upper)
		}
		return spc.Tolerance{Lower: *lower, Upper: *upper}, true, nil
	case lower != nil:
		return spc.AtLeast(*lower), true, nil
	case upper != nil:
		return spc.AtMost(*upper), true, nil
	}
	return tol, false, nil
}

// numbered reads N=TEXT, N from one.
func numbered(flag, s string) (index int, text string, err error) {
	number, text, _ := strings.Cut(s, "=")
	n, err := strconv.Atoi(strings.TrimSpace(number))
	if err != nil || n < 1 {
		return 0, "", usagef("%s: want N=TEXT with N the number of a subgroup from 1, got %q", flag, s)
	}
	return n - 1, text, nil
}

// phaseList makes phases of the flags; positions are checked by spc, which knows how many there are.
func (o chartOptions) phaseList() ([]spc.Phase, error) {
	var first spc.Phase
	var err error
	if first.Center, err = optional("--centre", o.centre); err != nil {
		return nil, err
	}
	if first.Sigma, err = optional("--sigma", o.sigma); err != nil {
		return nil, err
	}
	if first.Baseline, err = span(o.limitsFrom); err != nil {
		return nil, err
	}
	if o.exclude != "" {
		for _, word := range strings.Split(o.exclude, ",") {
			n, err := strconv.Atoi(strings.TrimSpace(word))
			if err != nil || n < 1 {
				return nil, usagef("--exclude: want numbers of subgroups from 1 such as 7,12, got %q", o.exclude)
			}
			first.Exclude = append(first.Exclude, n-1)
		}
	}
	if len(o.phases) > 0 && (first.Center != nil || first.Sigma != nil || o.limitsFrom != "" || o.exclude != "") {
		return nil, usagef("--phase takes limits from each phase; leave --limits-from, --exclude, --centre and --sigma out")
	}
	phases := []spc.Phase{first}
	for _, text := range o.phases {
		at, name, err := numbered("--phase", text)
		if err != nil {
			return nil, err
		}
		if at == 0 {
			phases[0].Name = name
			continue
		}
		phases = append(phases, spc.Phase{Name: name, Start: at})
	}
	return phases, nil
}

// span reads "20" (the first 20) or "5-24", numbers from one.
func span(text string) (spc.Span, error) {
	if text == "" {
		return spc.Span{}, nil
	}
	from, to, ok := strings.Cut(text, "-")
	if !ok {
		from, to = "1", text
	}
	a, err1 := strconv.Atoi(strings.TrimSpace(from))
	b, err2 := strconv.Atoi(strings.TrimSpace(to))
	if err1 != nil || err2 != nil || a < 1 || b < a {
		return spc.Span{}, usagef("--limits-from: want the first N or FROM-TO, such as 20 or 5-24, got %q", text)
	}
	return spc.Span{From: a - 1, To: b}, nil
}
