// Package design finds the control chart for the move that matters and the false alarms that can be
// borne, and the samples that prove a lot, and traces what each can do: run lengths over the move,
// operating characteristics over the quality. Moves are in standard deviations of a single value.
package design

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/stat/distuv"

	"plumbsquare/internal/spc"
)

// A Wish is what a chart should do.
type Wish struct {
	Shift    float64 // lasting move of the level that matters, in standard deviations of a single value
	Every    float64 // points between false alarms, on average; 0 means 370
	Subgroup int     // values behind a point of EWMA and CUSUM; 0 means 1
	Signal   float64 // points after which the x̄ chart should signal, on average, at most; 0 means 2
}

// Charts are designs that meet a wish.
type Charts struct {
	Wish
	EWMA      spc.EWMA
	EWMAAfter spc.RunLength // average points to the signal after the move
	CUSUM     spc.CUSUM
	// CUSUMAfter is the same of the CUSUM; HeadStartAfter with a head start of h/2, where the move is
	// there from the start, and HeadStartEvery how often that gives a false alarm.
	CUSUMAfter, HeadStartAfter, HeadStartEvery spc.RunLength

	SampleSize int     // values of a subgroup of the x̄ chart
	Width      float64 // of the limits of single points, in standard deviations of the point
	MeansAfter float64 // average subgroups to the signal of the x̄ chart
}

// ForShift finds the EWMA and the CUSUM that see a move soonest, and the subgroup size of an x̄ chart that
// sees it soon enough, with false alarms as seldom as wished.
func ForShift(w Wish) (Charts, error) {
	if w.Every == 0 {
		w.Every = 370
	}
	if w.Subgroup == 0 {
		w.Subgroup = 1
	}
	if w.Signal == 0 {
		w.Signal = 2
	}
	if !(w.Every > 2) {
		return Charts{}, fmt.Errorf("design: a false alarm every %v points: want more than 2", w.Every)
	}
	if w.Subgroup < 1 {
		return Charts{}, fmt.Errorf("design: subgroups of %d: want at least 1", w.Subgroup)
	}
	d := Charts{Wish: w}
	shift := d.ofPoints(w.Shift)
	// Limits at which single points have the false alarms wished for see this move as soon as any.
	if width := -distuv.UnitNormal.Quantile(1 / (2 * w.Every)); shift > 2*width {
		return d, fmt.Errorf("design: a move of %.3g standard deviations of a point is seen at once by single points with limits at ± %.3g: averaging gains nothing", shift, width)
	}
	var err error
	if d.EWMA, d.EWMAAfter, err = spc.DesignEWMA(shift, w.Every); err != nil {
		return d, err
	}
	if d.CUSUM, d.CUSUMAfter, err = spc.DesignCUSUM(shift, w.Every); err != nil {
		return d, err
	}
	fast := d.headStart()
	var err1, err2 error
	d.HeadStartAfter, err1 = fast.RunLength(shift)
	d.HeadStartEvery, err2 = fast.RunLength(0)
	if err := errors.Join(err1, err2); err != nil {
		return d, err
	}
	if d.SampleSize, d.Width, err = spc.SampleSize(w.Shift, w.Every, w.Signal); err != nil {
		return d, err
	}
	d.MeansAfter = 1 / (1 - spc.Shewhart{Width: d.Width}.Miss(w.Shift*math.Sqrt(float64(d.SampleSize))))
	return d, nil
}

// ofPoints is a move in standard deviations of a point of EWMA and CUSUM.
func (d Charts) ofPoints(shift float64) float64 { return shift * math.Sqrt(float64(d.Subgroup)) }

func (d Charts) headStart() spc.CUSUM {
	s := d.CUSUM
	s.Headstart = s.H / 2
	return s
}

// A Curve is a function by its values.
type Curve struct {
	Name, Note string
	X, Y       []float64
}

// steps are how many pieces a curve is traced in.
const steps = 60

// RunLengths traces the average run length of each design over the move, up to a move of upTo. Rules are
// those of a chart of single points to compare with; none leaves it out.
func (d Charts) RunLengths(upTo float64, rules []spc.Rule) ([]Curve, error) {
	n := float64(d.Subgroup)
	kinds := []struct {
		name, note string
		run        func(shift float64) (spc.RunLength, error)
	}{
		{"EWMA", fmt.Sprintf("λ %.3g, L %.3f", d.EWMA.Lambda, d.EWMA.Width), func(s float64) (spc.RunLength, error) { return d.EWMA.RunLength(s * math.Sqrt(n)) }},
		{"CUSUM", fmt.Sprintf("k %.3g, h %.3f", d.CUSUM.K, d.CUSUM.H), func(s float64) (spc.RunLength, error) { return d.CUSUM.RunLength(s * math.Sqrt(n)) }},
		{fmt.Sprintf("x̄ of %d", d.SampleSize), fmt.Sprintf("limits at ± %.3f; a point takes %d values", d.Width, d.SampleSize), func(s float64) (spc.RunLength, error) {
			return spc.Shewhart{Width: d.Width}.RunLength(s*math.Sqrt(float64(d.SampleSize)), nil, 0)
		}},
	}
	if len(rules) > 0 {
		kinds = append(kinds, struct {
			name, note string
			run        func(shift float64) (spc.RunLength, error)
		}{"points by rules", rulesText(rules), func(s float64) (spc.RunLength, error) {
			return spc.Shewhart{Rules: rules}.RunLength(s*math.Sqrt(n), rand.New(rand.NewPCG(1, 1)), 4000)
		}})
	}
	var curves []Curve
	for _, k := range kinds {
		c := Curve{Name: k.name, Note: k.note}
		for i := range steps + 1 {
			x := upTo * float64(i) / steps
			r, err := k.run(x)
			if err != nil {
				return nil, err
			}
			c.X, c.Y = append(c.X, x), append(c.Y, r.Mean)
		}
		curves = append(curves, c)
	}
	return curves, nil
}

func rulesText(rules []spc.Rule) string {
	text := ""
	for i, r := range rules {
		if i > 0 {
			text += ", "
		}
		text += r.String()
	}
	return text
}
