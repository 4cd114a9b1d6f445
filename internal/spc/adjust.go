package spc

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// AdjustOptions refines [AdviseLevel]. The zero value works.
type AdjustOptions struct {
	Confidence float64 // of the interval; 0 means 0.95
	// Deadband is the offset below which nothing is corrected, in the values' unit, because it
	// doesn't matter or the placer can't step finer; 0 means none.
	Deadband float64
	// Gain is how far the result moves when the setting is moved by one; 0 means 1.
	Gain float64
	// Tolerance that offsets must meet, for the capability before and after; nil: none.
	Tolerance *Tolerance
}

// Advice says whether and by how much to correct a machine.
//
// Sign convention. An offset is measured minus nominal: +3 µm means that the parts sit 3 µm too far
// in the positive direction. The correction is what to ADD to the machine's setting, so it has the
// opposite sign: −3 µm (over the gain) brings parts that sit at +3 back to nominal.
type Advice struct {
	N          int
	Offset     float64  // estimated: the mean of the values
	Interval   Interval // of the offset
	Sigma      float64  // of a single value
	Correct    bool
	Correction float64 // to add to the setting, −Offset/Gain; 0 unless Correct
	Reason     string  // why or why not, in plain words

	// Before and After are the capability of single values against the tolerance, by a normal law:
	// as it is, and as expected with the correction advised, whose own uncertainty widens the
	// spread to √(σ²+u²), u = σ/√N. Nil without a tolerance; the same when nothing is corrected.
	Before, After *Indices
}

// A Level is an offset estimated from parts: their mean, or where a drift has led to.
type Level struct {
	Offset float64
	U      float64 // its standard uncertainty
	DF     float64 // degrees of freedom behind U; infinite where it is known
	Sigma  float64 // standard deviation of a single value about its level
	N      int     // values behind it
}

// AdviseLevel advises on the correction that a level calls for, of parts made since the setting was last
// touched, in one coordinate, by one head and nozzle. A correction is advised only when the interval of
// the offset excludes zero and the offset exceeds the deadband: correcting for every value adds the noise
// of each to the next and doubles the variance (the funnel experiment, Deming 1986, Out of the Crisis,
// chapter 11).
//
// It returns an error for a level that isn't one, or an unusable option.
func AdviseLevel(l Level, opt AdjustOptions) (Advice, error) {
	fail := func(err error) (Advice, error) { return Advice{}, fmt.Errorf("correction: %w", err) }
	conf, err := confidenceOr95("correction", opt.Confidence)
	if err != nil {
		return Advice{}, err
	}
	gain := opt.Gain
	if gain == 0 {
		gain = 1
	}
	if math.IsNaN(gain) || math.IsInf(gain, 0) || !(opt.Deadband >= 0) || math.IsInf(opt.Deadband, 0) {
		return fail(fmt.Errorf("gain %v and deadband %v: want finite numbers, the deadband not negative", opt.Gain, opt.Deadband))
	}
	if math.IsNaN(l.Offset) || math.IsInf(l.Offset, 0) || !(l.U > 0) || !(l.DF > 0) || !(l.Sigma > 0) || math.IsInf(l.Sigma, 0) || l.N < 1 {
		return fail(fmt.Errorf("level %+v: want a finite offset, and its uncertainty, degrees of freedom, sigma and number of values above 0", l))
	}
	a := Advice{N: l.N, Offset: l.Offset, Sigma: l.Sigma}
	quantile := normalQuantile(1 - (1-conf)/2)
	if !math.IsInf(l.DF, 1) {
		quantile = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: l.DF}.Quantile(1 - (1-conf)/2)
	}
	half := quantile * l.U
	a.Interval = Interval{a.Offset - half, a.Offset + half}
	a.decide(opt.Deadband, gain, half, conf)
	if opt.Tolerance != nil {
		if err := opt.Tolerance.check(); err != nil {
			return fail(err)
		}
		df := math.Max(1, float64(l.N-1))
		before := indicesOf(a.Offset, a.Sigma, df, a.N, *opt.Tolerance, conf)
		after := before
		if a.Correct {
			after = indicesOf(0, math.Hypot(a.Sigma, l.U), df, a.N, *opt.Tolerance, conf)
		}
		a.Before, a.After = &before, &after
	}
	return a, nil
}

func (a *Advice) decide(deadband, gain, half, conf float64) {
	switch size := math.Abs(a.Offset); {
	case size <= half:
		a.Reason = fmt.Sprintf("leave it: %.3g ± %.2g is no offset that %d values prove (%.4g %% confidence); correcting would chase noise", a.Offset, half, a.N, 100*conf)
	case size <= deadband:
		a.Reason = fmt.Sprintf("leave it: the offset %.3g lies within the deadband of %.3g", a.Offset, deadband)
	default:
		a.Correct = true
		a.Correction = -a.Offset / gain
		a.Reason = fmt.Sprintf("add %.3g to the setting: parts sit at %.3g ± %.2g (measured minus nominal)", a.Correction, a.Offset, half)
	}
}

// A Feedback is a machine that is corrected from its own results, unit after unit or lot after lot
// (Box & Luceño 1997, Statistical Control by Monitoring and Feedback Adjustment). It forecasts the
// next deviation by an exponentially weighted mean and moves when the forecast exceeds Limit:
// bounded adjustment. With Limit 0 it moves by −Lambda·deviation/Gain every time: integral control.
// It is a value: [Feedback.Next] returns the one that follows.
type Feedback struct {
	Lambda float64 // weight of the newest deviation in the forecast, above 0 and at most 1
	Gain   float64 // how far the result moves when the setting is moved by one; 0 means 1
	Limit  float64 // forecast that is left alone, in the result's unit

	Forecast float64 // of the next deviation, before any move
	Total    float64 // sum of all moves: what the setting now differs by
}

// Next takes the deviation observed, measured minus nominal with the setting as it is, and returns
// the machine after it and the move to ADD to the setting: 0 while the forecast stays within the
// limit.
func (f Feedback) Next(deviation float64) (next Feedback, move float64, err error) {
	gain := f.Gain
	if gain == 0 {
		gain = 1
	}
	if !(f.Lambda > 0 && f.Lambda <= 1) || !(f.Limit >= 0) || math.IsNaN(gain) || math.IsInf(gain, 0) {
		return f, 0, fmt.Errorf("feedback: lambda %v, gain %v, limit %v: want lambda above 0 and at most 1, a finite gain, a limit of at least 0", f.Lambda, f.Gain, f.Limit)
	}
	if math.IsNaN(deviation) || math.IsInf(deviation, 0) {
		return f, 0, fmt.Errorf("feedback: deviation is %v, want a finite number", deviation)
	}
	f.Forecast = f.Lambda*deviation + (1-f.Lambda)*f.Forecast
	if math.Abs(f.Forecast) > f.Limit {
		move = -f.Forecast / gain
		f.Total += move
		f.Forecast = 0
	}
	return f, move, nil
}
