package main

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/synth"
)

func tern() options {
	return options{n: 6, seed: 3, widthPx: 512, workers: 2, parts: "../../examples/parts/tern.yaml"}
}

// The same seeds give the same table, however many work at it; every picture is in it.
func TestTableOfFaults(t *testing.T) {
	var first strings.Builder
	o := tern()
	if err := run(context.Background(), &first, o); err != nil {
		t.Fatal(err)
	}
	var second strings.Builder
	o.workers = 1
	if err := run(context.Background(), &second, o); err != nil {
		t.Fatal(err)
	}
	if first.String() != second.String() {
		t.Errorf("two runs differ:\n%s\n%s", &first, &second)
	}
	head, _, _ := strings.Cut(first.String(), "\n\n")
	lines := strings.Split(head, "\n")
	if last := strings.Fields(lines[len(lines)-1]); len(lines) != 8 || last[0] != "all" || last[1] != "6" {
		t.Errorf("want a head, 6 faults and their sum of 6 pictures, got:\n%s", head)
	}
}

func TestOneSeedIsDrawnAgain(t *testing.T) {
	o := tern()
	o.only = 7
	o.out, o.overlay = filepath.Join(t.TempDir(), "p.png"), filepath.Join(t.TempDir(), "o.png")
	var w strings.Builder
	if err := run(context.Background(), &w, o); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(w.String(), "seed 7") {
		t.Errorf("got %q", w.String())
	}
	for _, path := range []string{o.out, o.overlay} {
		if info, err := os.Stat(path); err != nil || info.Size() < 1000 {
			t.Errorf("%s: %v", path, err)
		}
	}
}

func TestFaultsAreChosenByName(t *testing.T) {
	o := tern()
	o.n, o.kind = 2, "^no die$"
	var w strings.Builder
	if err := run(context.Background(), &w, o); err != nil {
		t.Fatal(err)
	}
	if table, _, _ := strings.Cut(w.String(), "\n\n"); strings.Count(table, "\n") != 2 || !strings.Contains(table, "no die  2") {
		t.Errorf("got\n%s", table)
	}
}

// Parts varied at random can be drawn and measured in every view.
func TestEveryViewIsTortured(t *testing.T) {
	for view, part := range map[string]string{"die-ir": "plover", "cap-plan": "tern"} {
		o := tern()
		o.n, o.view, o.parts = 3, view, "../../examples/parts/"+part+".yaml"
		var w strings.Builder
		if err := run(context.Background(), &w, o); err != nil {
			t.Fatalf("%s: %v", view, err)
		}
		if strings.Contains(w.String(), classNames[programError]+":") {
			t.Errorf("%s: got\n%s", view, &w)
		}
	}
	o := tern()
	o.view = "roof-plan"
	if err := run(context.Background(), new(strings.Builder), o); err == nil {
		t.Error("a view that can't be tortured: want an error")
	}
}

// What once went wrong stays right: defocus taken for motion or hidden marks, marks outside for hidden
// ones or another part, a turned pattern that looks like itself upright, bumps and grain for marks.
func TestSeedsThatOnceWentWrong(t *testing.T) {
	const parts = "../../examples/parts/"
	for _, c := range []struct {
		view, parts string
		seeds       []uint64
	}{
		{"die-plan", parts + "tern.yaml," + parts + "wren.yaml", []uint64{228, 257, 572, 631, 2100, 2710, 3766, 4412}},
		{"die-ir", parts + "plover.yaml", []uint64{67, 78, 171, 193, 10060}},
		{"cap-plan", parts + "tern.yaml", []uint64{21}}, // a side outside taken for a hidden one
	} {
		for _, seed := range c.seeds {
			o := options{view: c.view, parts: c.parts, only: seed}
			var w strings.Builder
			if err := run(context.Background(), &w, o); err != nil {
				t.Fatal(err)
			}
			if got := w.String(); !strings.HasPrefix(got, classNames[refusedRight]+":") {
				t.Errorf("%s: %s", c.view, got)
			}
		}
	}
}

