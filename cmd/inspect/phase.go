package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/series"
	"plumbsquare/internal/signal"
	"plumbsquare/internal/spc"
	"plumbsquare/internal/store"
)

func newPhaseCmd() *cobra.Command {
	return group("phase", "Fix the limits of the charts, stretch by stretch",
		`A phase is a stretch of a control chart with limits of its own, which stay as they are: shots are
held against them, and a rule that fires is a signal. A new phase starts when the process was
changed on purpose and its new level is the one to keep. From its start on, its limits hold, and
signals that the limits before had given there are superseded.`,
		`  inspect phase list --part tern
  inspect phase start --part tern --value x_um --from 2031-03-05T10:00:00Z --by "E. Early" --why "new nozzles on both heads"
  inspect phase withdraw 7 --by "E. Early" --why "started on the wrong line"`,
		newPhaseListCmd(), newPhaseStartCmd(),
		newWithdrawCmd("phase", `  inspect phase withdraw 7 --why "started on the wrong line" --by "E. Early"`, (*store.Store).WithdrawPhase))
}

func newPhaseListCmd() *cobra.Command {
	var st storeFlags
	var ch chartFlags
	var q store.PhaseQuery
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "list [flags]",
		Short:   "List phases by chart and start, with their limits",
		Example: `  inspect phase list --part tern --store line.db`,
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			c, err := ch.chart()
			if err != nil {
				return err
			}
			q.Part, q.View, q.Line, q.Head, q.Value = c.Part, c.View, c.Line, c.Head, c.Value
			return listed(cmd, st, asJSON, printPhases, func(ctx context.Context, s *store.Store) ([]store.Phase, error) {
				return s.Phases(ctx, q)
			})
		},
	}
	f := cmd.Flags()
	st.addFlags(f)
	ch.addFlags(f)
	f.BoolVar(&q.Withdrawn, "withdrawn", false, "also those withdrawn as mistakes")
	f.BoolVar(&asJSON, "json", false, "print one JSON object a phase")
	return cmd
}

func printPhases(w io.Writer, phases []store.Phase) error {
	if len(phases) == 0 {
		_, err := fmt.Fprintln(w, "no phases")
		return err
	}
	var rows [][]string
	for _, p := range phases {
		points := "shots"
		if p.ByLot {
			points = "lots"
		}
		name := p.Name
		if p.Withdrawn != nil {
			name += " (withdrawn: " + p.Withdrawn.Why + ")"
		}
		centre, sigma := limitTexts(p.Kind, p.Limits)
		id := "–"
		if p.ID != 0 {
			id = strconv.FormatInt(p.ID, 10)
		}
		rows = append(rows, []string{id, p.Chart.String(), minute(p.Start), string(p.Kind) + " of " + points, centre, sigma, p.Rules, p.By, name})
	}
	return writeTable(w, "phase\tchart\tfrom\tkind\tcentre\tsigma\trules\tby\tname", rows)
}

// limitTexts writes centre and sigma to four digits of sigma.
func limitTexts(kind series.Kind, l store.Limits) (centre, sigma string) {
	if kind.OfCounts() {
		centre = strconv.FormatFloat(l.Centre, 'g', 4, 64)
		if kind == series.U {
			return centre, "by the law"
		}
		return centre, "σz " + strconv.FormatFloat(l.Sigma, 'g', 4, 64)
	}
	p := spc.Point{}
	p.Sigma = l.Sigma / 10
	return figure(l.Centre, p), figure(l.Sigma, p)
}

type phaseOptions struct {
	storeFlags
	chartFlags
	actFlags
	name, from                   string
	kind, points, rules          string
	centre, sigma                string
	baselineSince, baselineUntil string
	exclude                      []string
	robust, dry, json            bool
}

const phaseStartLong = `Start fixes new limits for a chart from a time on. They are taken from the shots of --baseline-since
to --baseline-until; without these from all since --from. Lots whose cause is known and gone stay
out with --exclude. Or they are stated, with --centre and --sigma.

Kinds: individuals, xbar-r, xbar-s (lots), ewma (λ 0.2, limits at ± 3 sigma of the average) and cusum
(k 0.5, h 5) for small moves that last; of counts of sites u and laney-u. Points are shots or lots. By default what suits the baseline: lots, by their means, where a lot gives several values,
for the units of one lot are alike.

--try says what the limits would be and starts nothing.`

