package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/drift"
	"plumbsquare/internal/part"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

const correctLong = `Advises how much to correct the placer, head by head and nozzle by nozzle, from readings (FILE.jsonl) or
any table of offsets (CSV). Give it what was made since the settings were last touched (--since).

` + drift.Convention + `

Heads and nozzles that don't differ are corrected together. Each offset is the mean of the values, since
the last step where there is one; where it drifts, the end of the drift. A correction is advised only when the
interval of the offset excludes zero and the offset exceeds the deadband: whoever corrects for every
value adds the noise of each to the next. Where the level drifts and no --deadband is given, it is
the limit of bounded adjustment after Box & Luceño. All intervals hold together with --confidence.

With limits (--part, or --lower and --upper), the capability is given as it is and as expected after. With
--store and --part the shots come from a store instead of a file.`

const correctExample = `  inspect correct line.jsonl --part tern.yaml -o correct.svg
  inspect correct line.jsonl --value x_um --since 2031-03-04T06:00 --deadband 2
  inspect correct --store line.db --part tern --since 2031-03-04T06:00
  inspect correct --json offsets.csv --value dx_um --by placer,nozzle --lower -25 --upper 25`

type correctOptions struct {
	sampleOptions
	confidence, deadband, gain float64
	cost                       float64
	lower, upper               string
	title, out                 string
	json                       bool
}

func newCorrectCmd() *cobra.Command {
	var o correctOptions
	cmd := &cobra.Command{
		Use:     "correct [flags] FILE | --store AT --part NAME",
		Short:   "Advise how much to correct the placer, by head and nozzle",
		Long:    correctLong,
		Example: correctExample,
		Args:    usageArgs(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runCorrect(o, cmd, args)
		},
	}
	o.add(cmd)
	f := cmd.Flags()
	f.StringSliceVar(&o.by, "by", nil, "what can be corrected by itself, the outermost first (readings: head,nozzle)")
	f.Float64Var(&o.confidence, "confidence", 0.95, "confidence of all that is advised, together")
	f.Float64Var(&o.deadband, "deadband", 0, "offset that is left alone, in the values' unit: what doesn't matter, or the placer's step")
	f.Float64Var(&o.gain, "gain", 1, "how far parts move when the setting is moved by one")
	f.Float64Var(&o.cost, "may-cost", 0.05, "fraction by which bounded adjustment may widen the spread")
	f.StringVar(&o.lower, "lower", "", "lower limit of the values")
	f.StringVar(&o.upper, "upper", "", "upper limit of the values")
	f.StringVar(&o.part, "part", "", "part file to take these limits from, for columns of readings; with --store the name of the part will do")
	f.StringVar(&o.title, "title", "", "title of the picture")
	f.StringVarP(&o.out, "output", "o", "", "draw to this file: .png, .svg or .pdf")
	f.BoolVar(&o.json, "json", false, "print one JSON object a value")
	return cmd
}

// An advised is the advice on one value.
type advised struct {
	value       string
	samples     drift.Samples
	corrections []drift.Correction
}

func runCorrect(o correctOptions, cmd *cobra.Command, args []string) error {
	stdout, stderr := cmd.OutOrStdout(), cmd.ErrOrStderr()
	if err := o.check(); err != nil {
		return err
	}
	t, values, drawn, err := o.load(cmd, args)
	if err != nil {
		return err
	}
	var all []advised
	var result error
	for _, value := range values {
		a, err := o.advise(t, drawn, value, len(values))
		if err != nil {
			result = errReported
			fmt.Fprintf(stderr, "inspect: %v\n", err)
			continue
		}
		all = append(all, a)
	}
	if o.out != "" && len(all) > 0 {
		if err := drawFigure(o.out, correctionsFigure(o.title, all)); err != nil {
			return errors.Join(err, result)
		}
	}
	for _, a := range all {
		if o.json {
			err = json.NewEncoder(stdout).Encode(correctionOf(t.File, a))
		} else {
			err = writeCorrections(stdout, a)
		}
		if err != nil {
			return err
		}
	}
	if !o.json && len(all) > 0 {
		fmt.Fprintf(stdout, "%s\n", strings.ReplaceAll(drift.Convention, ": ", ":\n  "))
	}
	return result
}