func TestJudgeClasses(t *testing.T) {
	number := func(v float64) *float64 { return &v }
	marked := func(state, other string) *synth.Truth {
		return &synth.Truth{
			DXUm: number(10), DYUm: number(0), ThetaDeg: number(0), LeverUm: 5000, UmPerPx: 12, WidthPx: 500, HeightPx: 500,
			Marks: []synth.MarkTruth{{Name: "F1", XPx: 100, YPx: 100, State: "ok"}, {Name: "F2", XPx: 400, YPx: 100, State: state}, {Name: "F3", XPx: 400, YPx: 400, State: other}},
		}
	}
	truth := marked("ok", "ok")
	measured := func(xUm, uUm float64, reasons ...reading.Reason) *reading.Reading {
		return &reading.Reading{
			Offset:  &reading.Offset{XUm: xUm, UXUm: uUm, UYUm: uUm, UTheta: 1},
			Verdict: reading.Verdict{Reasons: reasons},
		}
	}
	refused := func(gate string) *reading.Reading {
		return &reading.Reading{Refusal: &reading.Refusal{Gate: gate}}
	}
	good, bad, odd := kind{}, kind{gates: another}, kind{gates: another, either: true}
	wide := reading.Reason{What: "width_um", Decision: reading.Reject}
	const um = 12.0
	marks := &part.Marks{Shape: part.Disc, DiameterMm: 0.5, At: []part.Place{{Name: "F1"}, {Name: "F2"}, {Name: "F3"}}}
	s := &scene{Scene: &synth.Scene{Part: &part.Part{Marks: marks}, Scope: &scope.Scope{UmPerPxX: um, UmPerPxY: um}}}
	for name, c := range map[string]struct {
		k    kind
		r    *reading.Reading
		want class
	}{
		"right":              {good, measured(10.2, 0.1), measuredRight},
		"too sure":           {good, measured(10.5, 0.1), unsureOfItself},
		"gross":              {good, measured(10+1.1*um, 100), grossError},
		"refused":            {good, refused("defocus"), refusedThoughGood},
		"another part":       {bad, refused("die-size"), refusedRight},
		"wrong reason":       {bad, refused("defocus"), refusedForWrongReason},
		"measured":           {bad, measured(10, 0.1), acceptedThough},
		"rejected":           {bad, measured(10, 0.1, wide), refusedRight},
		"either, measured":   {odd, measured(10, 0.1), measuredRight},
		"either, gross":      {odd, measured(90, 0.1), grossError},
		"either, refused":    {odd, refused("no-die"), refusedRight},
		"either, odd reason": {odd, refused("defocus"), refusedForWrongReason},
	} {
		if got, _ := judge(s, c.k, truth, c.r); got != c.want {
			t.Errorf("%s: got %s want %s", name, classNames[got], classNames[c.want])
		}
	}

	// What chance hides or puts outside may be refused whatever the kind is.
	out := marked("ok", "ok")
	out.Marks[0].XPx = 15
	for name, c := range map[string]struct {
		truth *synth.Truth
		gate  string
		want  class
	}{
		"one mark open":        {marked("filmed", "absent"), "fiducials-hidden", refusedRight},
		"two marks open":       {marked("ok", "covered"), "fiducials-hidden", refusedThoughGood},
		"a mark over the side": {out, "fiducial-out", refusedRight},
		"all marks inside":     {marked("ok", "ok"), "fiducial-out", refusedThoughGood},
	} {
		if got, _ := judge(s, good, c.truth, refused(c.gate)); got != c.want {
			t.Errorf("%s: got %s want %s", name, classNames[got], classNames[c.want])
		}
	}
	two := kind{gates: another, rejects: true}
	far := measured(90, 0.1, reading.Reason{What: "x_um", Decision: reading.Reject})
	far.Verdict.Decision = reading.Reject
	if got, _ := judge(s, two, truth, far); got != refusedRight {
		t.Errorf("the upper of two dies, rejected: got %s", classNames[got])
	}
}
