package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math/rand/v2"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat"

	"plumbsquare/internal/chart"
	"plumbsquare/internal/drift"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// A scattered is two values of one level of the factor, and how they sit in a circle.
type scattered struct {
	chart.Cloud
	capability *spc.PositionCapability // nil without a circular tolerance, or for too few values
}

// runScatter draws two values against each other, by head or another factor, and says how positions
// sit in a circular tolerance.
func runScatter(o chartOptions, t *series.Table) error {
	columns := o.values
	if len(columns) == 0 {
		columns = []string{"x_um", "y_um"}
	}
	if len(columns) != 2 {
		return usagef("--kind scatter needs two values, such as --value x_um,y_um")
	}
	if !(o.radius >= 0) || o.radius-o.radius != 0 {
		return usagef("--radius: want a number above zero, got %v", o.radius)
	}
	values, blank, err := o.columns(t, columns)
	if err != nil {
		return err
	}
	if t.Len() == 0 {
		return fmt.Errorf("%s: columns %s: there is no value%s", t.File, strings.Join(columns, ", "), leftOut(t.Retakes, blank))
	}
	clouds, err := o.clouds(t, values)
	if err != nil {
		return err
	}
	x, y := series.QuantityOf(columns[0]), series.QuantityOf(columns[1])
	s := chart.Scatter{
		Title: o.title, Unit: x.Unit, LimitRadius: o.radius,
		Notes: []string{fmt.Sprintf("%d %s%s", t.Len(), plural(t.Len(), "value"), leftOut(t.Retakes, blank))},
	}
	if s.Title == "" {
		s.Title = fmt.Sprintf("X: %s, Y: %s", x.Name, y.Name)
	}
	all := scattered{Cloud: chart.Cloud{Name: "all", X: values[0], Y: values[1]}}
	if err := all.assess(o.radius); err != nil {
		return fmt.Errorf("%s: columns %s: %w", t.File, strings.Join(columns, ", "), err)
	}
	if all.capability != nil {
		s.Notes = append(s.Notes, circleText(*all.capability, x.Unit))
	}
	for _, c := range clouds {
		s.Clouds = append(s.Clouds, c.Cloud)
	}
	if o.part != "" {
		for i, limit := range []*float64{&s.LimitX, &s.LimitY} {
			tol, judged, err := partTolerance(o.part, t, columns[i])
			if err != nil {
				return err
			}
			if judged {
				*limit = tol.Upper
			}
		}
	}
	if o.out != "" {
		if err := drawFigure(o.out, s); err != nil {
			return err
		}
	}
	if len(clouds) > 1 {
		clouds = append([]scattered{all}, clouds...)
	} else {
		clouds = []scattered{all}
	}
	if o.json {
		return json.NewEncoder(o.stdout).Encode(scatterOf(t, columns, o.radius, clouds))
	}
	fmt.Fprintf(o.stdout, "%s\n%s\n\n", s.Title, strings.Join(s.Notes, "\n"))
	return writeScatter(o.stdout, clouds, x.Unit)
}

// clouds parts the values by head, or what --by says.
func (o chartOptions) clouds(t *series.Table, values [][]float64) ([]scattered, error) {
	by := o.by
	if by == "" && t.Has("head") {
		by = "head"
	}
	levels := make([]string, t.Len())
	if by != "" {
		var err error
		if levels, err = t.Text(by); err != nil {
			return nil, err
		}
	}
	var clouds []scattered
	for _, level := range slices.Compact(slices.Sorted(slices.Values(levels))) {
		cloud := scattered{Cloud: chart.Cloud{Name: strings.TrimSpace(by + " " + level)}}
		if by == "" {
			cloud.Name = "all"
		}
		for i := range levels {
			if levels[i] == level {
				cloud.X, cloud.Y = append(cloud.X, values[0][i]), append(cloud.Y, values[1][i])
			}
		}
		if len(cloud.X) >= fewestInCircle {
			if err := cloud.assess(o.radius); err != nil {
				return nil, fmt.Errorf("%s: %s: %w", t.File, cloud.Name, err)
			}
		}
		clouds = append(clouds, cloud)
	}
	return clouds, nil
}

// fewestInCircle positions say something about their law.
const fewestInCircle = 4

