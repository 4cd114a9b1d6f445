package drift

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbsquare/internal/spc"
)

// Convention says in words what signs mean.
const Convention = "An offset is measured minus nominal in the drawing frame (+X right, +Y up, θ counter-clockwise): " +
	"+3 µm in X means that parts sit 3 µm too far right. A correction is what to ADD to the placer's setting: " +
	"it has the opposite sign, −3 µm moves the next part left, back to nominal."

// CorrectOptions refine what is advised. The zero value works.
type CorrectOptions struct {
	// Options.Confidence is that of everything advised together: what it leaves to chance is shared by
	// the three decisions behind an advice (whether parts differ, whether a level moved, whether it is
	// off), and by all parts corrected. Options.Level isn't used.
	Options
	// By names the factors that the machine can be corrected by, the outermost first; nil for head and
	// nozzle, as far as samples have them.
	By []string
	// Deadband is the offset below which nothing is corrected, in the values' unit, because it doesn't
	// matter or the placer can't step finer. 0: where the level drifts the limit of bounded adjustment,
	// else none.
	Deadband float64
	Gain     float64 // how far parts move when the setting is moved by one; 0 means 1
	// Tolerance that the values must meet, for the capability before and after; nil: none.
	Tolerance *spc.Tolerance
	// Together is how many quantities are corrected together, such as 3 for X, Y and θ: intervals
	// widen so that all hold; 0 means 1.
	Together int
	// MayCost is the fraction by which bounded adjustment may widen the spread for the sake of seldom
	// adjustments; 0 means 0.05.
	MayCost float64
}

// A Level names a level of a factor.
type Level struct{ Factor, Level string }

// A Correction is the advice for one head, nozzle or the whole machine.
type Correction struct {
	// Of names what is corrected, from the outermost factor in: head H1, nozzle N2. Empty for the whole
	// machine, whose heads don't differ.
	Of     []Level
	Alike  string // factor whose levels in it don't differ, so that they are corrected together; "" if none
	Change Change // how its level moved in these values
	Advice spc.Advice
	Basis  string // which values the advice rests on, in plain words
	// Deadband is the offset that was left alone: as asked for, or the limit of bounded adjustment.
	Deadband float64
	Bound    *Bounded // where there are points enough to say; else nil
}

// Name says what is corrected, in words.
func (c Correction) Name() string {
	if len(c.Of) == 0 {
		return "the whole machine"
	}
	var words []string
	for _, l := range c.Of {
		words = append(words, l.Factor+" "+l.Level)
	}
	return strings.Join(words, ", ")
}

// Bounded is bounded adjustment after Box & Luceño (1997): forecast the next deviation by an
// exponentially weighted mean, and adjust only when it exceeds a limit.
type Bounded struct {
	spc.Drift // λ, the share of each shock that stays, and σ of the one-step forecast errors
	// Limit is the deadband whose price in spread is as allowed, in the values' unit; 0 where λ is 0,
	// as it is where the level isn't shown to wander: forecasts would only chase noise.
	Limit    float64
	Interval float64 // average number of points between two adjustments with this limit
	Cost     float64 // fraction by which the standard deviation exceeds that of adjusting every time
	Forecast float64 // of the next point
	Adjust   bool    // whether the forecast exceeds the limit
}

// Correct advises on corrections. Starting with the whole machine, values are parted by the next
// factor of By as long as its levels differ in their means or in how they move (with the number of
// tests accounted for), so that what can be corrected in one place is. Each part's level is the mean of its values;
// where it moved, that of the values since the step, or the end of the drift.
//
// It returns an error for a factor that the samples don't have, values that aren't finite or too few
// or too much alike to say how sure an offset is, or an option out of range.
func Correct(s Samples, opt CorrectOptions) ([]Correction, error) {
	by := opt.By
	if by == nil {
		for _, name := range []string{"head", "nozzle"} {
			if s.factor(name) != nil {
				by = append(by, name)
			}
		}
	}
	for _, name := range by {
		if s.factor(name) == nil {
			return nil, fmt.Errorf("can't correct by %s: there is no such factor", name)
		}
	}
	parts, err := s.parts(by, opt)
	if err != nil {
		return nil, err
	}
	together := max(1, opt.Together) * len(parts)
	var out []Correction
	var reasons []error
	for _, p := range parts {
		c, err := p.advise(opt, together)
		if err != nil {
			if len(p.Of) > 0 {
				err = fmt.Errorf("%s: %w", p.Name(), err)
			}
			reasons = append(reasons, err)
			continue
		}
		out = append(out, c)
	}
	if len(out) == 0 {
		return nil, errors.Join(reasons...)
	}
	return out, nil
}

// A part is some of the samples, corrected together.
type part struct {
	Correction
	samples Samples
	done    bool
}

// parts parts samples as long as levels of the next factor differ.
func (s Samples) parts(by []string, opt CorrectOptions) ([]part, error) {
	parts := []part{{samples: s}}
	for _, name := range by {
		p := make([]float64, 0, len(parts))
		order := make([][]string, len(parts))
		tested := make([]int, len(parts))
		for k := range parts {
			tested[k] = -1
			if parts[k].done {
				continue
			}
			levels := parts[k].samples.factor(name)
			order[k] = slices.Compact(slices.Sorted(slices.Values(levels)))
			if differ, ok := parts[k].samples.differ(levels, order[k]); ok {
				tested[k] = len(p)
				p = append(p, differ)
			}
		}
		q, err := spc.AdjustP(p, spc.Holm)
		if err != nil {
			return nil, err
		}
		var next []part
		for k, one := range parts {
			if tested[k] < 0 || q[tested[k]] > opt.share() {
				if !one.done && len(order[k]) > 1 {
					one.Alike, one.done = name, true
				}
				next = append(next, one)
				continue
			}
			levels := one.samples.factor(name)
			for _, l := range order[k] {
				inner := part{samples: one.samples.pick(func(i int) bool { return levels[i] == l })}
				inner.Of = append(append([]Level(nil), one.Of...), Level{name, l})
				next = append(next, inner)
			}
		}
		parts = next
	}
	return parts, nil
}

