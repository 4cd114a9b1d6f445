package signal_test

import (
	"fmt"
	"time"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
	"plumbsquare/internal/signal"
	"plumbsquare/internal/store"
)

// Shots are held against a phase with stated limits: the fourth lies beyond them.
func ExampleJudge() {
	begin := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	phase := store.Phase{
		ID: 1, Chart: store.Chart{Part: "tern", View: reading.DiePlan, Value: "x_um"}, Start: begin,
		Kind: series.Individuals, Rules: "nelson:1", Limits: store.Limits{Centre: 0, Sigma: 2},
	}
	var samples []signal.Sample
	for i, x := range []float64{0.5, -1.1, 1.9, 7.2} {
		s := signal.Sample{Point: store.Point{Shot: int64(i + 1), At: begin.Add(time.Duration(i) * time.Hour), Name: fmt.Sprintf("L3101-%d", i+1), Value: x}}
		samples = append(samples, s)
	}
	found, err := signal.Judge(samples, []store.Phase{phase}, nil, signal.Window{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, s := range found.New {
		fmt.Println(s.Chart)
		fmt.Println(s.Text)
	}
	// Output:
	// x_um of tern die-plan
	// x of offset X: one point beyond a control limit (above), sample L3101-4 of 2031-03-03 09:00; something sudden and large happened to this point, or the process moved by much
}