func (o correctOptions) check() error {
	if err := needShare("--confidence", o.confidence); err != nil {
		return err
	}
	if err := needShare("--may-cost", o.cost); err != nil {
		return err
	}
	if !(o.deadband >= 0) || o.gain == 0 || o.gain-o.gain != 0 || o.deadband-o.deadband != 0 {
		return usagef("--deadband %v and --gain %v: want a deadband of at least 0, and a gain that isn't 0", o.deadband, o.gain)
	}
	if isPartFile(o.part) && (o.lower != "" || o.upper != "") {
		return usagef("--part and --lower or --upper: give the limits once")
	}
	if o.out != "" {
		if _, err := chart.FormatOf(o.out); err != nil {
			return usageError{err}
		}
	}
	_, _, err := (chartOptions{lower: o.lower, upper: o.upper}).statedTolerance()
	return err
}

func (o correctOptions) advise(t *series.Table, drawn *part.Part, value string, together int) (advised, error) {
	a := advised{value: value}
	var err error
	if a.samples, err = o.samples(t, value); err != nil {
		return a, err
	}
	opt := drift.CorrectOptions{
		Options: drift.Options{Confidence: o.confidence}, By: o.by, Deadband: o.deadband, Gain: o.gain, Together: together, MayCost: o.cost,
	}
	tol, judged, err := o.tolerance(t, drawn, value)
	if err != nil {
		return a, err
	}
	if judged {
		opt.Tolerance = &tol
	}
	if a.corrections, err = drift.Correct(a.samples, opt); err != nil {
		return a, fmt.Errorf("%s: column %s: %w", t.File, value, err)
	}
	return a, nil
}

// tolerance is that of the flags, or of the part.
func (o correctOptions) tolerance(t *series.Table, drawn *part.Part, value string) (spc.Tolerance, bool, error) {
	if o.lower != "" || o.upper != "" || drawn == nil {
		return (chartOptions{lower: o.lower, upper: o.upper}).statedTolerance()
	}
	tol, judged := toleranceIn(drawn, t, value)
	return tol, judged, nil
}

func axisOf(value string) chart.Axis {
	return map[string]chart.Axis{"x_um": chart.AxisX, "y_um": chart.AxisY, "theta_deg": chart.AxisTheta}[value]
}

func correctionsFigure(title string, all []advised) chart.Corrections {
	q := chart.Corrections{Title: title, Notes: []string{countText(all[0].samples) + "; bars: intervals that hold together; grey: deadband; arrow: the way the correction moves"}}
	if title == "" {
		q.Title = "How much to correct the placer"
	}
	for _, a := range all {
		q.Panels = append(q.Panels, chart.CorrectionPanel{Quantity: a.samples.Quantity.Name, Unit: a.samples.Quantity.Unit, Axis: axisOf(a.value), Rows: a.corrections})
	}
	return q
}

