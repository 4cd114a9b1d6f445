package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/design"
	"plumbsquare/internal/spc"
)

const planSamplingLong = `Says how many units to pull, how many of them may be nonconforming, and what that proves:

  --fraction F --risk R       accept with none nonconforming: a fraction F passes with a chance of R at most
                              (with --lot, of a lot of that size)
  --good G --bad B            the smallest plan that accepts quality G with --accept-good (0.95)
                              and quality B with --accept-bad (0.10) at most
  --aql A --lot N             ISO 2859-1, single sampling, at --level; --lots FILE takes a series of lots
                              (CSV with lot_size and nonconforming) through the switching rules
  --n N --accept C            a plan that you have

Several may be given at once, to compare them; a picture shows their operating characteristics. The tables
of ISO 2859-1 are those of 1999 for normal and tightened inspection, and of 1989 for reduced inspection. That
is for whoever is responsible to allow: the score that permits it is given, and with --reduced it is taken up.`

const planSamplingExample = `  inspect plan sampling --fraction 0.01 --risk 0.05
  inspect plan sampling --good 0.005 --bad 0.04 --aql 1 --lot 800 -o oc.svg
  inspect plan sampling --aql 0.65 --level II --lots lots.csv
  inspect plan sampling --json --n 52 --accept 3`

type planSamplingOptions struct {
	fraction, risk        float64
	good, bad             float64
	acceptGood, acceptBad float64
	aql                   float64
	level, lots           string
	lot, n, accept        int
	tightened, reduced    bool
	title, out            string
	json                  bool
}

