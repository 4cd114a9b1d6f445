package signal

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"gonum.org/v1/gonum/stat"

	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
	"plumbsquare/internal/store"
)

// A Sample is one shot's contribution to a chart.
type Sample struct {
	store.Point
	Lot      string
	Recorded time.Time // when the store got it
	Size     float64   // of counts: the sites looked at; 0 for measured values
}

// Kinds lists the kinds of charts that phases may have.
var Kinds = []series.Kind{series.Individuals, series.XbarR, series.XbarS, series.EWMA, series.CUSUM, series.U, series.LaneyU}

// points of a chart, shots or lots, with the values behind each.
type points struct {
	at     []store.Point
	groups [][]float64 // measured values
	sizes  []float64   // of counts: sites
	last   []time.Time // when the last shot of each was recorded
	byLot  bool
}

// gather makes the points of a chart: one a shot, or one a lot in the order in which the lots first
// appear. Shots without a lot stand for themselves. Kinds that need two values in a lot leave out
// lots of one.
func gather(samples []Sample, kind series.Kind, byLot bool) points {
	p := points{byLot: byLot}
	lots := map[string]int{}
	for _, s := range samples {
		i, known := lots[s.Lot]
		if !byLot || s.Lot == "" || !known {
			i = len(p.at)
			if byLot && s.Lot != "" {
				lots[s.Lot], s.Name = i, s.Lot
			}
			p.at, p.groups, p.sizes, p.last = append(p.at, s.Point), append(p.groups, nil), append(p.sizes, 0), append(p.last, s.Recorded)
		}
		p.groups[i] = append(p.groups[i], s.Value)
		p.sizes[i] += s.Size
		if s.Recorded.After(p.last[i]) {
			p.last[i] = s.Recorded
		}
	}
	n := 0
	for i, g := range p.groups {
		if kind.Grouped() && len(g) < 2 || kind.OfCounts() && p.sizes[i] == 0 {
			continue
		}
		p.at[i].Value = stat.Mean(g, nil)
		if kind.OfCounts() {
			p.at[i].Value = p.count(i) / p.sizes[i]
		}
		p.at[n], p.groups[n], p.sizes[n], p.last[n] = p.at[i], g, p.sizes[i], p.last[i]
		n++
	}
	return p.slice(0, n)
}

func (p points) count(i int) (sum float64) {
	for _, v := range p.groups[i] {
		sum += v
	}
	return sum
}

func (p points) slice(from, to int) points {
	return points{p.at[from:to], p.groups[from:to], p.sizes[from:to], p.last[from:to], p.byLot}
}

func (p points) and(q points) points {
	return points{append(p.at, q.at...), append(p.groups, q.groups...), append(p.sizes, q.sizes...), append(p.last, q.last...), q.byLot}
}

// charts computes the charts of a kind over all points, from the top down. Single values stand
// alone, without their moving range: it says little that the values don't, at the price of many
// false alarms (Roes, Does & Schurink 1993, Journal of Quality Technology 25, 188–198).
func (p points) charts(kind series.Kind, opt spc.Options) ([]spc.Chart, error) {
	values := make([]float64, len(p.at))
	for i := range values {
		values[i] = p.at[i].Value
		if kind.OfCounts() {
			values[i] = p.count(i)
		}
	}
	switch kind {
	case series.Individuals:
		opt.SpreadRules = []spc.Rule{}
		charts, err := spc.Individuals(values, opt)
		if err != nil {
			return nil, err
		}
		if p.byLot {
			charts[0].Statistic = "x̄"
		}
		return p.sized(charts[:1]), nil
	case series.XbarR:
		return spc.XbarR(p.groups, opt)
	case series.XbarS:
		return spc.XbarS(p.groups, opt)
	case series.EWMA:
		c, err := spc.EWMA{}.Chart(values, opt)
		if err != nil {
			return nil, err
		}
		return p.sized([]spc.Chart{c}), nil
	case series.CUSUM:
		charts, err := spc.CUSUM{}.Charts(values, opt)
		return p.sized(charts), err
	case series.U:
		c, err := spc.UChart(values, p.sizes, opt)
		return []spc.Chart{c}, err
	case series.LaneyU:
		c, err := spc.LaneyU(values, p.sizes, opt)
		return []spc.Chart{c}, err
	}
	return nil, fmt.Errorf("phases have no kind %q; want one of %v", kind, Kinds)
}

// sized says how many values stand behind each point, where lots are the points.
func (p points) sized(charts []spc.Chart) []spc.Chart {
	for _, c := range charts {
		for i := range c.Points {
			if p.byLot {
				c.Points[i].Size = len(p.groups[i])
			}
		}
	}
	return charts
}

