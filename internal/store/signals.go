package store

import "time"

// A SignalState is where a signal is in its life.
type SignalState string

// The states, in order.
const (
	SignalOpen         SignalState = "open"
	SignalAcknowledged SignalState = "acknowledged" // has a cause and an action
	SignalClosed       SignalState = "closed"
)

// A Signal is a rule that fired on a chart, at one point or again and again at points in a row.
type Signal struct {
	ID        int64 `json:"id"`
	Phase     int64 `json:"phase"` // whose limits and rules
	Chart     `json:"chart"`
	Statistic string `json:"statistic"` // as [spc.Chart.Statistic]
	Rule      string `json:"rule"`      // as [spc.Rule.String]
	Side      int    `json:"side"`      // +1 above or rising, −1 below or falling, 0 where the rule has none
	// First and Last are the points at which the pattern was completed, first and so far last.
	First           Point       `json:"first"`
	Last            Point       `json:"last"`
	Times           int         `json:"times"`   // points from First to Last
	Pattern         []Point     `json:"pattern"` // the points of the first pattern, First is its last
	Text            string      `json:"text"`    // what happened and what it usually means
	FoundAt         time.Time   `json:"found_at"`
	State           SignalState `json:"state"`
	Cause           string      `json:"cause,omitempty"`
	Action          string      `json:"action,omitempty"`
	AcknowledgedAct *Act        `json:"acknowledged,omitempty"`
	ClosedAct       *Act        `json:"closed,omitempty"`
	// Superseded names the phase started later from before First on, so that other limits hold there;
	// 0 when there is none. Nothing else takes a signal off the list of open ones.
	Superseded int64 `json:"superseded_by,omitempty"`
}

// A Point is what a chart plots: a shot, or a lot.
type Point struct {
	Shot  int64     `json:"shot"` // of a lot its first
	At    time.Time `json:"at"`   // when that was taken
	Name  string    `json:"name"` // the lot, or the sample
	Value float64   `json:"value"`
}