func newPhaseStartCmd() *cobra.Command {
	var o phaseOptions
	cmd := &cobra.Command{
		Use:   "start [flags] --part NAME --value NAME --by NAME --why REASON",
		Short: "Start a phase: new limits from a time on",
		Long:  phaseStartLong,
		Example: `  inspect phase start --part tern --value x_um --from 2031-03-05T10:00:00Z --by "E. Early" --why "new nozzles"
  inspect phase start --part tern --value x_um --baseline-until 2031-03-04 --exclude L3088 --try
  inspect phase start --part tern --value theta_deg --centre 0 --sigma 0.02 --by "E. Early" --why "limits agreed"`,
		Args: usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			p, err := o.phase()
			if err != nil {
				return err
			}
			return o.storeFlags.with(cmd, func(ctx context.Context, s *store.Store) error {
				return o.start(ctx, cmd, s, p)
			})
		},
	}
	f := cmd.Flags()
	o.storeFlags.addFlags(f)
	o.chartFlags.addFlags(f)
	f.StringVar(&o.name, "name", "", "name of the phase; otherwise the reason")
	f.StringVar(&o.from, "from", "", "shots taken then or later: a time such as 2031-03-05T10:00:00Z; otherwise the first of the baseline, or now for stated limits")
	f.StringVar(&o.baselineSince, "baseline-since", "", "take limits from shots taken then or later; otherwise from --from on")
	f.StringVar(&o.baselineUntil, "baseline-until", "", "and before then; otherwise to the newest")
	f.StringSliceVar(&o.exclude, "exclude", nil, "lots left out of the baseline")
	f.BoolVar(&o.robust, "robust", false, "take medians, so that a few bad points don't widen the limits")
	f.StringVar(&o.centre, "centre", "", "state the centre; of counts the rate per site")
	f.StringVar(&o.sigma, "sigma", "", "state the standard deviation of a charted value")
	f.StringVar(&o.kind, "kind", "", "kind of chart; by default what suits the baseline")
	f.StringVar(&o.points, "points", "", "lots or shots; by default what suits the baseline")
	f.StringVar(&o.rules, "rules", "", "rules that make signals, such as nelson:1,2,3,5 or western:1-4; by default nelson:1,2,3, of counts, ewma and cusum nelson:1")
	f.BoolVar(&o.dry, "try", false, "say what the limits would be and start nothing")
	o.actFlags.addFlags(f, "why the limits change (needed)")
	f.BoolVar(&o.json, "json", false, "print the phase as JSON")
	return cmd
}

// phase makes of the flags what can be made without the store.
func (o phaseOptions) phase() (p store.Phase, err error) {
	if p.Chart, err = o.chart(); err != nil {
		return p, err
	}
	if p.Part == "" || p.Value == "" {
		return p, usagef("which chart? Give --part and --value, such as --part tern --value x_um")
	}
	if !slices.Contains(store.Quantities(), p.Value) {
		return p, usagef("--value: no quantity is called %q; there are %s", p.Value, strings.Join(store.Quantities(), ", "))
	}
	p.Kind = series.Kind(o.kind)
	if o.kind != "" && (!slices.Contains(signal.Kinds, p.Kind) || p.Kind.OfCounts() != signal.CountsSites(p.Value)) {
		return p, usagef("--kind %s isn't for %s: want one of %s, the last two for counts of sites only", o.kind, p.Value, inWords(signal.Kinds))
	}
	if o.points != "" && o.points != "lots" && o.points != "shots" {
		return p, usagef("--points: want lots or shots, got %q", o.points)
	}
	if p.Kind.Grouped() && o.points == "shots" {
		return p, usagef("--kind %s is a chart of lots", o.kind)
	}
	if p.Rules = o.rules; o.rules != "" {
		rules, err := spc.ParseRules(o.rules)
		if err != nil {
			return p, usageError{fmt.Errorf("--rules: %w", err)}
		}
		if p.Kind.Remembers() && (len(rules) != 1 || rules[0] != spc.Nelson1) {
			return p, usagef("--rules: on a chart %s only points beyond the limits count (nelson:1)", p.Kind)
		}
	}
	if p.Start, err = timeFlag("--from", o.from); err != nil {
		return p, err
	}
	if !o.dry {
		if p.Act, err = o.act(""); err != nil {
			return p, err
		}
	}
	if p.Name = o.name; p.Name == "" {
		p.Name = p.Why
	}
	return p, nil
}

