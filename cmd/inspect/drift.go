package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/drift"
	"plumbsquare/internal/spc"
)

const driftLong = `Says whether, when and where a line moved: in readings (FILE.jsonl, as inspect measure writes) or any
table (CSV, first row the names of its columns).

For each value it looks for one move of the level, a step or a drift, and gives when it began and how
fast it goes with their intervals. It ranks the factors (head, nozzle, pick position, shift, operator,
or those of --by) by how much of the variance they explain, and looks for the move at each of their
levels, so that a drift of one head shows at that head. Tests by ranks, which values far off can't
sway, stand beside it as a second opinion, and the variance is split between days, lots and values of
a lot where there are several of each. Values of one lot are alike: moves are looked
for in the means of lots. The number of factors and levels looked at is accounted for.

A picture shows the levels of the factor at which a move is clearest, else of that which explains most.
With several values, each gets a file of its own: NAME-VALUE.svg.

With --store and --part the shots come from a store instead of a file.`

const driftExample = `  inspect drift line.jsonl
  inspect drift line.jsonl --value x_um --by head -o x.svg
  inspect drift --store line.db --part tern --since 2031-03-01 -o drift.svg
  inspect drift --json pull.csv --value force_n --time pulled_at --subgroup batch --by bonder,operator`

type driftOptions struct {
	sampleOptions
	confidence, level float64
	title, out        string
	json              bool
}

func newDriftCmd() *cobra.Command {
	var o driftOptions
	cmd := &cobra.Command{
		Use:     "drift [flags] FILE | --store AT --part NAME",
		Short:   "Say when a line moved, how fast, and what stands behind it",
		Long:    driftLong,
		Example: driftExample,
		Args:    usageArgs(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runDrift(o, cmd, args)
		},
	}
	o.add(cmd)
	f := cmd.Flags()
	f.StringVar(&o.part, "part", "", "store: name of the part")
	f.StringSliceVar(&o.by, "by", nil, "factors to sort the values by, such as head,nozzle")
	f.Float64Var(&o.confidence, "confidence", 0.95, "confidence of intervals")
	f.Float64Var(&o.level, "level", 0.05, "probability of a false finding that is borne")
	f.StringVar(&o.title, "title", "", "title of the picture")
	f.StringVarP(&o.out, "output", "o", "", "draw to this file: .png, .svg or .pdf")
	f.BoolVar(&o.json, "json", false, "print one JSON object a value")
	return cmd
}

func runDrift(o driftOptions, cmd *cobra.Command, args []string) error {
	stdout, stderr := cmd.OutOrStdout(), cmd.ErrOrStderr()
	if err := needShare("--confidence", o.confidence); err != nil {
		return err
	}
	if err := needShare("--level", o.level); err != nil {
		return err
	}
	if o.out != "" {
		if _, err := chart.FormatOf(o.out); err != nil {
			return usageError{err}
		}
	}
	t, values, _, err := o.load(cmd, args)
	if err != nil {
		return err
	}
	var result error
	for i, value := range values {
		s, err := o.samples(t, value)
		var study drift.Study
		if err == nil {
			study, err = drift.Analyse(s, drift.Options{Confidence: o.confidence, Level: o.level})
			if err != nil {
				err = fmt.Errorf("%s: column %s: %w", t.File, value, err)
			}
		}
		if err == nil && o.out != "" {
			err = drawFigure(ofValue(o.out, value, values), driftFigure(o.title, s, study))
		}
		switch {
		case err != nil:
			result = errReported
			fmt.Fprintf(stderr, "inspect: %v\n", err)
		case o.json:
			if err := json.NewEncoder(stdout).Encode(driftOf(t.File, value, s, study)); err != nil {
				return err
			}
		default:
			if i > 0 {
				fmt.Fprintln(stdout)
			}
			if err := writeDrift(stdout, s, study); err != nil {
				return err
			}
		}
	}
	return result
}

func needShare(flag string, v float64) error {
	if !(v > 0 && v < 1) {
		return usagef("%s: want a number between 0 and 1, got %v", flag, v)
	}
	return nil
}

// ofValue names the file of one value: as asked when it is the only one.
func ofValue(out, value string, all []string) string {
	return chartPlan{}.fileFor(out, askedChart{value: value}, asking(all))
}

func asking(values []string) (asked []askedChart) {
	for _, v := range values {
		asked = append(asked, askedChart{value: v})
	}
	return asked
}

