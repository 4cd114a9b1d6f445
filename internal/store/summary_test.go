package store

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/reading"
)

func TestGroups(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		for i := range 14 {
			mustRecord(t, s, aDie(i))
		}
		mustRecord(t, s, aRetake(30))
		mustRecord(t, s, anArray(20, 5))
		got, err := s.Groups(t.Context(), Query{})
		minute := func(i int) time.Time { return noon.Add(time.Duration(i) * time.Minute) }
		want := []Group{
			{"tern", reading.ColumnPlan, 1, map[reading.Decision]int{reading.Reject: 1}, minute(20), minute(20)},
			{"tern", reading.DiePlan, 15, map[reading.Decision]int{reading.Accept: 12, reading.Reject: 2, reading.Retake: 1}, minute(0), minute(30)},
		}
		if diff := cmp.Diff(want, got); err != nil || diff != "" {
			t.Errorf("%v\n%s", err, diff)
		}
	})
}
