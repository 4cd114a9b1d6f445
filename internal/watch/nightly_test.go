package watch

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// Whatever the clock does, each night gets one report, of the day before its hour.
func TestNightly(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	n, err := ParseNightly("05:30")
	if err != nil {
		t.Fatal(err)
	}
	var written []string
	var failing error
	n.Write = func(_ context.Context, day string, since, until time.Time) error {
		if failing != nil {
			return failing
		}
		written = append(written, day+" "+since.Format("02 15:04")+" "+until.Format("02 15:04")+" "+until.Sub(since).String())
		return nil
	}
	at := func(text string, wantErr error) {
		t.Helper()
		now, err := time.ParseInLocation("2006-01-02 15:04", text, berlin)
		if err != nil {
			t.Fatal(err)
		}
		if err := n.tick(t.Context(), now); !errors.Is(err, wantErr) {
			t.Errorf("at %s: %v", text, err)
		}
	}
	at("2031-03-28 23:00", nil) // started in the evening: the report of that morning, if it isn't there
	at("2031-03-29 05:29", nil)
	at("2031-03-29 05:30", nil)
	at("2031-03-29 05:31", nil)
	at("2031-03-28 12:00", nil) // the clock is set back
	at("2031-03-29 05:30", nil)
	failing = errors.New("the disk is full")
	at("2031-03-30 05:31", failing) // the night of summer time: 23 hours
	failing = nil
	at("2031-03-30 09:00", nil)
	at("2031-04-03 12:00", nil) // off for some days: the newest
	want := []string{
		"2031-03-28 27 05:30 28 05:30 24h0m0s",
		"2031-03-29 28 05:30 29 05:30 24h0m0s",
		"2031-03-30 29 05:30 30 05:30 23h0m0s",
		"2031-04-03 02 05:30 03 05:30 24h0m0s",
	}
	if d := cmp.Diff(want, written); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	for _, bad := range []string{"", "5", "24:00", "half past five"} {
		if _, err := ParseNightly(bad); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}