func newPlanSamplingCmd() *cobra.Command {
	var o planSamplingOptions
	cmd := &cobra.Command{
		Use:     "sampling [flags]",
		Short:   "Say how many units to pull, and what that proves",
		Long:    planSamplingLong,
		Example: planSamplingExample,
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return runPlanSampling(o, cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.Float64Var(&o.fraction, "fraction", 0, "fraction nonconforming that must not pass")
	f.Float64Var(&o.risk, "risk", 0.05, "probability that it passes all the same")
	f.Float64Var(&o.good, "good", 0, "fraction nonconforming that should be accepted")
	f.Float64Var(&o.bad, "bad", 0, "fraction nonconforming that should not be accepted")
	f.Float64Var(&o.acceptGood, "accept-good", 0.95, "probability of accepting --good, at least")
	f.Float64Var(&o.acceptBad, "accept-bad", 0.10, "probability of accepting --bad, at most")
	f.Float64Var(&o.aql, "aql", 0, "acceptance quality limit of ISO 2859-1, percent nonconforming")
	f.StringVar(&o.level, "level", "II", "inspection level of ISO 2859-1: I, II, III, S-1 to S-4")
	f.BoolVar(&o.tightened, "tightened", false, "tightened inspection instead of normal")
	f.BoolVar(&o.reduced, "reduced", false, "reduced inspection; with --lots as soon as the score permits it")
	f.StringVar(&o.lots, "lots", "", "CSV of lots inspected so far: lot_size, nonconforming, and lot for its name")
	f.IntVar(&o.lot, "lot", 0, "number of units of the lot")
	f.IntVar(&o.n, "n", 0, "number of units pulled, of a plan that you have")
	f.IntVar(&o.accept, "accept", 0, "number of nonconforming ones that it accepts with")
	f.StringVar(&o.title, "title", "", "title of the picture")
	f.StringVarP(&o.out, "output", "o", "", "draw operating characteristics to this file: .png, .svg or .pdf")
	f.BoolVar(&o.json, "json", false, "print as JSON")
	return cmd
}

func runPlanSampling(o planSamplingOptions, w io.Writer) error {
	if o.out != "" {
		if _, err := chart.FormatOf(o.out); err != nil {
			return usageError{err}
		}
	}
	if o.lot < 0 || o.lot == 1 {
		return usagef("--lot: want 2 units or more, got %d", o.lot)
	}
	judged, state, err := o.history()
	if err != nil {
		return err
	}
	plans, err := o.plans(state)
	if err != nil {
		return err
	}
	if len(plans) == 0 && judged == nil {
		return usagef("which plan? Give --fraction, --good and --bad, --aql and --lot, or --n and --accept")
	}
	var curves []design.Curve
	for _, p := range plans {
		curves = append(curves, p.OC(drawnUpTo(plans)))
	}
	if o.out != "" {
		if len(plans) == 0 {
			return usagef("-o: there is no plan to draw; give --lot")
		}
		if err := drawFigure(o.out, ocFigure(o.title, plans, curves)); err != nil {
			return err
		}
	}
	if o.json {
		return json.NewEncoder(w).Encode(planSamplingOf(plans, curves, judged, state))
	}
	return writeSampling(w, plans, judged, state)
}

// plans are those that the flags ask for; state is how the next lot is inspected.
func (o planSamplingOptions) plans(state *spc.Inspection) (plans []design.Sampling, err error) {
	add := func(name string, p spc.Plan, err error) error {
		if err == nil {
			plans = append(plans, design.Describe(name, p, o.lot))
		}
		return err
	}
	var faults []error
	if o.fraction != 0 {
		if o.lot > 0 {
			bad := int(math.Ceil(o.fraction*float64(o.lot) - 1e-9))
			p, err := spc.ZeroAcceptanceLot(o.lot, bad, o.risk)
			faults = append(faults, add(fmt.Sprintf("none of %d in %d", bad, o.lot), p, err))
		} else {
			p, err := spc.ZeroAcceptance(o.fraction, o.risk)
			faults = append(faults, add("accept on none", p, err))
		}
	}
	if o.good != 0 || o.bad != 0 {
		p, err := spc.DesignPlan(o.good, 1-o.acceptGood, o.bad, o.acceptBad)
		faults = append(faults, add(fmt.Sprintf("%s to %s", percentText(o.good), percentText(o.bad)), p, err))
	}
	if state != nil && o.lot > 0 {
		p, err := state.Plan(o.lot)
		name := fmt.Sprintf("AQL %s %%, %v, letter %s", shortNumber(o.aql), state.State, p.PlanLetter)
		passes := spc.Plan{N: p.N, Accept: p.Reject - 1}
		if p.Reject > p.Accept+1 {
			name += fmt.Sprintf(", back to normal from %d", p.Accept+1)
		}
		if p.All {
			name += ": inspect all"
		}
		faults = append(faults, add(name, passes, err))
	}
	if o.n != 0 || o.accept != 0 {
		p, err := spc.NewPlan(o.n, o.accept)
		faults = append(faults, add("as given", p, err))
	}
	if err := errors.Join(faults...); err != nil {
		return nil, usageError{err}
	}
	return plans, nil
}

func percentText(fraction float64) string { return twoDigits(100*fraction) + " %" }

// history takes the lots so far through the switching rules. State is nil without an AQL.
func (o planSamplingOptions) history() ([]design.Judged, *spc.Inspection, error) {
	if o.aql == 0 {
		if o.lots != "" {
			return nil, nil, usagef("--lots needs --aql")
		}
		return nil, nil, nil
	}
	state, err := spc.StartInspection(o.level, o.aql)
	if err != nil {
		return nil, nil, usageError{err}
	}
	if o.lots == "" {
		if o.lot == 0 {
			return nil, nil, usagef("--aql needs the size of the lot: --lot N, or --lots FILE")
		}
		switch {
		case o.tightened && o.reduced:
			return nil, nil, usagef("--tightened or --reduced, not both")
		case o.tightened:
			state = state.Resume()
		case o.reduced:
			state.State = spc.InspectReduced
		}
		return nil, &state, nil
	}
	if o.tightened {
		return nil, nil, usagef("--tightened and --lots: the switching rules say how lots are inspected")
	}
	lots, err := loadLots(o.lots)
	if err != nil {
		return nil, nil, err
	}
	judged, next, err := design.Inspect(o.level, o.aql, lots, o.reduced)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", o.lots, err)
	}
	return judged, &next, nil
}

func loadLots(file string) ([]design.Lot, error) {
	t, err := loadTable(file)
	if err != nil {
		return nil, err
	}
	sizes, err1 := t.Numbers("lot_size")
	bad, err2 := t.Numbers("nonconforming")
	if err := errors.Join(err1, err2); err != nil {
		return nil, err
	}
	names := make([]string, len(sizes))
	if t.Has("lot") {
		if names, err = t.Text("lot"); err != nil {
			return nil, err
		}
	}
	var lots []design.Lot
	for i := range sizes {
		if sizes[i] != math.Trunc(sizes[i]) || bad[i] != math.Trunc(bad[i]) || math.Abs(sizes[i]) > 1e9 || math.Abs(bad[i]) > 1e9 {
			return nil, fmt.Errorf("%s: lot %d: want whole numbers of units, got lot_size %v, nonconforming %v", file, i+1, sizes[i], bad[i])
		}
		name := names[i]
		if name == "" {
			name = strconv.Itoa(i + 1)
		}
		lots = append(lots, design.Lot{Name: name, Size: int(sizes[i]), Nonconforming: int(bad[i])})
	}
	return lots, nil
}

// drawnUpTo is the fraction nonconforming at which every plan accepts hardly anything.
func drawnUpTo(plans []design.Sampling) float64 {
	most := 0.0
	for _, p := range plans {
		most = math.Max(most, p.QualityAt(0.005))
	}
	return math.Min(1, most)
}

func ocFigure(title string, plans []design.Sampling, curves []design.Curve) chart.Curves {
	q := chart.Curves{
		Title: title, XTitle: "nonconforming (%)", YTitle: "probability of acceptance", YMax: 1.04,
		Notes:  []string{"operating characteristic for a process, by the binomial law; marked: quality accepted 95, 50 and 10 times in 100"},
		Levels: []chart.CurveLevel{{Y: 0.95}, {Y: 0.5}, {Y: 0.1}},
	}
	if title == "" {
		q.Title = "What a sample proves"
	}
	for i, c := range curves {
		p := plans[i]
		curve := chart.Curve{Name: c.Name, Note: c.Note, Y: c.Y}
		for _, x := range c.X {
			curve.X = append(curve.X, 100*x)
		}
		for _, m := range []struct{ pa, at float64 }{{0.95, p.At95}, {0.5, p.At50}, {0.1, p.At10}} {
			curve.Mark = append(curve.Mark, chart.CurveMark{X: 100 * m.at, Y: m.pa, Text: percentText(m.at)})
		}
		q.Curves = append(q.Curves, curve)
	}
	return q
}

func writeSampling(w io.Writer, plans []design.Sampling, judged []design.Judged, state *spc.Inspection) error {
	t := newColumns(w)
	if judged != nil {
		fmt.Fprintln(t, "lot\tsize\tinspection\tpull\taccept up to\tnonconforming\t\tnext lot\tscore")
		for _, j := range judged {
			outcome := "not accepted"
			if j.Accepted {
				outcome = "accepted"
			}
			pull := strconv.Itoa(j.Plan.N)
			if j.Plan.All {
				pull = "all"
			}
			fmt.Fprintf(t, "%s\t%d\t%v\t%s\t%d\t%d\t%s\t%v\t%d\n", j.Name, j.Size, j.Plan.State, pull, j.Plan.Reject-1, j.Nonconforming, outcome, j.After, j.Score)
		}
		if err := t.Flush(); err != nil {
			return err
		}
		fmt.Fprintf(w, "\nthe next lot: %s\n", stateText(*state))
		if len(plans) > 0 {
			fmt.Fprintln(w)
		}
	}
	if len(plans) == 0 {
		return nil
	}
	fmt.Fprintln(t, "plan\tpull\taccept up to\taccepted 95 %\t50 %\t10 % of the time\t")
	for _, p := range plans {
		worst := ""
		if p.Lot > 0 {
			worst = fmt.Sprintf("when sorted, worst outgoing %s, and %.0f units looked at in a lot of the 95 %% quality", percentText(p.AOQL), p.ATI)
		}
		fmt.Fprintf(t, "%s\t%d\t%d\t%s\t%s\t%s\t%s\n", p.Name, p.N, p.Accept, percentText(p.At95), percentText(p.At50), percentText(p.At10), worst)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, p := range plans {
		if p.Lot > 0 {
			fmt.Fprintf(w, "%s: a lot of %d with %d nonconforming passes 95 %% of the time or more%s\n", p.Name, p.Lot, p.Passes, stoppedText(p))
		}
	}
	return nil
}

func stoppedText(p design.Sampling) string {
	if p.Stopped > p.Lot {
		return "; none is stopped 90 % of the time"
	}
	return fmt.Sprintf(", one with %d is stopped 90 %% of the time or more", p.Stopped)
}

func stateText(s spc.Inspection) string {
	switch {
	case s.State == spc.InspectStopped:
		return "inspection is stopped: improve the process, then begin again with tightened inspection"
	case s.MayReduce():
		return fmt.Sprintf("%v inspection; with a score of %d reduced inspection is permitted, where whoever is responsible agrees and production is steady (--reduced)", s.State, s.ReducedScore)
	}
	return fmt.Sprintf("%v inspection", s.State)
}

// The JSON form of sampling plans.
type (
	planSamplingJSON struct {
		Plans []samplingJSON `json:"plans"`
		Lots  []lotJSON      `json:"lots,omitempty"`
		Next  string         `json:"next_lot,omitempty"` // how it is inspected
		Score int            `json:"switching_score,omitempty"`
	}
	samplingJSON struct {
		Name   string    `json:"name"`
		N      int       `json:"n"`
		Accept int       `json:"accept"`
		At95   number    `json:"fraction_accepted_95_percent"`
		At50   number    `json:"fraction_accepted_50_percent"`
		At10   number    `json:"fraction_accepted_10_percent"`
		Lot    int       `json:"lot,omitempty"`
		AOQL   number    `json:"aoql"`
		ATI    number    `json:"ati,omitempty"` // units looked at in a lot, of the first quality
		InLot  *inLot    `json:"in_lot,omitempty"`
		OC     curveJSON `json:"oc"`
	}
	// An inLot holds numbers of nonconforming units in the lot.
	inLot struct {
		Passes  int `json:"passes_95_percent"`
		Stopped int `json:"stopped_90_percent"`
	}
	lotJSON struct {
		Lot           string `json:"lot"`
		Size          int    `json:"size"`
		Inspection    string `json:"inspection"`
		Letter        string `json:"plan_letter"`
		N             int    `json:"n"`
		Accept        int    `json:"accept"`
		Reject        int    `json:"reject"`
		All           bool   `json:"inspect_all"`
		Nonconforming int    `json:"nonconforming"`
		Accepted      bool   `json:"accepted"`
		Score         int    `json:"switching_score"`
	}
)

func planSamplingOf(plans []design.Sampling, curves []design.Curve, judged []design.Judged, state *spc.Inspection) planSamplingJSON {
	out := planSamplingJSON{Plans: []samplingJSON{}}
	for i, p := range plans {
		s := samplingJSON{p.Name, p.N, p.Accept, number(p.At95), number(p.At50), number(p.At10), p.Lot, number(p.AOQL), number(p.ATI), nil, curveOf(curves[i])}
		if p.Lot > 0 {
			s.InLot = &inLot{p.Passes, p.Stopped}
		}
		out.Plans = append(out.Plans, s)
	}
	for _, j := range judged {
		out.Lots = append(out.Lots, lotJSON{
			j.Name, j.Size, j.Plan.State.String(), j.Plan.PlanLetter, j.Plan.N, j.Plan.Accept, j.Plan.Reject, j.Plan.All, j.Nonconforming, j.Accepted, j.Score,
		})
	}
	if state != nil {
		out.Next, out.Score = strings.TrimSpace(state.State.String()), state.ReducedScore
	}
	return out
}