// fixed turns the limits of a phase into stated ones.
func fixed(kind series.Kind, l store.Limits) spc.Phase {
	ph := spc.Phase{Center: &l.Centre, Sigma: &l.Sigma}
	if kind == series.U {
		ph.Sigma = nil
	}
	return ph
}

// Few points make uncertain limits: twenty to twenty-five are asked for (common practice, no source).
// Fewer than five make none.
const (
	EnoughPoints = 25
	fewestPoints = 5
)

// Estimate takes the limits of a phase from samples in order of time. Robust takes medians, so that
// a few bad points don't widen them. The warnings say what makes the limits doubtful.
func Estimate(samples []Sample, kind series.Kind, byLot, robust bool) (store.Limits, []string, error) {
	return gather(samples, kind, byLot).estimate(kind, spc.Options{Robust: robust})
}

// screened takes the limits from points of which some may be bad: those beyond the limits are left
// out and the limits taken anew, until none is or half are gone. With few points that is much surer
// than medians.
func (p points) screened(kind series.Kind) (l store.Limits, warnings []string, err error) {
	var out []int
	for {
		l, warnings, err = p.estimate(kind, spc.Options{Phases: []spc.Phase{{Exclude: out}}})
		if err != nil {
			return l, warnings, err
		}
		charts, err := p.charts(kind, spc.Options{Phases: []spc.Phase{fixed(kind, l)}})
		if err != nil {
			return l, warnings, err
		}
		var beyond []int
		for i, point := range charts[0].Points {
			if slices.Contains(out, i) || point.Outside() != 0 {
				beyond = append(beyond, i)
			}
		}
		if len(beyond) == len(out) || 2*len(beyond) > len(p.at) {
			if len(out) > 0 {
				l.Source += fmt.Sprintf("; %d beyond the limits left out", len(out))
			}
			return l, warnings, nil
		}
		out = beyond
	}
}

func (p points) what() string {
	if p.byLot {
		return "lots"
	}
	return "shots"
}

func (p points) estimate(kind series.Kind, opt spc.Options) (store.Limits, []string, error) {
	if len(p.at) < fewestPoints {
		return store.Limits{}, nil, fmt.Errorf("limits from %d %s: want at least %d, and about %d before they can be trusted", len(p.at), p.what(), fewestPoints, EnoughPoints)
	}
	opt.Rules, opt.SpreadRules = []spc.Rule{}, []spc.Rule{}
	if kind.Remembers() { // its limits are of the values that it gathers
		kind = series.Individuals
	}
	charts, err := p.charts(kind, opt)
	if err != nil {
		return store.Limits{}, nil, err
	}
	ph := charts[0].Phases[0]
	l := store.Limits{Centre: ph.Center, Sigma: ph.Sigma, Points: ph.Baseline}
	if kind == series.U {
		l.Sigma = 0
	}
	l.Source = fmt.Sprintf("%d %s from %s to %s: %s", len(p.at), p.what(), day(p.at[0]), day(p.at[len(p.at)-1]), ph.Source)
	if kind.OfCounts() && !(l.Centre > 0) {
		return l, nil, fmt.Errorf("limits from %d %s without a single count would be zero and judge nothing; state a rate, or wait until some are counted", len(p.at), p.what())
	}
	var warnings []string
	for _, c := range charts {
		for _, w := range c.Warnings {
			w = strings.TrimPrefix(w, "phase 1: ") // there is no other
			if !slices.Contains(warnings, w) {
				warnings = append(warnings, w)
			}
		}
	}
	return l, warnings, nil
}

func day(p store.Point) string { return p.At.UTC().Format("2006-01-02 15:04") }

// eventsAPoint returns how many counts a point has on average.
func (p points) eventsAPoint() float64 {
	var sum float64
	for i := range p.at {
		sum += p.count(i)
	}
	return sum / math.Max(1, float64(len(p.at)))
}

// surelyMore is the probability below which counts are taken to vary more than their law says.
const surelyMore = 0.001

func (p points) overdispersed() bool {
	counts := make([]float64, len(p.at))
	for i := range counts {
		counts[i] = p.count(i)
	}
	d, err := spc.PoissonDispersion(counts, p.sizes)
	return err == nil && d.P < surelyMore
}

// DefaultRules are those that phases take when nobody chose: points beyond the limits, nine on one
// side, six rising or falling; of counts, whose zones aren't those of normal values, points beyond
// the limits.
func DefaultRules(kind series.Kind) string {
	if kind.OfCounts() || kind.Remembers() {
		return "nelson:1"
	}
	return "nelson:1,2,3"
}