// shown returns the factor whose levels are drawn: that with the clearest move, else the first.
func shown(study drift.Study) string {
	if moved := study.Moved(); len(moved) > 0 {
		for _, e := range study.Ranked { // the one that explains most, of those where it is as clear
			for _, m := range moved {
				if m.Factor == e.Name && m.Q <= moved[0].Q {
					return e.Name
				}
			}
		}
	}
	if len(study.Ranked) > 0 {
		return study.Ranked[0].Name
	}
	return ""
}

// mostPanels of a factor are drawn.
const mostPanels = 12

func driftFigure(title string, s drift.Samples, study drift.Study) chart.Drift {
	q := chart.Drift{Title: title, Quantity: s.Quantity.Name, Unit: s.Quantity.Unit, Notes: []string{countText(s) + "; shaded: when the move began, 95 % interval"}}
	if title == "" {
		q.Title = "When and where the " + s.Quantity.Name + " moved"
	}
	q.Panels = append(q.Panels, chart.DriftPanel{Name: "all", Points: study.Series, Change: study.Overall})
	factor := shown(study)
	for _, st := range study.Strata {
		if st.Factor == factor && len(q.Panels) <= mostPanels {
			q.Panels = append(q.Panels, chart.DriftPanel{Name: st.Factor + " " + st.Level, Points: st.Series, Change: st.Change})
		}
	}
	return q
}

// countText says how many values there are, and in how many lots.
func countText(s drift.Samples) string {
	text := fmt.Sprintf("%d %s", len(s.Values), plural(len(s.Values), "value"))
	if s.Lots != nil {
		n := len(s.Points())
		text += fmt.Sprintf(" in %d %s", n, plural(n, "lot"))
	}
	return text + leftOut(s.Retakes, s.Blank)
}

func writeDrift(w io.Writer, s drift.Samples, study drift.Study) error {
	unit := s.Quantity.Unit
	fmt.Fprintf(w, "%s: %s\n%s; %s\n", s.Quantity.Name, study.Overall.Text(unit), countText(s), sureText(study.Overall))
	if study.Overall.Remark != "" {
		fmt.Fprintf(w, "note: %s\n", study.Overall.Remark)
	}
	if study.Ranks != nil {
		fmt.Fprintln(w, study.Ranks.Text(unit))
	}
	beside := ""
	if study.Overall.Form != drift.Steady {
		beside = " beside the move"
	}
	if study.Nested != nil {
		fmt.Fprintln(w, nestedText(study.Nested, beside, unit))
	}
	if len(study.Ranked) > 0 {
		fmt.Fprintf(w, "\nwhat explains the variance%s:\n", beside)
		if err := writeEffects(w, study.Ranked); err != nil {
			return err
		}
	}
	if moved := study.Moved(); len(moved) > 0 {
		fmt.Fprintf(w, "\n%s\n", study.Where())
		t := newColumns(w)
		for _, st := range moved {
			fmt.Fprintf(t, "%s %s\t%d values\tq %.2g\t%s\n", st.Factor, st.Level, st.N, st.Q, st.Short(unit))
		}
		if err := t.Flush(); err != nil {
			return err
		}
	} else if len(study.Strata) > 0 {
		fmt.Fprintln(w, "\nat no level of any factor is a move shown")
	}
	for _, passed := range study.Passed {
		fmt.Fprintf(w, "note: left out %s\n", passed)
	}
	return nil
}

// nestedText says where the spread comes from.
func nestedText(n *spc.Nested, beside, unit string) string {
	part := func(share, variance float64) string {
		if variance == 0 {
			return "none"
		}
		return fmt.Sprintf("%.0f %% (σ %s)", 100*share, strings.TrimSpace(fmt.Sprintf("%.2g %s", math.Sqrt(variance), unit)))
	}
	return fmt.Sprintf("of the variance%s, %s lies between days, %s between the lots of a day, %s within lots",
		beside, part(n.ShareGroup, n.VarGroup), part(n.ShareSub, n.VarSubgroup), part(n.ShareWithin, n.VarWithin))
}

func sureText(c drift.Change) string {
	if c.Why != "" {
		return fmt.Sprintf("%d points", c.Points)
	}
	return fmt.Sprintf("%d points, p %.2g", c.Points, c.P)
}

