package report

import (
	"fmt"
	"slices"
	"strings"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/drift"
	"plumbsquare/internal/part"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// A correction is one to enter into the placer.
type correction struct {
	of   string // "head H2"
	what string // "Y"
	text string // "−12.4 µm"
}

// factors draws how a quantity differs between heads, nozzles and what else is known, for each
// quantity in which something does.
func (c *groupContent) factors(studies []study) {
	var alike []string
	for _, s := range studies {
		if len(s.Ranked) == 0 {
			continue
		}
		var claimed []string
		for _, e := range s.Ranked {
			if e.Claimed {
				claimed = append(claimed, e.Name)
			}
		}
		if claimed == nil {
			alike = append(alike, s.quantity.Name)
			continue
		}
		effects := s.Ranked[:min(len(s.Ranked), mostFactors)]
		f := chart.Factors{
			Title: capital(s.quantity.Name) + " by " + strings.Join(claimed, " and "),
			Notes: []string{plural(s.N, "sample", "samples") + "; means with their 95 % intervals"}, Quantity: s.quantity.Name, Unit: s.quantity.Unit, Effects: effects,
		}
		fig := &figure{Figure: f, Label: fmt.Sprintf("Means of %s by factor, %s: %s explains most", s.quantity.Name, c.Title, s.Ranked[0].Name)}
		for _, e := range effects {
			if e.Remark != "" {
				fig.Items = append(fig.Items, e.Name+": "+e.Remark)
			}
		}
		for i, m := range s.Moved() {
			if i == mostItems {
				break
			}
			fig.Items = append(fig.Items, fmt.Sprintf("%s %s %s", m.Factor, m.Level, m.Text(s.quantity.Unit)))
		}
		c.Blocks = append(c.Blocks, block{Figure: fig})
	}
	if alike != nil {
		c.Blocks = append(c.Blocks, block{Text: "No head, nozzle, pick position or operator shown to differ in " + strings.Join(alike, ", ") + ".", Small: true})
	}
}

// mostFactors are drawn beside each other.
const mostFactors = 3

// mostCorrections are drawn in one picture.
const mostCorrections = 24

// axes says which way of the drawing frame quantities point.
var axes = map[string]chart.Axis{"x_um": chart.AxisX, "y_um": chart.AxisY, "theta_deg": chart.AxisTheta}

// moves draws when a level moved, of everything and at each level of the factor in which moves show.
func (c *groupContent) moves(s study) {
	f := chart.Drift{
		Title: "When the " + s.quantity.Name + " moved", Quantity: s.quantity.Name, Unit: s.quantity.Unit,
		Notes:  []string{plural(s.N, "sample", "samples") + "; shaded: when the move began, 95 % interval"},
		Panels: []chart.DriftPanel{{Name: "all", Points: s.Series, Change: s.Overall}},
	}
	if moved := s.Moved(); len(moved) > 0 {
		for _, st := range s.Strata {
			if st.Factor == moved[0].Factor && len(f.Panels) < mostPanels {
				f.Panels = append(f.Panels, chart.DriftPanel{Name: st.Factor + " " + st.Level, Points: st.Series, Change: st.Change})
			}
		}
	}
	text := capital(s.quantity.Name) + " " + s.Overall.Text(s.quantity.Unit)
	c.Blocks = append(c.Blocks, block{Figure: &figure{Figure: f, Label: "Drift of " + s.quantity.Name + ", " + c.Title + ": " + text, Items: []string{text}}})
}

// mostPanels of a drift are drawn under each other.
const mostPanels = 5

// deadbandShare is the share of a limit below which an offset isn't worth touching the placer.
const deadbandShare = 0.05

// corrected advises on what to enter into the placer.
func (c *groupContent) corrected(studies []study) {
	t := &table{Columns: []column{{Name: "What"}, {Name: "Of"}, {Name: "Samples", Number: true}, {Name: "Sits at", Number: true}, {Name: "Add to the setting", Number: true}, {Name: "Ppk now", Number: true}, {Name: "then", Number: true}, {Name: "Basis", Wide: true}}}
	var left, going []string
	fig := chart.Corrections{Title: "How much to correct the placer", Notes: []string{"bars: intervals that hold together; grey: what isn't worth a correction; arrow: the way the correction moves"}}
	rows := 0
	for _, s := range studies {
		opt := drift.CorrectOptions{Options: drift.Options{Level: driftLevel}, Tolerance: s.tolerance, Together: len(studies)}
		if s.tolerance != nil {
			opt.Deadband = deadbandShare * s.tolerance.Upper
		}
		var by []string
		for _, f := range s.samples.Factors {
			if f.Name == "head" || f.Name == "nozzle" {
				by = append(by, f.Name)
			}
		}
		opt.By = by
		if by == nil {
			opt.By = []string{}
		}
		corrections, err := drift.Correct(s.samples, opt)
		if err != nil {
			c.say(fmt.Sprintf("No advice on corrections: %v.", err))
			continue
		}
		fig.Panels = append(fig.Panels, chart.CorrectionPanel{Quantity: s.quantity.Name, Unit: s.quantity.Unit, Axis: axes[s.column], Rows: corrections})
		rows += len(corrections)
		what := strings.TrimPrefix(strings.TrimPrefix(s.quantity.Name, "offset "), "rotation ")
		for _, a := range corrections {
			if !a.Advice.Correct {
				left = append(left, fmt.Sprintf("%s of %s", what, a.Name()))
				continue
			}
			half := (a.Advice.Interval.High - a.Advice.Interval.Low) / 2
			add := drift.Signed(a.Advice.Correction, half, s.quantity.Unit)
			row := []cell{
				{Text: what}, {Text: a.Name()}, {Text: fmt.Sprint(a.Advice.N)},
				{Text: drift.Figure(a.Advice.Offset, half) + " ± " + drift.Figure(half, half) + " " + s.quantity.Unit}, {Text: add},
				{Text: index(a.Advice.Before)}, {Text: index(a.Advice.After)}, {Text: a.Basis},
			}
			t.add("correction", row...)
			if a.Change.Form == drift.Ramp {
				going = append(going, fmt.Sprintf("%s of %s", what, a.Name()))
			}
			c.corrections = append(c.corrections, correction{a.Name(), what, add})
		}
	}
	if len(t.Rows) == 0 && left == nil {
		return
	}
	c.Blocks = append(c.Blocks, block{Heading: "Corrections to the placer"})
	drawn := rows > 0 && rows <= mostCorrections
	if drawn {
		c.Blocks = append(c.Blocks, block{Figure: &figure{Figure: fig, Label: "Offsets with their intervals and the corrections they call for, " + c.Title}})
	}
	if len(t.Rows) > 0 {
		c.Blocks = append(c.Blocks, block{Table: t})
	}
	if going != nil {
		c.say(capital(strings.Join(going, ", ")) + " goes on drifting: a correction alone won't hold, find the cause.")
	}
	if left != nil {
		c.Blocks = append(c.Blocks, block{Text: "Leave as it is: " + few(left, 12) + ". What chance explains, or what is less than a twentieth of the limit, isn't worth a correction: to follow chance doubles the spread."})
	}
	if !drawn { // the picture says it too
		c.Blocks = append(c.Blocks, block{Text: drift.Convention, Small: true})
	}
}

func index(i *spc.Indices) string {
	if i == nil {
		return ""
	}
	return fmt.Sprintf("%.2f", i.K.Value)
}

// scatter shows where the die sits, by head.
func (c *groupContent) scatter(shots []*shot, limits part.Limits) {
	clouds := map[string]*chart.Cloud{}
	var heads []string
	for _, s := range shots {
		head := "head " + s.Shot.Head
		if s.Shot.Head == "" {
			head = "head not given"
		}
		if clouds[head] == nil {
			clouds[head] = &chart.Cloud{Name: head}
			heads = append(heads, head)
		}
		clouds[head].X = append(clouds[head].X, s.Offset.XUm)
		clouds[head].Y = append(clouds[head].Y, s.Offset.YUm)
	}
	slices.Sort(heads)
	f := chart.Scatter{Title: "Where the " + c.of + " sits, by head", Notes: []string{plural(len(shots), "sample", "samples")}, Unit: "µm"}
	if x, ok := series.ToleranceOf("x_um", c.of, limits); ok {
		f.LimitX = x.Upper
	}
	if y, ok := series.ToleranceOf("y_um", c.of, limits); ok {
		f.LimitY = y.Upper
	}
	for _, h := range heads {
		cloud := *clouds[h]
		if n := len(cloud.X); n > mostDots {
			cloud.X, cloud.Y = cloud.X[n-mostDots:], cloud.Y[n-mostDots:]
			f.Notes = []string{fmt.Sprintf("%s; of a head the latest %d are drawn", f.Notes[0], mostDots)}
		}
		f.Clouds = append(f.Clouds, cloud)
	}
	label := fmt.Sprintf("Scatter of the offsets X and Y, %s, by head: %s", c.Title, few(heads, 8))
	c.Blocks = append(c.Blocks, block{Figure: &figure{Figure: f, Label: label}})
}

// mostDots of a head are drawn in the plane.
const mostDots = 1000