func writeCorrections(w io.Writer, a advised) error {
	q := a.samples.Quantity
	fmt.Fprintf(w, "%s: %s\n", q.Name, countText(a.samples))
	t := newColumns(w)
	for _, c := range a.corrections {
		half := (c.Advice.Interval.High - c.Advice.Interval.Low) / 2
		offset := fmt.Sprintf("offset %s ± %s", drift.Signed(c.Advice.Offset, half, ""), strings.TrimSpace(drift.Figure(half, half)+" "+q.Unit))
		do := "leave it"
		if c.Advice.Correct {
			do = "add " + drift.Signed(c.Advice.Correction, half, q.Unit)
		}
		fmt.Fprintf(t, "  %s\t%s\t%s\t%s\t%s\n", c.Name(), do, offset, capabilityText(c.Advice), c.Basis+alikeText(c))
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, c := range a.corrections {
		if c.Change.Form == drift.Ramp {
			fmt.Fprintf(w, "  %s goes on drifting: a correction alone won't hold, find the cause; %s\n", c.Name(), c.Change.Short(q.Unit))
		}
		if c.Change.Remark != "" {
			fmt.Fprintf(w, "  note on %s: %s\n", c.Name(), c.Change.Remark)
		}
		if b := c.Bound; b != nil && b.Lambda > 0 {
			half := (c.Advice.Interval.High - c.Advice.Interval.Low) / 2
			fmt.Fprintf(w, "  bounded adjustment of %s: λ %.2f, limit %s, then one adjustment every %.0f points for %.0f %% more spread; forecast %s: %s\n",
				c.Name(), b.Lambda, strings.TrimSpace(drift.Figure(b.Limit, half)+" "+q.Unit), b.Interval, 100*b.Cost, drift.Signed(b.Forecast, half, q.Unit), adjustText(b))
		}
	}
	fmt.Fprintln(w)
	return nil
}

func alikeText(c drift.Correction) string {
	if c.Alike == "" {
		return ""
	}
	return "; no " + c.Alike + " differs from the others"
}

func capabilityText(a spc.Advice) string {
	switch {
	case a.Before == nil:
		return ""
	case !a.Correct:
		return fmt.Sprintf("Ppk %.2f", a.Before.K.Value)
	}
	return fmt.Sprintf("Ppk %.2f, expected after %.2f", a.Before.K.Value, a.After.K.Value)
}

func adjustText(b *drift.Bounded) string {
	if b.Adjust {
		return "adjust"
	}
	return "leave it"
}

// The JSON form of advice.
type (
	correctJSON struct {
		File        string           `json:"file"`
		Value       string           `json:"value"`
		Unit        string           `json:"unit,omitempty"`
		Values      int              `json:"values"`
		Retakes     int              `json:"left_out_retakes"`
		Blank       int              `json:"left_out_blank"`
		Convention  string           `json:"sign_convention"`
		Corrections []correctionJSON `json:"corrections"`
	}
	correctionJSON struct {
		Of        []levelOfJSON `json:"of"` // empty: the whole machine
		Alike     string        `json:"alike,omitempty"`
		Values    int           `json:"values"`
		Basis     string        `json:"basis"`
		Offset    number        `json:"offset"`
		Low       number        `json:"offset_low"`
		High      number        `json:"offset_high"`
		Sigma     number        `json:"sigma"`
		Deadband  number        `json:"deadband"`
		Correct   bool          `json:"correct"`
		Add       number        `json:"add_to_setting"`
		Reason    string        `json:"reason"`
		Change    changeJSON    `json:"change"`
		PpkBefore *indexJSON    `json:"ppk_before,omitempty"`
		PpkAfter  *indexJSON    `json:"ppk_expected_after,omitempty"`
		Bounded   *boundedJSON  `json:"bounded_adjustment,omitempty"`
	}
	levelOfJSON struct {
		Factor string `json:"factor"`
		Level  string `json:"level"`
	}
	boundedJSON struct {
		Lambda   number `json:"lambda"`
		Sigma    number `json:"sigma"`
		Limit    number `json:"limit"`
		Interval number `json:"points_between_adjustments"`
		Cost     number `json:"spread_increase"`
		Forecast number `json:"forecast"`
		Adjust   bool   `json:"adjust"`
	}
)

func correctionOf(file string, a advised) correctJSON {
	s := a.samples
	out := correctJSON{File: file, Value: a.value, Unit: s.Quantity.Unit, Values: len(s.Values), Retakes: s.Retakes, Blank: s.Blank, Convention: drift.Convention}
	for _, c := range a.corrections {
		j := correctionJSON{
			Of: []levelOfJSON{}, Alike: c.Alike, Values: c.Advice.N, Basis: c.Basis, Offset: number(c.Advice.Offset),
			Low: number(c.Advice.Interval.Low), High: number(c.Advice.Interval.High), Sigma: number(c.Advice.Sigma), Deadband: number(c.Deadband),
			Correct: c.Advice.Correct, Add: number(c.Advice.Correction), Reason: c.Advice.Reason, Change: changeOf(c.Change, s.Quantity.Unit),
		}
		for _, l := range c.Of {
			j.Of = append(j.Of, levelOfJSON{l.Factor, l.Level})
		}
		if c.Advice.Before != nil {
			j.PpkBefore, j.PpkAfter = indexOf(&c.Advice.Before.K), indexOf(&c.Advice.After.K)
		}
		if b := c.Bound; b != nil {
			j.Bounded = &boundedJSON{number(b.Lambda), number(b.Sigma), number(b.Limit), number(b.Interval), number(b.Cost), number(b.Forecast), b.Adjust}
		}
		out.Corrections = append(out.Corrections, j)
	}
	return out
}