// differ returns the probability that levels are as different as this by chance, in their means
// (analysis of variance) or in the straight lines that they follow in time (F test of one line for
// all against a line for each), looked at together. There may be nothing to tell it by.
func (s Samples) differ(levels, names []string) (p float64, ok bool) {
	x, y := make([][]float64, len(names)), make([][]float64, len(names))
	var all []float64
	for i, v := range s.Values {
		k, _ := slices.BinarySearch(names, levels[i])
		at := float64(i)
		if s.Times != nil {
			at = s.days(s.Times[i])
		}
		x[k], y[k], all = append(x[k], at), append(y[k], v), append(all, at)
	}
	means, err := spc.AnalyseOneWay(y)
	if err != nil {
		return 1, false
	}
	common, err := spc.FitLine(all, s.Values, 0)
	if err != nil {
		return means.P, true
	}
	squares := func(l spc.Line) float64 { return l.S * l.S * float64(l.N-2) }
	var apart float64
	for k := range names {
		line, err := spc.FitLine(x[k], y[k], 0)
		if err != nil { // too few values for a line
			return means.P, true
		}
		apart += squares(line)
	}
	df1, df2 := float64(2*(len(names)-1)), float64(len(s.Values)-2*len(names))
	if df2 < 1 || apart <= 0 {
		return means.P, true
	}
	f := (squares(common) - apart) / df1 / (apart / df2)
	return math.Min(1, 2*math.Min(means.P, distuv.F{D1: df1, D2: df2}.Survival(math.Max(0, f)))), true
}

// advise says what to do about one part, with intervals that hold for all of them together.
func (p part) advise(opt CorrectOptions, together int) (Correction, error) {
	c := p.Correction
	f, err := p.samples.search(opt.Options, 3*together) // a third of the level is for moves
	if err != nil {
		return c, err
	}
	c.Change = f.change(math.Min(1, f.p*float64(together)), Options{Level: opt.share()})
	c.Basis = p.basis(c.Change)
	c.Bound = f.bounded(opt)
	advice := spc.AdjustOptions{Confidence: 1 - opt.share()/float64(together), Deadband: opt.Deadband, Gain: opt.Gain, Tolerance: opt.Tolerance}
	if opt.Deadband == 0 && c.Change.Form == Ramp && c.Bound != nil {
		advice.Deadband = c.Bound.Limit
	}
	c.Deadband = advice.Deadband
	if c.Change.Now.Sigma == 0 {
		return c, fmt.Errorf("all %d values equal %v: without spread nothing tells how sure they are", c.Change.Now.N, c.Change.Now.Offset)
	}
	c.Advice, err = spc.AdviseLevel(c.Change.Now, advice)
	return c, err
}

// share of what the confidence leaves to chance for each of the three decisions.
func (o CorrectOptions) share() float64 {
	if o.Confidence == 0 {
		return 0.05 / 3
	}
	return (1 - o.Confidence) / 3
}

func (p part) basis(c Change) string {
	values := fmt.Sprintf("%d values", c.Now.N)
	if p.samples.Lots != nil {
		values += fmt.Sprintf(" of %d lots", c.Points)
	}
	switch c.Form {
	case Step:
		return fmt.Sprintf("mean of the %d values since %s", c.Now.N, c.Onset)
	case Ramp:
		return fmt.Sprintf("end of the drift since %s, of %s", c.Onset, values)
	}
	return "mean of " + values
}

// fewestForDrift are the points that λ is estimated from.
const fewestForDrift = 20

// bounded estimates how the level wanders, and designs the adjustment.
func (f finding) bounded(opt CorrectOptions) *Bounded {
	_, y := f.columns()
	if len(y) < fewestForDrift {
		return nil
	}
	d, err := spc.FitDrift(y)
	if err != nil {
		return nil
	}
	if !wanders(d, y) {
		d = spc.Drift{Sigma: stat.StdDev(y, nil)}
	}
	b := &Bounded{Drift: d, Forecast: mean(y)}
	if d.Lambda == 0 {
		return b
	}
	machine := spc.Feedback{Lambda: d.Lambda, Limit: math.Inf(1), Forecast: mean(y)} // nobody has moved it so far
	for _, v := range y {
		if machine, _, err = machine.Next(v); err != nil {
			return nil
		}
	}
	b.Forecast = machine.Forecast
	cost := opt.MayCost
	if cost == 0 {
		cost = 0.05
	}
	design, err := spc.BoundedForIncrease(d.Lambda, cost)
	if err != nil {
		return nil
	}
	b.Limit, b.Interval, b.Cost = design.Ratio*d.Lambda*d.Sigma, design.Interval, design.SDIncrease(d.Lambda)
	b.Adjust = math.Abs(b.Forecast) > b.Limit
	return b
}

// wanders reports whether a drift is likelier than a level that stands still, by the likelihood ratio at
// 0.05; λ can't be below 0, so that half of chi-square counts (Self & Liang 1987, J. Am. Statist. Assoc.
// 82, 605–610).
func wanders(d spc.Drift, y []float64) bool {
	n := float64(len(y))
	still := stat.Variance(y, nil) * (n - 1)
	return d.Lambda > 0 && n*math.Log(still/(d.Sigma*d.Sigma*(n-2))) > distuv.ChiSquared{K: 1}.Quantile(0.90)
}