func (o phaseOptions) start(ctx context.Context, cmd *cobra.Command, s *store.Store, p store.Phase) error {
	c, err := chartIn(ctx, s, o.chartFlags, []string{p.Value})
	if _, unclear := errors.AsType[usageError](err); err != nil && (unclear || o.centre == "") {
		return err
	}
	if err == nil { // stated limits may come before the first shot
		p.Chart = c
		p.Value = o.value
	}
	warnings, err := o.limits(ctx, s, &p)
	if err != nil {
		return err
	}
	for _, w := range warnings {
		fmt.Fprintf(cmd.ErrOrStderr(), "note: %s\n", w)
	}
	if o.dry {
		return o.printPhase(cmd, p)
	}
	listed, err := s.Signals(ctx, store.SignalQuery{Chart: p.Chart})
	if err != nil {
		return err
	}
	if p.ID, err = s.StartPhase(ctx, p); err != nil {
		return err
	}
	left, err := s.Signals(ctx, store.SignalQuery{Chart: p.Chart})
	if err != nil {
		return err
	}
	if err := o.printPhase(cmd, p); err != nil {
		return err
	}
	found, err := updateSignals(ctx, s)
	if err != nil {
		return err
	}
	for _, problem := range found.Problems {
		fmt.Fprintf(cmd.ErrOrStderr(), "inspect: %s\n", problem)
	}
	if !o.json {
		fmt.Fprintf(cmd.OutOrStdout(), "%d %s of the limits before superseded, %d new\n", len(listed)-len(left), plural(len(listed)-len(left), "signal"), len(found.New))
	}
	return nil
}

func (o phaseOptions) printPhase(cmd *cobra.Command, p store.Phase) error {
	if o.json {
		return printJSON(cmd.OutOrStdout(), []store.Phase{p})
	}
	if err := printPhases(cmd.OutOrStdout(), []store.Phase{p}); err != nil {
		return err
	}
	_, err := fmt.Fprintf(cmd.OutOrStdout(), "limits: %s\n", p.Source)
	return err
}

// limits states or estimates the limits of p, and settles what flags left open.
func (o phaseOptions) limits(ctx context.Context, s *store.Store, p *store.Phase) (warnings []string, err error) {
	centre, err1 := optional("--centre", o.centre)
	sigma, err2 := optional("--sigma", o.sigma)
	since, err3 := timeFlag("--baseline-since", o.baselineSince)
	until, err4 := timeFlag("--baseline-until", o.baselineUntil)
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		return nil, err
	}
	if since.IsZero() && until.IsZero() {
		since = p.Start
	}
	samples, err := signal.Samples(ctx, s, p.Chart, store.Query{Since: since, Until: until})
	if err != nil {
		return nil, err
	}
	samples = slices.DeleteFunc(samples, func(v signal.Sample) bool { return slices.Contains(o.exclude, v.Lot) })
	kind, byLot := signal.Suggest(samples, p.Value)
	if p.Kind == "" {
		p.Kind = kind
	}
	if p.ByLot = byLot; o.points != "" || p.Kind.Grouped() {
		p.ByLot = o.points != "shots"
	}
	if p.Rules == "" {
		p.Rules = signal.DefaultRules(p.Kind)
	}
	if centre == nil && sigma == nil {
		p.Limits, warnings, err = signal.Estimate(samples, p.Kind, p.ByLot, o.robust)
		if p.Start.IsZero() && len(samples) > 0 {
			p.Start = samples[0].At
		}
		return warnings, err
	}
	if p.Start.IsZero() {
		p.Start = time.Now()
	}
	return nil, stated(p, centre, sigma)
}

// stated fills in limits that the flags state.
func stated(p *store.Phase, centre, sigma *float64) error {
	p.Source = "stated"
	switch {
	case centre == nil:
		return usagef("--sigma needs --centre beside it")
	case p.Kind == series.U && sigma != nil:
		p.Kind = series.LaneyU
	case sigma == nil && p.Kind != series.U:
		if !p.Kind.OfCounts() {
			return usagef("--centre needs --sigma beside it")
		}
		p.Kind = series.U
	}
	p.Centre = *centre
	if sigma != nil {
		p.Sigma = *sigma
	}
	return nil
}
