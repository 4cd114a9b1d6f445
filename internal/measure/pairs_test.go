package measure_test

import (
	"strings"
	"testing"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/reading"
)

func TestPairs(t *testing.T) {
	shot := func(name, sample string, turn float64) *reading.Reading {
		return &reading.Reading{Source: reading.Source{Picture: name}, Shot: reading.Shot{View: reading.DiePlan, Lot: "K", Sample: sample, TurnDeg: turn}}
	}
	pairs, errs := measure.Pairs([]*reading.Reading{
		shot("a", "1", 180), shot("b", "2", 0), shot("c", "1", 0), shot("d", "1", 180), shot("e", "1", 0), shot("f", "3", 0), shot("g", "3", 0),
	})
	var got []string
	for _, p := range pairs {
		got = append(got, p[0].Source.Picture+p[1].Source.Picture)
	}
	if text := strings.Join(got, " "); text != "ca ed" {
		t.Errorf("got pairs %s, want ca ed", text)
	}
	if len(errs) != 2 || !strings.Contains(errs[0].Error(), `sample "2": 1 at 0°`) || !strings.Contains(errs[1].Error(), `sample "3": 2 at 0°`) {
		t.Errorf("got errors %v", errs)
	}
}
