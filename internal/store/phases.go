package store

import (
	"time"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
)

// A Chart names one control chart of the line: one quantity of one view of a part, on one line of
// the plant where there are several, and of one head where a phase asked for that.
type Chart struct {
	Part  string       `json:"part"`
	View  reading.View `json:"view"`
	Line  string       `json:"line,omitempty"` // as recorded; empty is a line of its own
	Head  string       `json:"head,omitempty"` // empty means all heads together
	Value string       `json:"value"`          // a quantity of [Store.Series], such as "x_um"
}

// A Phase is a stretch of a chart with fixed limits. It ends where the next one starts.
type Phase struct {
	ID    int64 `json:"id"`
	Chart `json:"chart"`
	Name  string      `json:"name"`
	Start time.Time   `json:"start"`  // shots taken then or later
	Kind  series.Kind `json:"kind"`   // individuals, xbar-r, xbar-s, u or laney-u
	ByLot bool        `json:"by_lot"` // points are lots: their mean, or their counts together
	Rules string      `json:"rules"`  // of the chart of level, as [spc.ParseRules] reads them
	Limits
	Act
	Withdrawn *Act `json:"withdrawn,omitempty"` // as a mistake; the phase before goes on
}

// Limits are what a phase fixes.
type Limits struct {
	Centre float64 `json:"centre"` // of counts the rate per site
	// Sigma is the standard deviation of a single charted value: of one shot, or of the mean of a lot
	// where lots are charted as individuals. Of laney-u it is σz; of u it is 0, for the law gives it.
	Sigma  float64 `json:"sigma"`
	Points int     `json:"points"` // shots or lots that they were estimated from; 0 when stated
	Source string  `json:"source"` // where they come from, in words
}
