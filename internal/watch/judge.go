package watch

import (
	"context"
	"fmt"
	"time"
)

// judgeEvery is the least time between two looks at the control charts, judgeAnyway the time after
// which they are looked at though nothing is new: the newest lot of a line counts once nothing of
// it has come for an hour.
const (
	judgeEvery  = time.Minute
	judgeAnyway = time.Hour
)

// judging holds new readings against the control charts until ctx ends.
func (k *keeper) judging(ctx context.Context) {
	last := time.Now()
	for ctx.Err() == nil {
		if now := time.Now(); now.Sub(last) >= judgeAnyway {
			last = now
			k.unjudged.Store(true)
		}
		k.judge(ctx)
		sleep(ctx, judgeEvery)
	}
}

// judge looks at the charts when there are new readings.
func (k *keeper) judge(ctx context.Context) {
	if k.o.Judge == nil || !k.unjudged.Swap(false) {
		return
	}
	found, err := k.o.Judge(ctx)
	for _, text := range found {
		k.say(Line{Word: "signal", Text: text})
	}
	if err != nil && ctx.Err() == nil {
		k.unjudged.Store(true)
		k.trouble("charts", fmt.Sprintf("the control charts can't be looked at (%v); it is tried again", err))
		return
	}
	k.well("charts", "the control charts can be looked at again")
}
