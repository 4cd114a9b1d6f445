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

// deadbandShare is the share of a limit below which an offset isn't worth touching the placer.
const deadbandShare = 0.05

// corrected advises on what to enter into the placer.
func (c *groupContent) corrected(studies []study) {
	t := &table{Columns: []column{{Name: "What"}, {Name: "Of"}, {Name: "Samples", Number: true}, {Name: "Sits at", Number: true}, {Name: "Add to the setting", Number: true}, {Name: "Ppk now", Number: true}, {Name: "then", Number: true}, {Name: "Basis", Wide: true}}}
	var left []string
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
			c.corrections = append(c.corrections, correction{a.Name(), what, add})
		}
	}
	if len(t.Rows) == 0 && left == nil {
		return
	}
	c.Blocks = append(c.Blocks, block{Heading: "Corrections to the placer"})
	if len(t.Rows) > 0 {
		c.Blocks = append(c.Blocks, block{Table: t})
	}
	if left != nil {
		c.Blocks = append(c.Blocks, block{Text: "Leave as it is: " + few(left, 12) + ". What chance explains, or what is less than a twentieth of the limit, isn't worth a correction: to follow chance doubles the spread."})
	}
	c.Blocks = append(c.Blocks, block{Text: drift.Convention, Small: true})
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