// The JSON form of a study.
type (
	driftJSON struct {
		File    string        `json:"file"`
		Value   string        `json:"value"`
		Unit    string        `json:"unit,omitempty"`
		Values  int           `json:"values"`
		Retakes int           `json:"left_out_retakes"`
		Blank   int           `json:"left_out_blank"`
		Overall changeJSON    `json:"overall"`
		Ranks   *ranksJSON    `json:"by_ranks,omitempty"`
		Nested  *nestedJSON   `json:"components,omitempty"` // variances beside the overall move
		Factors []factorJSON  `json:"factors"`              // the one that explains most first
		Strata  []stratumJSON `json:"strata"`
		Passed  []string      `json:"left_out_factors,omitempty"`
	}
	changeJSON struct {
		Form     string     `json:"form"` // "steady", "step" or "drift"
		Points   int        `json:"points"`
		P        number     `json:"p"`
		Q        number     `json:"q"`
		Before   number     `json:"before"`
		After    number     `json:"after"`
		Onset    *placeJSON `json:"onset,omitempty"`
		Earliest *placeJSON `json:"onset_earliest,omitempty"`
		Latest   *placeJSON `json:"onset_latest,omitempty"`
		Per      string     `json:"slope_per,omitempty"` // "day" or "point"
		Slope    *slopeJSON `json:"slope,omitempty"`
		Now      number     `json:"level_now"`
		U        number     `json:"u_level_now"`
		Text     string     `json:"text"`
		Remark   string     `json:"remark,omitempty"`
	}
	slopeJSON struct {
		Value number `json:"value"`
		Low   number `json:"low"`
		High  number `json:"high"`
	}
	ranksJSON struct {
		Step   *placeJSON `json:"step"` // the first point after the likeliest one
		StepP  number     `json:"step_p"`
		Per    string     `json:"slope_per"`
		Slope  slopeJSON  `json:"slope"`
		TrendP number     `json:"trend_p"`
		S      number     `json:"kendall_s"` // pairs that rise less pairs that fall
	}
	nestedJSON struct {
		Days   number `json:"between_days"`
		Lots   number `json:"between_lots_of_a_day"`
		Within number `json:"within_lots"`
		DaysP  number `json:"days_p"`
		LotsP  number `json:"lots_p"`
	}
	placeJSON struct {
		Number int    `json:"number"` // of the point, from one
		Lot    string `json:"lot,omitempty"`
		Time   string `json:"time,omitempty"`
	}
	stratumJSON struct {
		Factor string     `json:"factor"`
		Level  string     `json:"level"`
		Values int        `json:"values"`
		Change changeJSON `json:"change"`
	}
)

func driftOf(file, value string, s drift.Samples, study drift.Study) driftJSON {
	out := driftJSON{
		File: file, Value: value, Unit: s.Quantity.Unit, Values: study.N, Retakes: s.Retakes, Blank: s.Blank, Passed: study.Passed,
		Overall: changeOf(study.Overall, s.Quantity.Unit), Factors: effectsJSON(file, value, study.Ranked).Factors, Strata: []stratumJSON{},
	}
	if out.Factors == nil {
		out.Factors = []factorJSON{}
	}
	if r := study.Ranks; r != nil {
		out.Ranks = &ranksJSON{placeOf(r.StepAfter), number(r.Step.P), perOf(r.Timed), slopeJSON{number(r.Trend.Slope), number(r.Trend.SlopeCI.Low), number(r.Trend.SlopeCI.High)}, number(r.Trend.P), number(r.Trend.S)}
	}
	if n := study.Nested; n != nil {
		out.Nested = &nestedJSON{number(n.VarGroup), number(n.VarSubgroup), number(n.VarWithin), number(n.PGroup), number(n.PSubgroup)}
	}
	for _, st := range study.Strata {
		out.Strata = append(out.Strata, stratumJSON{st.Factor, st.Level, st.N, changeOf(st.Change, s.Quantity.Unit)})
	}
	return out
}

func changeOf(c drift.Change, unit string) changeJSON {
	out := changeJSON{
		Form: string(c.Form), Points: c.Points, P: number(c.P), Q: number(c.Q), Before: number(c.Before), After: number(c.After),
		Now: number(c.Now.Offset), U: number(c.Now.U), Text: c.Text(unit), Remark: c.Remark,
	}
	if c.Form != drift.Steady {
		out.Onset, out.Earliest, out.Latest = placeOf(c.Onset), placeOf(c.Earliest), placeOf(c.Latest)
	}
	if c.Form == drift.Ramp {
		out.Slope = &slopeJSON{number(c.Slope), number(c.SlopeInterval.Low), number(c.SlopeInterval.High)}
		out.Per = perOf(c.Timed)
	}
	return out
}

func perOf(timed bool) string {
	if timed {
		return "day"
	}
	return "point"
}

func placeOf(p drift.Place) *placeJSON {
	out := placeJSON{Number: p.Number + 1, Lot: p.Lot}
	if !p.Time.IsZero() {
		out.Time = p.Time.Format(time.RFC3339)
	}
	return &out
}
