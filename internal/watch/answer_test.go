package watch

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"plumbsquare/internal/reading"
)

func TestAnswerText(t *testing.T) {
	at := time.Date(2031, 3, 4, 12, 45, 0, 0, time.Local)
	reasons := func(d reading.Decision, n int) (all []reading.Reason) {
		for i := range n {
			all = append(all, reading.Reason{Decision: d, Text: "reason " + string(rune('a'+i))})
		}
		return append(all, reading.Reason{Decision: reading.Accept, Text: "inside"})
	}
	source := reading.Source{Part: "tern", PartHash: "0123456789abcdef", Scope: "bench-1", ScopeHash: "fedcba9876543210", Program: "v1.2.3"}
	for _, c := range []struct {
		name   string
		r      reading.Reading
		want   string
		remark string
	}{
		{"accept", reading.Reading{
			Shot: reading.Shot{View: "die-plan", Lot: "L3101", Sample: "07"}, Verdict: reading.Verdict{Decision: reading.Accept, Reasons: reasons(reading.Reject, 0)},
			Offset:   &reading.Offset{Of: "die", XUm: 7.41, UXUm: 0.2, YUm: -10.8, UYUm: 0.2, ThetaDeg: -0.1333, UTheta: 0.002, Bump: &reading.Bump{Row: 3, Column: 4, MissUm: 12.3, UUm: 0.3}},
			Warnings: []string{"mark F3 is covered"},
		}, `ACCEPT   lot 7/a\nb.png

Everything that was measured is inside its limits.
Note: mark F3 is covered.

die X   7.4 ± 0.4 µm
die Y   −10.8 ± 0.4 µm
die θ   (−0.133 ± 0.004)°
worst bump, row 3 column 4: 12.3 ± 0.6 µm beside its pad
(± is the expanded uncertainty, k = 2)

lot L3101, sample 07
view die-plan, part tern (version 01234567), scope bench-1 (version fedcba98)
measured 2031-03-04 12:45:00 by plumbsquare v1.2.3
`, "mark F3 is covered"},
		{"retake", reading.Reading{
			Shot: reading.Shot{View: "die-plan"}, Verdict: reading.Verdict{Decision: reading.Retake},
			Refusal: &reading.Refusal{Gate: "focus", Instruction: "focus on the die's upper edge"},
		}, `RETAKE   lot 7/a\nb.png

Take this picture again: focus on the die's upper edge.

view die-plan, part tern (version 01234567), scope bench-1 (version fedcba98)
measured 2031-03-04 12:45:00 by plumbsquare v1.2.3
`, "focus: focus on the die's upper edge"},
		{"reject, with more reasons than anybody reads", reading.Reading{
			Shot: reading.Shot{View: "column-plan"}, Verdict: reading.Verdict{Decision: reading.Reject, Reasons: reasons(reading.Reject, 14)},
			Array: &reading.Array{Kind: "columns", Sites: make([]reading.Site, 9), Present: 7, Missing: 2, Tilted: 1},
		}, `REJECT   lot 7/a\nb.png

Outside the limits:
  - reason a
  - reason b
  - reason c
  - reason d
  - reason e
  - reason f
  - reason g
  - reason h
  - reason i
  - reason j
  - reason k
  - reason l
  - and 2 more

9 columns: 7 present, 2 missing, 1 tilted
(± is the expanded uncertainty, k = 2)

view column-plan, part tern (version 01234567), scope bench-1 (version fedcba98)
measured 2031-03-04 12:45:00 by plumbsquare v1.2.3
`, "reason a; reason b; and 12 more"},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.r.Source = source
			a := NewAnswers(&c.r, at, Picture{Path: "lot 7/a\nb.png"})[0]
			if d := cmp.Diff(c.want, a.Text()); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
			if got := a.Remark(); got != c.remark {
				t.Errorf("remark %q, want %q", got, c.remark)
			}
		})
	}
}

func TestStatusText(t *testing.T) {
	now := time.Date(2031, 3, 4, 12, 45, 0, 0, time.Local)
	s := Status{
		Inbox: "/srv/inbox", Machine: "bench", Started: now.Add(-time.Hour), Written: now.Add(-5 * time.Second), Settling: 1, Queued: 2,
		Counts: StatusCounts{NeedsInfo: 3}, NeedsInfo: []Waiting{{"a\nb.png", "not known: lot"}},
		Verdicts: map[reading.Decision]int{reading.Accept: 4}, Recent: []Recent{{now, "c.png", reading.Accept, "fine"}},
	}
	want := `/srv/inbox on bench: watching since 2031-03-04 11:45:00
  1 arriving, 2 to be measured, 3 in needs-info, 0 set aside
  verdicts since it started: 4 accept, 0 reject, 0 review, 0 retake
waiting for particulars, see needs-info
  a\nb.png: not known: lot
  and 2 more
the last verdicts
  12:45:00  accept  c.png  fine
`
	if d := cmp.Diff(want, s.Text(now)); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	head := func() string { return strings.SplitN(s.Text(now), "\n", 2)[0] }
	s.Troubles = []string{"the disk is full"}
	if got := head(); !strings.HasSuffix(got, "IN TROUBLE") || !s.Alive(now) {
		t.Errorf("in trouble: %s", got)
	}
	s.Written = now.Add(-2 * time.Minute)
	if got := head(); !strings.Contains(got, "NO SIGN OF LIFE since 2031-03-04 12:43:00") || s.Alive(now) {
		t.Errorf("dead: %s", got)
	}
	s.Ended = true
	if got := head(); !strings.Contains(got, "ended 2031-03-04 12:43:00") {
		t.Errorf("ended: %s", got)
	}
}

// The text format of Prometheus, version 0.0.4 (prometheus.io, "Exposition formats"): lines of HELP
// and TYPE before the samples of a name, label values in double quotes, each name once.
func TestMetrics(t *testing.T) {
	s := Status{Queued: 2, Counts: StatusCounts{SetAside: 1}, Verdicts: map[reading.Decision]int{reading.Retake: 3}, Recent: []Recent{{At: time.Unix(1930000000, 0)}}}
	var b strings.Builder
	if err := s.WriteMetrics(&b); err != nil {
		t.Fatal(err)
	}
	types := map[string]int{}
	name := ""
	for line := range strings.Lines(b.String()) {
		words := strings.Fields(line)
		switch {
		case strings.HasPrefix(line, "# TYPE "):
			name = words[2]
			types[name]++
		case !strings.HasPrefix(line, "#") && line[:strings.IndexAny(line, " {")] != name:
			t.Errorf("sample %q stands under %s", line, name)
		}
	}
	for n, times := range types {
		if times != 1 {
			t.Errorf("%s has %d types", n, times)
		}
	}
	for _, want := range []string{
		"plumbsquare_shots_total{verdict=\"retake\"} 3\n", "plumbsquare_pictures{state=\"queued\"} 2\n",
		"plumbsquare_pictures{state=\"set-aside\"} 1\n", "plumbsquare_last_verdict_time_seconds 1.93e+09\n",
	} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in\n%s", want, b.String())
		}
	}
}
