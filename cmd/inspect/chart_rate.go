package main

import (
	"fmt"
	"math"

	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// rateConfidence is the confidence of the interval of a rate.
const rateConfidence = 0.95

// An eventRate is how often what is counted occurs, over all points of a chart.
type eventRate struct {
	fraction      bool // of units, each of which counts at most once
	events        int
	opportunities float64
	interval      spc.Interval // exact, by the law of the chart
}

// rateOf returns the rate of counts; nil for other kinds, and of Laney's charts, whose counts vary more
// than a law says.
func rateOf(kind series.Kind, s series.Series) (*eventRate, error) {
	r := &eventRate{fraction: kind == series.P || kind == series.NP}
	if !r.fraction && kind != series.U && kind != series.C {
		return nil, nil
	}
	var events float64
	for i, v := range s.Values {
		events += v
		if s.Sizes == nil {
			r.opportunities++
		} else {
			r.opportunities += s.Sizes[i]
		}
	}
	const most = 1e12
	if events > most || r.opportunities > most {
		return nil, nil
	}
	r.events = int(events)
	var err error
	if r.fraction {
		r.interval, err = spc.BinomialInterval(r.events, int(math.Round(r.opportunities)), rateConfidence)
		return r, err
	}
	r.interval, err = spc.PoissonInterval(r.events, rateConfidence)
	r.interval.Low /= r.opportunities
	r.interval.High /= r.opportunities
	return r, err
}

func (r *eventRate) text() string {
	what := "rate"
	if r.fraction {
		what = "fraction"
	}
	return fmt.Sprintf("%s of everything: %.3g (%.3g to %.3g, exact %.0f %% interval), %d in %.10g; it holds as long as no point breaks a rule",
		what, float64(r.events)/r.opportunities, r.interval.Low, r.interval.High, 100*rateConfidence, r.events, r.opportunities)
}

type rateJSON struct {
	Events        int     `json:"events"`
	Opportunities number  `json:"opportunities"`
	Value         number  `json:"value"`
	Low           number  `json:"low"`
	High          number  `json:"high"`
	Confidence    float64 `json:"confidence"`
}
