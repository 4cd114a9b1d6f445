package drift

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat"

	"plumbsquare/internal/spc"
)

// A Form is how a level moves.
type Form string

// The forms.
const (
	Steady Form = "steady" // no move is shown
	Step   Form = "step"   // from one level to another, at once
	Ramp   Form = "drift"  // from a level on, steadily away from it
)

// A Place is one point of a series.
type Place struct {
	Number int       // of the point, from zero
	Lot    string    // "" where the points are single values
	Time   time.Time // of its first value; zero when not known
}

// A Change says whether, when and how a level moved, once.
type Change struct {
	Form   Form
	Points int  // lots, or single values, that it was looked for in
	Timed  bool // whether Slope is per day; else it is per point

	// P is the probability of a move as clear as this where there is none, by permutation, for the
	// two forms looked for together (Bonferroni). Q is P adjusted for the strata looked at.
	P, Q float64

	// Onset is the first point after the move; Earliest and Latest bound it with the confidence asked
	// for. All are zero when Steady.
	Onset, Earliest, Latest Place

	Before        float64 // level before the move; of everything when Steady
	After         float64 // level after a step, or where a drift has led to by the last point
	Slope         float64 // of a drift, per day or per point
	SlopeInterval spc.Interval

	Now spc.Level // the level at the end of the series; its Sigma is that of single values about it
	Why string    // what hindered looking, in plain words; "" if nothing
	// Remark says what makes the finding less sure than P has it, in plain words; "" if nothing.
	Remark string

	begin    float64 // where the move begins, as Point.X
	interval spc.Interval
}

// Begin returns where a move begins, as [Point.X]: for a drift a place between two points as a rule.
func (c Change) Begin() float64 { return c.begin }

// BeginInterval is the interval of Begin.
func (c Change) BeginInterval() spc.Interval { return c.interval }

// LevelAt returns the level at a place in time, as [Point.X].
func (c Change) LevelAt(x float64) float64 {
	switch {
	case c.Form == Ramp:
		return c.Before + c.Slope*math.Max(0, x-c.begin)
	case c.Form == Step && x >= c.begin:
		return c.After
	}
	return c.Before
}

// Size is how far the level has moved.
func (c Change) Size() float64 { return c.After - c.Before }

// Options refine what is looked for. The zero value works.
type Options struct {
	Confidence float64 // of intervals; 0 means 0.95
	Level      float64 // at which a move or the effect of a factor is claimed; 0 means 0.05
}

func (o Options) level() float64 {
	if o.Level == 0 {
		return 0.05
	}
	return o.Level
}

// fewestPoints are looked at for a move.
const fewestPoints = 8

// Look says whether a level moved. Fewer than eight lots (or single values) are taken as steady, with
// the reason. It returns an error when there are fewer than two values or one isn't finite.
func Look(s Samples, opt Options) (Change, error) {
	f, err := s.search(opt, 1)
	if err != nil {
		return Change{}, err
	}
	return f.change(f.p, opt), nil
}

// A finding is a search for a move, before anything is claimed.
type finding struct {
	samples Samples
	points  []Point
	step    *spc.Break // nil where it could not be looked for
	bend    *spc.Bend  // likewise
	p       float64
	why     string
}

// search looks for a move that will be adjusted for having been looked for together with so many others.
func (s Samples) search(opt Options, together int) (f finding, err error) {
	if len(s.Values) < 2 {
		return f, fmt.Errorf("%d of two or more values that are needed", len(s.Values))
	}
	for i, v := range s.Values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return f, fmt.Errorf("value %d is %v, want a finite number", i+1, v)
		}
	}
	f = finding{samples: s, points: s.Points(), p: 1}
	x, y := f.columns()
	switch {
	case len(f.points) < fewestPoints:
		f.why = fmt.Sprintf("%d points are too few to see a move, want %d", len(f.points), fewestPoints)
		return f, nil
	case slices.Min(y) == slices.Max(y):
		f.why = fmt.Sprintf("all %d points are alike", len(f.points))
		return f, nil
	}
	n := permutations(len(f.points))
	if err := f.fit(x, y, opt, n); err != nil {
		return f, err
	}
	// As clear as so few permutations can show: more of them, so that the adjustment leaves something.
	if floor := 2 / float64(n+1); together > 1 && f.p <= floor*1.01 {
		if more := min(n*together, mostSteps/len(f.points)); more > n {
			err = f.fit(x, y, opt, more)
		}
	}
	return f, err
}

// fit fits both forms and tests them by permutations.
func (f *finding) fit(x, y []float64, opt Options, n int) error {
	options := spc.BreakOptions{Confidence: opt.Confidence, Permutations: n}
	step, err := spc.FindBreak(y, options, rand.New(rand.NewPCG(1, 1)))
	if err != nil {
		return err
	}
	f.step, f.p = &step, step.P
	// Where all points have one time only their order is left, and a step.
	if bend, err := spc.FindBend(x, y, options, rand.New(rand.NewPCG(1, 2))); err == nil {
		f.bend, f.p = &bend, math.Min(1, 2*math.Min(step.P, bend.P))
	}
	return nil
}

