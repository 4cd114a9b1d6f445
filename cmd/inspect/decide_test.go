package main

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"plumbsquare/internal/reading"
)

// lineStart is when the invented line of these tests begins its day.
var lineStart = time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)

// driftingLine is the invented readings of a line: lots of five dies, one every ten minutes; from
// lot 30 on X sits 12 µm too far. The third die of each tenth lot is in review.
func driftingLine(lots int) []*reading.Reading {
	rng := rand.New(rand.NewPCG(31, 4))
	var all []*reading.Reading
	var level float64
	for i := range lots * 5 {
		lot := i / 5
		if i%5 == 0 {
			if level = 2 * rng.NormFloat64(); lot >= 30 {
				level += 12
			}
		}
		sum := sha256.Sum256(fmt.Append(nil, "drifting", i))
		r := &reading.Reading{Schema: reading.Schema, Verdict: reading.Verdict{Decision: reading.Accept}}
		r.Source = reading.Source{Picture: fmt.Sprintf("L%d-%d.png", 3100+lot, i%5), SHA256: hex.EncodeToString(sum[:]), Part: "tern", PartHash: "p", Scope: "bench-1", ScopeHash: "s"}
		r.Shot = reading.Shot{View: reading.DiePlan, Lot: fmt.Sprintf("L%d", 3100+lot), Sample: fmt.Sprintf("L%d-%d", 3100+lot, i%5), Head: fmt.Sprintf("H%d", 1+i%2), Operator: "A",
			TakenAt: lineStart.Add(time.Duration(i) * 10 * time.Minute).Format(time.RFC3339)}
		r.Offset = &reading.Offset{Of: "die", XUm: level + rng.NormFloat64(), YUm: 3 * rng.NormFloat64(), ThetaDeg: rng.NormFloat64() / 100, UXUm: 0.3, UYUm: 0.3, UTheta: 0.002}
		if lot%10 == 9 && i%5 == 2 {
			r.Verdict = reading.Verdict{Decision: reading.Review, Reasons: []reading.Reason{{What: "offset_x_um", Decision: reading.Review, Value: 24.9, Expanded: 0.6, Limit: 25, Text: "offset X, 24.9 ± 0.6 µm, straddles its limit of 25 µm"}}}
		}
		all = append(all, r)
	}
	return all
}

// lineStore makes a store of a drifting line and returns its address.
func lineStore(t *testing.T, lots int) string {
	t.Helper()
	dir := t.TempDir()
	var b strings.Builder
	enc := json.NewEncoder(&b)
	for _, r := range driftingLine(lots) {
		if err := enc.Encode(r); err != nil {
			t.Fatal(err)
		}
	}
	file, at := filepath.Join(dir, "line.jsonl"), filepath.Join(dir, "line.db")
	if err := os.WriteFile(file, []byte(b.String()), 0o666); err != nil {
		t.Fatal(err)
	}
	inspect(t, 0, "store", "import", "--store", at, file)
	return at
}

// inspect runs the program and returns what it printed.
func inspect(t *testing.T, status int, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, errs strings.Builder
	if got := run(args, &out, &errs); got != status {
		t.Fatalf("inspect %q: status %d, want %d\n%s%s", args, got, status, out.String(), errs.String())
	}
	return out.String(), errs.String()
}

