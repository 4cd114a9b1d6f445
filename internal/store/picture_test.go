package store

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/reading"
)

func TestOfPicture(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		die := aDie(1)
		at := time.Date(2031, 3, 4, 6, 0, 0, 0, time.UTC)
		for _, r := range []*reading.Reading{die, aDie(2)} {
			if _, _, err := s.Record(t.Context(), Record{Reading: r, At: at}); err != nil {
				t.Fatal(err)
			}
		}
		kept, err := s.OfPicture(t.Context(), die.Source.SHA256, die.Source.Part, die.Shot.View)
		if err != nil || kept == nil {
			t.Fatal(kept, err)
		}
		if d := cmp.Diff(die, kept.Reading); d != "" {
			t.Errorf("(-want +got):\n%s", d)
		}
		if !kept.Shot.RecordedAt.Equal(at) {
			t.Errorf("recorded at %v, want %v", kept.Shot.RecordedAt, at)
		}
		for _, other := range []struct {
			sha, part string
			view      reading.View
		}{{shaOf("never seen"), die.Source.Part, die.Shot.View}, {die.Source.SHA256, "another", die.Shot.View}, {die.Source.SHA256, die.Source.Part, reading.CapPlan}} {
			if kept, err := s.OfPicture(t.Context(), other.sha, other.part, other.view); kept != nil || err != nil {
				t.Errorf("%+v: got %v, %v; want nothing", other, kept, err)
			}
		}
		if _, err := s.OfPicture(t.Context(), "abc", "", ""); err == nil {
			t.Error("a hash that is none was taken")
		}
	})
}
