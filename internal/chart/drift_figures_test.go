package chart

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"plumbsquare/internal/drift"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// driftFigures are those of moves, corrections and designs, which TestTextsDontOverlap and TestFormats
// look at with the others.
func driftFigures(t testing.TB) map[string]Figure {
	t.Helper()
	all := must[drift.Study](t)(drift.Analyse(drifting(true), drift.Options{}))
	untimed := must[drift.Change](t)(drift.Look(drifting(false), drift.Options{}))
	panels := []DriftPanel{{"all", all.Series, all.Overall}}
	for _, st := range all.Strata {
		panels = append(panels, DriftPanel{st.Factor + " " + st.Level, st.Series, st.Change})
	}
	few := drift.Samples{Quantity: series.Quantity{Name: "x"}, Values: []float64{1, 2, 4}}
	tol := spc.Tolerance{Lower: -20, Upper: 20}
	advice := must[[]drift.Correction](t)
	curve := func(f func(float64) float64) (x, y []float64) {
		for i := range 61 {
			x = append(x, float64(i)/20)
			y = append(y, f(x[i]))
		}
		return x, y
	}
	x, slow := curve(func(v float64) float64 { return 1 + 499*math.Exp(-3*v) })
	_, fast := curve(func(v float64) float64 { return 1 + 369*math.Exp(-4*v) })
	_, falling := curve(func(v float64) float64 { return math.Exp(-v) })
	y := process(21, 200, 0, 0)
	for i := range y {
		y[i] = math.Abs(y[i])
	}
	rayleigh := must[spc.Fit](t)(spc.FitDistribution(y, spc.Rayleigh))
	law := must[spc.Fit](t)(spc.FitDistribution(y, spc.FoldedNormal))
	return map[string]Figure{
		"drift": Drift{
			Title: "When and where the offset X moved", Notes: []string{"240 values in 40 lots"}, Quantity: "offset X", Unit: "µm", Panels: panels,
		},
		"drift untimed": Drift{Title: "By number", Quantity: "offset X", Unit: "µm", Panels: []DriftPanel{{"all", drifting(false).Points(), untimed}}},
		"drift few": Drift{
			Title: "Three values", Quantity: "x", Panels: []DriftPanel{{"all", few.Points(), must[drift.Change](t)(drift.Look(few, drift.Options{}))}},
		},
		"corrections": Corrections{
			Title: "How much to correct the placer", Notes: []string{"240 values in 40 lots"},
			Panels: []CorrectionPanel{
				{"offset X", "µm", AxisX, advice(drift.Correct(drifting(true), drift.CorrectOptions{Tolerance: &tol}))},
				{"offset Y", "µm", AxisY, advice(drift.Correct(drifting(true), drift.CorrectOptions{By: []string{"nozzle"}}))},
				{"rotation θ", "°", AxisTheta, advice(drift.Correct(drifting(false), drift.CorrectOptions{Deadband: 1}))},
			},
		},
		"corrections plain": Corrections{
			Title: "One column of a table", Panels: []CorrectionPanel{{"force", "N", NoAxis, advice(drift.Correct(few, drift.CorrectOptions{}))}},
		},
		"run lengths": Curves{
			Title: "How soon a move is seen", XTitle: "move of the level (sigma of a value)", YTitle: "points until the signal, on average", LogY: true,
			Curves: []Curve{
				{"EWMA", "λ 0.13, L 2.88", x, slow, []CurveMark{{1, slow[20], "24.8"}}}, {"CUSUM", "k 0.5, h 5.07", x, fast, []CurveMark{{1, slow[20] * 0.98, "24.3"}}},
			},
			Levels: []CurveLevel{{500, "a false alarm every 500"}},
		},
		"operating characteristic": Curves{
			Title: "What a sample proves", XTitle: "nonconforming (%)", YTitle: "probability of acceptance", YMax: 1.04,
			Curves: []Curve{{"AQL 1 %, normal, letter J, with a name that needs two lines", "n 80, accept 2", x, falling, []CurveMark{{0.05, 0.95, "0.05 %"}}}},
			Levels: []CurveLevel{{Y: 0.95}},
		},
		"histogram of another": Histogram{Title: "Distance from nominal", Quantity: "distance", Unit: "µm", Values: y, Law: &spc.Nonnormal{Fit: rayleigh}},
		"histogram of a law":   Histogram{Title: "Distance from nominal", Quantity: "distance", Unit: "µm", Values: y, Law: &spc.Nonnormal{Fit: law}},
	}
}

// drifting invents 40 lots of six units from two heads, the second of which drifts from lot 25 on.
func drifting(timed bool) drift.Samples {
	x := process(20, 240, 0, 0)
	s := drift.Samples{Quantity: series.Quantity{Name: "offset X", Unit: "µm"}, Factors: []spc.Factor{{Name: "head"}, {Name: "nozzle"}}}
	for i, v := range x {
		lot, head := i/6, i%2
		if head == 1 && lot > 25 {
			v += 1.5 * float64(lot-25)
		}
		s.Values = append(s.Values, v)
		s.Lots = append(s.Lots, fmt.Sprintf("K%d", 200+lot))
		s.Factors[0].Levels = append(s.Factors[0].Levels, fmt.Sprintf("H%d", head+1))
		s.Factors[1].Levels = append(s.Factors[1].Levels, fmt.Sprintf("N%d", i%3+1))
		if timed {
			s.Times = append(s.Times, time.Date(2031, 3, 3, 6+lot, i%6*5, 0, 0, time.UTC))
		}
	}
	return s
}

// What is written must say the way that a part really moves.
func TestCorrectionPointsBack(t *testing.T) {
	for _, c := range []struct {
		axis Axis
		move float64
		want string
	}{
		{AxisX, -3, "left"}, {AxisX, 3, "right"}, {AxisY, -3, "down"}, {AxisY, 3, "up"},
		{AxisTheta, -0.1, "clockwise"}, {AxisTheta, 0.1, "counter-clockwise"}, {NoAxis, 3, ""},
	} {
		if got := c.axis.toward(c.move); got != c.want {
			t.Errorf("a move by %v along axis %v is %q, want %q", c.move, c.axis, got, c.want)
		}
	}
}

// Parts that sit right of nominal are moved left, whatever the gain: a machine whose setting works the
// other way round has a correction of the other sign.
func TestCorrectionMovesBack(t *testing.T) {
	s := drifting(false)
	for i := range s.Values {
		s.Values[i] = 8 + s.Values[i]/10
	}
	for _, gain := range []float64{1, -1} {
		rows := must[[]drift.Correction](t)(drift.Correct(s, drift.CorrectOptions{Gain: gain}))
		p, _ := drawn(t, Corrections{Title: "To the left", Panels: []CorrectionPanel{{"offset X", "µm", AxisX, rows}}})
		found := false
		for _, text := range p.texts {
			found = found || strings.HasPrefix(text.text, "add ") && strings.HasSuffix(text.text, ": left")
		}
		if !found || rows[0].Advice.Correction*gain >= 0 {
			t.Errorf("gain %v: add %v, and the texts are %v", gain, rows[0].Advice.Correction, p.texts)
		}
	}
}
