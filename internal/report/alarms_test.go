package report

import (
	"math"
	"testing"

	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// How many signals come by chance depends on the law of what is charted. A Poisson count of mean 4 lies
// above 4 + 3·2 = 10 with 1 − Σ e⁻⁴4ᵏ/k!, k to 10, which is 0.00284; normal points beyond three sigma or
// nine on one side come every 152 points by Champ & Woodall's chain (1987, as spc is tested to).
func TestFalseAlarmsByTheLaw(t *testing.T) {
	centre := 4.0
	c, err := spc.CChart([]float64{3, 5, 4}, spc.Options{Rules: chartRules[:1], Phases: []spc.Phase{{Center: &centre}}})
	if err != nil {
		t.Fatal(err)
	}
	term, inside := math.Exp(-4), 0.0
	for k := range 11 {
		inside += term
		term *= 4 / float64(k+1)
	}
	if got := betweenFalseAlarms(series.C, &c); math.Abs(got*(1-inside)-1) > 1e-9 {
		t.Errorf("counts: every %v points, want %v", got, 1/(1-inside))
	}
	x, err := spc.Individuals([]float64{1, 2, 3}, spc.Options{Rules: chartRules})
	if err != nil {
		t.Fatal(err)
	}
	if got := betweenFalseAlarms(series.Individuals, &x[0]); got != usualFalseAlarms() || got < 100 || got > 370 {
		t.Errorf("values: every %v points", got)
	}
	if got := betweenFalseAlarms(series.CUSUM, &x[0]); math.Abs(got-465.4) > 0.5 { // Lucas & Crosier 1982: 465
		t.Errorf("cumulative sums: every %v points, want 465", got)
	}
}
