package main

import (
	"context"
	"strings"
	"testing"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/synth"
)

// The same seeds give the same table, however many work at it.
func TestTableOfSites(t *testing.T) {
	o := options{sites: 1100, seed: 1, widthPx: 1400, workers: 2, parts: "../../examples/parts/tern.yaml,../../examples/parts/wren.yaml"}
	var first, second strings.Builder
	if err := run(context.Background(), &first, o); err != nil {
		t.Fatal(err)
	}
	o.workers = 1
	if err := run(context.Background(), &second, o); err != nil {
		t.Fatal(err)
	}
	if first.String() != second.String() {
		t.Errorf("two runs differ:\n%s\n%s", &first, &second)
	}
	for _, view := range []string{"column-side", "ball-plan", "column-plan", "all"} {
		if !strings.Contains(first.String(), view) {
			t.Errorf("no row of %s in:\n%s", view, &first)
		}
	}
}

func TestSitesAreJudged(t *testing.T) {
	um := func(v float64) *float64 { return &v }
	is := func(site, state string) synth.SiteTruth {
		return synth.SiteTruth{Site: site, State: state, DXUm: um(5), DYUm: um(0)}
	}
	got := func(site, state string, xUm float64) reading.Site {
		return reading.Site{Name: site, State: state, DXUm: xUm}
	}
	truth := &synth.Truth{UmPerPx: 10, Sites: []synth.SiteTruth{
		is("A1", "ok"), is("A2", "missing"), is("A3", "ok"), is("A4", "bridged"), is("A5", "ok"), is("A6", "ok"), is("A7", "doubled"), is("A8", "missing"), is("A9", "off")}}
	r := &reading.Reading{Array: &reading.Array{Sites: []reading.Site{
		got("A1", reading.Present, 6), got("A2", reading.Present, 0), got("A3", reading.Missing, 0), got("A4", reading.Present, 90), got("A5", reading.Doubled, 5),
		got("A6", reading.Present, 16), got("A7", reading.Doubled, 40), got("A8", reading.Missing, 0), got("A9", reading.Off, 5)}}}
	var o siteOutcome
	o.judge(truth, r)
	if want := [siteFaults]int{overlooked: 1, falselyMissing: 1, unreported: 1, falselyJoined: 1, tipOff: 1}; o.counts != want || o.sites != 9 {
		t.Errorf("got %v of %d sites, want %v of 9:\n%s", o.counts, o.sites, want, strings.Join(o.lines, "\n"))
	}
	refusal := &reading.Reading{Refusal: &reading.Refusal{Gate: "defocus"}}
	for _, c := range []struct {
		reason string
		r      *reading.Reading
		want   siteFault
	}{{"", refusal, refusedWrongly}, {"saturated", refusal, notRefused}, {"defocus", r, notRefused}} {
		var o siteOutcome
		if o.judge(&synth.Truth{Reason: c.reason}, c.r); o.counts[c.want] != 1 {
			t.Errorf("reason %q: got %v", c.reason, o.counts)
		}
	}
}
