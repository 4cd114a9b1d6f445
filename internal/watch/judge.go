package watch

import (
	"context"
	"fmt"
	"time"
)

// judgeEvery is the least time between two looks at the control charts.
const judgeEvery = time.Minute

// judging holds new readings against the control charts until ctx ends.
func (k *keeper) judging(ctx context.Context) {
	for ctx.Err() == nil {
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