// mostSteps are spent on one search, in points permuted.
const mostSteps = 40_000_000

// permutations are enough for the digits of P that matter, and no more than long series can bear.
func permutations(points int) int { return max(199, min(999, mostSteps/2/points)) }

func (f finding) columns() (x, y []float64) {
	for _, p := range f.points {
		x, y = append(x, p.X), append(y, p.Mean)
	}
	return x, y
}

// change is what is claimed with a p value adjusted to q.
func (f finding) change(q float64, opt Options) Change {
	c := Change{Form: Steady, Points: len(f.points), Timed: f.samples.Times != nil, P: f.p, Q: q, Why: f.why}
	place := func(i int) Place { return f.points[max(0, min(i, len(f.points)-1))].Place }
	x, _ := f.columns()
	switch {
	case f.step == nil || q > opt.level():
		c.Now = f.level(0)
		c.Before, c.After = c.Now.Offset, c.Now.Offset
	case f.bend != nil && f.bend.RSSBend < f.step.RSSBreak: // both have as many parameters
		b := f.bend
		first := func(at float64) Place { // a drift over the whole length began at the first point or before
			if at <= x[0] {
				return place(0)
			}
			return place(slices.IndexFunc(x, func(v float64) bool { return v > at }))
		}
		c.Form, c.Before, c.After = Ramp, b.Level, b.End
		c.Onset, c.Earliest, c.Latest = first(b.At), first(b.Low), first(b.High)
		c.Slope, c.SlopeInterval = b.Slope, b.SlopeCI
		c.begin, c.interval = b.At, spc.Interval{Low: b.Low, High: b.High}
		c.Now = spc.Level{Offset: b.End, U: b.SEEnd, DF: float64(b.N - 3), Sigma: f.spread(), N: len(f.samples.Values)}
	default:
		b := f.step
		c.Form, c.Before = Step, b.MeanBefore
		c.Onset, c.Earliest, c.Latest = place(b.After), place(b.Low), place(b.High)
		c.Now = f.level(b.After)
		c.After, c.begin = c.Now.Offset, x[b.After]
		c.interval = spc.Interval{Low: x[c.Earliest.Number], High: x[c.Latest.Number]}
	}
	c.Remark = f.alike(c)
	return c
}

// leastForAlike are the points that say whether neighbours are alike.
const leastForAlike = 12

// alike says whether neighbouring points are alike beyond what moved: permuting them then takes away
// more than the move, and P is too small.
func (f finding) alike(c Change) string {
	if f.step == nil || len(f.points) < leastForAlike {
		return ""
	}
	rest := make([]float64, len(f.points))
	for i, p := range f.points {
		rest[i] = p.Mean - c.LevelAt(p.X)
	}
	r, p, err := spc.Autocorrelation(rest)
	if err != nil || r <= 0 || p > 0.01 {
		return ""
	}
	return fmt.Sprintf("neighbouring points are alike beyond that (lag-1 autocorrelation %.2f): the level wanders, and p is too small", r)
}

// ownSpread is how many points tell a spread of their own; fewer borrow that of all.
const ownSpread = 5

// level is that of the points from one on: the mean of their values, with an uncertainty from how
// points scatter about it, for the values of a lot aren't independent. Few points after a step
// borrow the scatter of those before.
func (f finding) level(from int) spc.Level {
	points := f.points[from:]
	var values []float64
	for _, p := range points {
		for _, i := range p.rows {
			values = append(values, f.samples.Values[i])
		}
	}
	n, k := float64(len(values)), float64(len(points))
	l := spc.Level{Offset: stat.Mean(values, nil), N: len(values)}
	if from > 0 && len(points) < ownSpread {
		rest := float64(len(f.points) - 2)
		l.U, l.DF, l.Sigma = math.Sqrt(f.step.RSSBreak/rest/k), rest, f.spread()
		return l
	}
	l.Sigma = stat.StdDev(values, nil)
	if len(points) < 2 { // one lot: its own values are all there is
		l.U, l.DF = l.Sigma/math.Sqrt(n), n-1
		return l
	}
	var squares float64
	for _, p := range points {
		d := float64(p.N) * (p.Mean - l.Offset)
		squares += d * d
	}
	l.U, l.DF = math.Sqrt(squares*k/(k-1))/n, k-1
	return l
}

// spread is the standard deviation of single values about the form that fits better.
func (f finding) spread() float64 {
	at := func(k int) float64 {
		if k < f.step.After {
			return f.step.MeanBefore
		}
		return f.step.MeanAfter
	}
	if b := f.bend; b != nil && b.RSSBend < f.step.RSSBreak {
		at = func(k int) float64 { return b.Level + b.Slope*math.Max(0, f.points[k].X-b.At) }
	}
	var squares float64
	for k, p := range f.points {
		for _, i := range p.rows {
			d := f.samples.Values[i] - at(k)
			squares += d * d
		}
	}
	return math.Sqrt(squares / float64(len(f.samples.Values)-3))
}