// A signal's whole life from the command line, and what comes of it on the chart.
func TestDecisions(t *testing.T) {
	at := lineStore(t, 40)
	do := func(status int, want string, args ...string) {
		t.Helper()
		out, errs := inspect(t, status, append(args, "--store", at)...)
		for _, line := range strings.Split(want, "\n") {
			if !strings.Contains(out+errs, line) {
				t.Errorf("inspect %q: printed\n%s%swant it to hold %q", args, out, errs, line)
			}
		}
	}
	do(1, "phase 2 started: x_um of tern die-plan, centre -0.3\n2 new signals, 0 going on\nx̄ of offset X: one point beyond a control limit (above), lot L3130 of 2031-03-04 07:00", "signal", "update")
	do(0, "0 new signals, 0 going on", "signal", "update")
	do(0, "no signals", "signal", "list", "--value", "y_um")
	do(3, "signal 1 is open: acknowledge it first", "signal", "close", "1", "--by", "E. Early", "--why", "w")
	do(3, "signal 1 acknowledged\nthere is no signal 9", "signal", "acknowledge", "1", "9", "--cause", "nozzle N3 worn", "--action", "nozzle N3 changed", "--by", "E. Early")
	do(0, "acknowledged\ncause: nozzle N3 worn", "signal", "list")
	do(0, "signal 1 closed", "signal", "close", "1", "--by", "E. Early", "--why", "ten good lots since")
	do(0, "signal 1, closed\naction: nozzle N3 changed\nL3130  2031-03-04 07:00  151\nten good lots since", "signal", "show", "1")
	do(0, `"state":"closed","cause":"nozzle N3 worn"`, "signal", "list", "--state", "closed", "--json")
	do(0, "signal 1 reopened", "signal", "reopen", "1", "--by", "E. Early", "--why", "the wrong one")

	do(0, "event 1 of 2031-03-04 11:00 UTC added: nozzle N3 changed", "event", "add", "nozzle N3 changed", "--at", "2031-03-04T11:00:00Z", "--head", "H1", "--by", "E. Early")
	do(0, "H1", "event", "list", "--head", "H1")
	do(0, "no events", "event", "list", "--head", "H2")

	do(0, "L3129-2  waits     offset X, 24.9 ± 0.6 µm, straddles its limit of 25 µm", "review", "list")
	do(3, "shot 147 isn't in review: the measurement says accept\nshot 148 accepted by E. Early", "review", "decide", "147", "148", "--accept", "--by", "E. Early", "--why", "measured again")
	do(0, "accept, E. Early: measured again", "review", "list", "--all", "--lot", "L3129")
	do(0, "review, accept by E. Early: measured again", "lot", "show", "L3129")
	do(0, `"review":1,"retake":0,"review_accepted":1`, "lot", "show", "L3129", "--json")
	do(0, "L3139\n1 (1 waiting)", "lot", "list", "-n", "1")

	do(0, "individuals of lots  11.97\nlimits: 10 lots from 2031-03-04 07:00", "phase", "start", "--part", "tern", "--value", "x_um", "--from", "2031-03-04T07:00:00Z", "--try")
	do(0, "phase 1\nphase 2\nphase 3", "changes", "--what", "phase")
	chart := filepath.Join(t.TempDir(), "x.svg")
	do(0, "limits fixed: 25 lots\nsignal 1 at point 31, acknowledged: nozzle N3 worn; done: nozzle N3 changed", "chart", "--part", "tern", "--value", "x_um", "-o", chart)
	do(0, "2 signals of the limits before superseded, 0 new", "phase", "start", "--part", "tern", "--value", "x_um", "--from", "2031-03-04T07:00:00Z", "--by", "E. Early", "--why", "new nozzle")
	do(0, "x̄, new nozzle   31–40\nno point breaks a rule", "chart", "--part", "tern", "--value", "x_um", "-o", chart)
	svg, err := os.ReadFile(chart)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{">nozzle N3 changed<", ">new nozzle<", ">first<", ">L3100<"} {
		if !strings.Contains(string(svg), want) {
			t.Errorf("the chart has no %s", want)
		}
	}
	do(0, "phase 4 withdrawn", "phase", "withdraw", "4", "--by", "E. Early", "--why", "the old nozzle is back")
	do(0, "2031-03-04 07:00  2031-03-04 13:40", "signal", "list")
	do(0, "95 values in 19 lots of 5", "chart", "--part", "tern", "--value", "x_um", "-n", "98")
	do(0, "lot     40      97 %", "chart", "--part", "tern", "--value", "x_um", "--kind", "factors", "--by", "head,lot")
	do(0, "(t2 of x_um,y_um)", "chart", "--part", "tern", "--value", "x_um,y_um", "--kind", "t2")
	do(0, "capability against −30 to 30", "chart", "--part", "tern", "--value", "x_um", "--lower", "-30", "--upper", "30")

	do(0, "E. Early         signal 1            acknowledged  nozzle N3 worn\nE. Early         phase 4             withdrawn     the old nozzle is back", "changes")
}

