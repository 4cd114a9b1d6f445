package intake

import "time"

// A Stamp is how a file looks from outside. It changes while the file is being written.
type Stamp struct {
	Size     int64
	Modified time.Time
}

// Same reports whether two stamps are of a file that nobody wrote to in between.
func (s Stamp) Same(t Stamp) bool { return s.Size == t.Size && s.Modified.Equal(t.Modified) }

// A Settling is a file that may still be growing. The zero value hasn't been looked at.
//
// Whether somebody has a file open for writing can't be asked on every system and on no network
// share, so a file counts as complete once it has looked the same for a while.
type Settling struct {
	stamp Stamp
	since time.Time // of the first look at this stamp
	old   bool      // nobody had written for long when it was first seen: it was moved here
}

// Shares of the settle time after which files that are a special case count.
const (
	movedShare = 5  // a file moved here whole counts after a fifth of it
	emptyTimes = 10 // an empty one after ten times: whoever made it means to write
)

// Look takes how a file looks now and returns how long it must still look so; 0 when it counts.
// Of now only differences count, so that a clock that is set doesn't matter where it holds a
// monotonic reading, as [time.Now] does.
func (s *Settling) Look(at Stamp, now time.Time, settle time.Duration) time.Duration {
	switch {
	case s.since.IsZero():
		*s = Settling{stamp: at, since: now, old: now.Sub(at.Modified) >= settle}
	case !at.Same(s.stamp):
		*s = Settling{stamp: at, since: now}
	}
	need := settle
	switch {
	case at.Size == 0:
		need = settle * emptyTimes
	case s.old:
		need = settle / movedShare
	}
	return max(0, need-now.Sub(s.since))
}