func (s *scattered) assess(radius float64) error {
	if radius == 0 {
		return nil
	}
	c, err := spc.AssessPosition(s.X, s.Y, radius, spc.PositionOptions{}, rand.New(rand.NewPCG(1, 1)))
	s.capability = &c
	return err
}

// circleText says how positions sit in their circle.
func circleText(c spc.PositionCapability, unit string) string {
	return fmt.Sprintf("in a circle of radius %s: index %.2f (at least %.2f), predicted outside %s (%s to %s), counted %d of %d; centred it would be %s",
		strings.TrimSpace(shortNumber(c.Radius)+" "+unit), c.Index, c.IndexAtLeast, partsText(c.FractionOutside), partsText(c.FractionLow), partsText(c.FractionHigh),
		c.CountOutside, c.N, partsText(c.CentredFraction))
}

func writeScatter(w io.Writer, clouds []scattered, unit string) error {
	t := newRightColumns(w)
	in := ""
	if unit != "" {
		in = ", " + unit
	}
	fmt.Fprintf(t, "\tn\tmean X%s\tmean Y%s\ts X\ts Y\tcorrelation\tindex\toutside\t\n", in, in)
	for _, c := range clouds {
		meanX, sdX := stat.MeanStdDev(c.X, nil)
		meanY, sdY := stat.MeanStdDev(c.Y, nil)
		index, outside := "–", "–"
		if c.capability != nil {
			index, outside = fmt.Sprintf("%.2f", c.capability.Index), partsText(c.capability.FractionOutside)
		}
		if len(c.X) < 2 {
			fmt.Fprintf(t, "%s\t%d\t%s\t%s\t–\t–\t–\t%s\t%s\t\n", c.Name, len(c.X), drift.Figure(meanX, 0.1), drift.Figure(meanY, 0.1), index, outside)
			continue
		}
		fmt.Fprintf(t, "%s\t%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t\n", c.Name, len(c.X), drift.Figure(meanX, sdX/10), drift.Figure(meanY, sdY/10),
			drift.Figure(sdX, sdX/10), drift.Figure(sdY, sdY/10), drift.Figure(stat.Correlation(c.X, c.Y, nil), 0.1), index, outside)
	}
	return t.Flush()
}

// The JSON form of positions.
type (
	scatterJSON struct {
		File   string         `json:"file"`
		Values []string       `json:"values"`
		Radius number         `json:"radius,omitempty"`
		Levels []positionJSON `json:"levels"` // all first
	}
	positionJSON struct {
		Level       string      `json:"level"`
		N           int         `json:"n"`
		MeanX       number      `json:"mean_x"`
		MeanY       number      `json:"mean_y"`
		SigmaX      number      `json:"sigma_x"`
		SigmaY      number      `json:"sigma_y"`
		Correlation number      `json:"correlation"`
		Circle      *circleJSON `json:"circle,omitempty"`
	}
	circleJSON struct {
		Index        number `json:"index"`
		IndexAtLeast number `json:"index_at_least"`
		TwoTailed    number `json:"index_two_tailed"`
		Outside      number `json:"fraction_outside"`
		OutsideLow   number `json:"fraction_outside_low"`
		OutsideHigh  number `json:"fraction_outside_high"`
		Centred      number `json:"fraction_outside_centred"`
		Counted      int    `json:"counted_outside"`
		CountAtMost  number `json:"counted_at_most"`
	}
)

func scatterOf(t *series.Table, columns []string, radius float64, clouds []scattered) scatterJSON {
	out := scatterJSON{File: t.File, Values: columns, Radius: number(radius)}
	for _, c := range clouds {
		meanX, sdX := stat.MeanStdDev(c.X, nil)
		meanY, sdY := stat.MeanStdDev(c.Y, nil)
		j := positionJSON{c.Name, len(c.X), number(meanX), number(meanY), number(sdX), number(sdY), number(stat.Correlation(c.X, c.Y, nil)), nil}
		if p := c.capability; p != nil {
			j.Circle = &circleJSON{
				number(p.Index), number(p.IndexAtLeast), number(p.TwoTailed), number(p.FractionOutside), number(p.FractionLow), number(p.FractionHigh),
				number(p.CentredFraction), p.CountOutside, number(p.CountAtMost),
			}
		}
		out.Levels = append(out.Levels, j)
	}
	return out
}