// What can't be done is said with the way out.
func TestDecisionsRefuse(t *testing.T) {
	at := lineStore(t, 2)
	for _, c := range []struct {
		args   string
		status int
		want   string
	}{
		{"signal list --store no.db", 3, "store no.db: there is no such file"},
		{"signal list", 2, "which store? Give --store AT, or run this where station.yaml names it"},
		{"signal list --store AT --state opne", 2, "--state: want open, acknowledged, closed or all"},
		{"signal list --store AT --since 2031-13-01", 2, "--since: want a time such as 2031-03-05"},
		{"signal list --store AT --since 2031-03-02 --until 2031-03-01", 2, "isn't before --until"},
		{"signal list --store AT --view die", 2, "--view: want one of die-plan, die-ir, "},
		{"signal show x --store AT", 2, "want the number of a signal, as inspect signal list shows it"},
		{"signal acknowledge 1 --store AT --by A --cause c", 2, "Give --cause and --action"},
		{"signal close 1 --store AT --why w", 2, "who decides? Give --by NAME"},
		{"signal close 1 --store AT --by A", 2, "why? Give --why"},
		{"event add --store AT --by A", 2, "there is no word after the command"},
		{"event withdraw 1 --store AT --by A --why w", 3, "there is no event 1"},
		{"phase start --store AT --by A --why w", 2, "which chart? Give --part and --value"},
		{"phase start --store AT --part tern --value x --by A --why w", 2, `no quantity is called "x"`},
		{"phase start --store AT --part tern --value x_um --by A --why w", 3, "limits from 2 lots: want at least 5"},
		{"phase start --store AT --part tern --value x_um --kind u --by A --why w", 2, "--kind u isn't for x_um"},
		{"phase start --store AT --part tern --value x_um --centre 0 --by A --why w", 2, "--centre needs --sigma"},
		{"phase start --store AT --part plover --value x_um --by A --why w", 3, "the store has no x_um of plover"},
		{"review decide 1 --store AT --by A --why w", 2, "which way? Give --accept or --reject"},
		{"lot show L9 --store AT", 3, `there is no lot "L9"`},
		{"review decide A --store AT --accept --by A --why w", 2, "want the number of a shot in review, as inspect review list shows it"},
		{"check withdraw A --store AT --by A --why w", 2, "want the number of a check sample, as inspect check list shows it"},
		{"check add --store AT --part tern --by A --why w", 2, "is missing"},
		{"check add --store AT --part tern --sample CS --view die --value x_um --reference 1 --u 1 --by A --why w", 2, "--view: want one of die-plan, die-ir, "},
		{"changes --store AT --what thing", 2, "--what: want one of signal, phase, event, review, check sample"},
		{"chart --store AT", 2, "which part? Give --part NAME"},
		{"chart x.csv --store AT", 2, "a file or a store?"},
		{"chart", 2, "what to chart? Give a FILE"},
		{"chart --store AT --part wren", 3, "the store has no value of wren"},
		{"chart --store AT --part tern --view column-plan", 3, "the store has no value of tern column-plan"},
		{"chart --store AT --part tern --since 2032-01-01", 3, "the store has no x_um of tern die-plan in these shots"},
	} {
		var out, errs strings.Builder
		got := run(strings.Fields(strings.ReplaceAll(c.args, "AT", at)), &out, &errs)
		if got != c.status || !strings.Contains(errs.String(), c.want) {
			t.Errorf("inspect %s: status %d, want %d; said %swant %s", c.args, got, c.status, errs.String(), c.want)
		}
	}
}
