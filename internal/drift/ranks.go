package drift

import (
	"fmt"
	"slices"

	"plumbsquare/internal/spc"
)

// Ranks look for a move without a law for the values and without a form for the move: a few values far
// off can't sway them, nor hide it. They stand beside a [Change] as a second opinion.
type Ranks struct {
	Step      spc.Pettitt
	StepAfter Place // the first point after the likeliest step
	Trend     spc.RankTrend
	Timed     bool // whether the trend's slope is per day; else it is per point
}

// mostRanked are the points whose pairs are all compared.
const mostRanked = 1000

// ranksOf returns nil where there are too few points or too many, or all are alike.
func ranksOf(points []Point, timed bool) (*Ranks, error) {
	if len(points) < fewestPoints || len(points) > mostRanked {
		return nil, nil
	}
	x, y := finding{points: points}.columns()
	if slices.Min(y) == slices.Max(y) || slices.Min(x) == slices.Max(x) {
		return nil, nil
	}
	r := &Ranks{Timed: timed}
	var err error
	if r.Step, err = spc.PettittTest(y); err != nil {
		return nil, err
	}
	r.StepAfter = points[r.Step.After].Place
	r.Trend, err = spc.FitRankTrend(x, y, 0)
	return r, err
}

// Text says in a sentence what ranks show.
func (r *Ranks) Text(unit string) string {
	half := (r.Trend.SlopeCI.High - r.Trend.SlopeCI.Low) / 2
	per := "point"
	if r.Timed {
		per = "day"
	}
	return fmt.Sprintf("by ranks, which values far off can't sway: likeliest step at %s (Pettitt, p %.2g); trend %s a %s (%s to %s; Mann–Kendall, p %.2g)",
		r.StepAfter, r.Step.P, Signed(r.Trend.Slope, half, unit), per, Figure(r.Trend.SlopeCI.Low, half), Figure(r.Trend.SlopeCI.High, half), r.Trend.P)
}

// nestedOf splits the variance of values into that between days, between the lots of a day and within
// lots. It returns nil where the samples don't show all three: no times, no lots, one day, one lot a
// day, or one value a lot.
func (s Samples) nestedOf(values []float64) *spc.Nested {
	if s.Times == nil || s.Lots == nil {
		return nil
	}
	var data [][][]float64
	days := map[string]int{}
	for _, p := range s.Points() {
		day := p.Time.Format("2006-01-02")
		at, ok := days[day]
		if !ok {
			at = len(data)
			days[day] = at
			data = append(data, nil)
		}
		var lot []float64
		for _, i := range p.rows {
			lot = append(lot, values[i])
		}
		data[at] = append(data[at], lot)
	}
	n, err := spc.AnalyseNested(data)
	if err != nil {
		return nil
	}
	return &n
}
