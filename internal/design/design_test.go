package design_test

import (
	"math"
	"strings"
	"testing"

	"plumbsquare/internal/design"
	"plumbsquare/internal/spc"
)

// Designs must keep the wish: false alarms as seldom as asked for, and means that signal soon enough
// with no subgroup smaller doing so.
func TestForShiftKeepsTheWish(t *testing.T) {
	for _, w := range []design.Wish{
		{Shift: 0.3, Every: 1000, Subgroup: 1, Signal: 5}, {Shift: 0.5, Every: 200, Subgroup: 5, Signal: 1.5},
		{Shift: 1, Every: 370, Subgroup: 1, Signal: 2}, {Shift: 1.25, Every: 100, Subgroup: 2, Signal: 1.05},
		{Shift: 2.5, Every: 2000, Subgroup: 1, Signal: 1.2},
	} {
		d, err := design.ForShift(w)
		if err != nil {
			t.Fatal(err)
		}
		for name, run := range map[string]func(float64) (spc.RunLength, error){"EWMA": d.EWMA.RunLength, "CUSUM": d.CUSUM.RunLength} {
			if r, err := run(0); err != nil || math.Abs(r.Mean/w.Every-1) > 1e-6 {
				t.Errorf("%+v: %s: a false alarm every %v points (%v)", w, name, r.Mean, err)
			}
		}
		missed := func(n int) float64 {
			return 1 / (1 - spc.Shewhart{Width: d.Width}.Miss(w.Shift*math.Sqrt(float64(n))))
		}
		if d.MeansAfter > w.Signal || d.SampleSize > 1 && missed(d.SampleSize-1) <= w.Signal {
			t.Errorf("%+v: subgroups of %d signal after %v, of one fewer after %v; want the fewest", w, d.SampleSize, d.MeansAfter, missed(d.SampleSize-1))
		}
	}
	if _, err := design.ForShift(design.Wish{Shift: 5, Every: 50}); err == nil || !strings.Contains(err.Error(), "single points") {
		t.Errorf("a move that single points see at once: got %v", err)
	}
}

// The subgroup only scales the move: EWMA and CUSUM of means of n are those of single values whose
// level moves √n as far.
func TestSubgroupScalesTheMove(t *testing.T) {
	a, err1 := design.ForShift(design.Wish{Shift: 0.5, Subgroup: 4})
	b, err2 := design.ForShift(design.Wish{Shift: 1})
	if err1 != nil || err2 != nil {
		t.Fatal(err1, err2)
	}
	if a.EWMA != b.EWMA || a.CUSUM != b.CUSUM || a.EWMAAfter != b.EWMAAfter {
		t.Errorf("got %+v, want %+v", a, b)
	}
}

func TestRunLengthsFall(t *testing.T) {
	d, err := design.ForShift(design.Wish{Shift: 1, Every: 500})
	if err != nil {
		t.Fatal(err)
	}
	curves, err := d.RunLengths(3, []spc.Rule{spc.Nelson1, spc.Nelson2, spc.Nelson5, spc.Nelson6})
	if err != nil {
		t.Fatal(err)
	}
	if len(curves) != 4 {
		t.Fatalf("got %d curves, want 4", len(curves))
	}
	for _, c := range curves {
		for i := 1; i < len(c.Y); i++ {
			if c.Y[i] > c.Y[i-1]*(1+1e-9) || c.Y[i] < 1 {
				t.Errorf("%s: %v points at %v after %v at %v", c.Name, c.Y[i], c.X[i], c.Y[i-1], c.X[i-1])
			}
		}
	}
	// NIST/SEMATECH e-Handbook of Statistical Methods, section 6.2.3.2: n = 52, c = 3 accepts
	// 0.01 with 0.998, 0.02 with 0.980, 0.03 with 0.930, 0.04 with 0.845, 0.05 with 0.739, 0.06 with 0.620.
	p, err := spc.NewPlan(52, 3)
	if err != nil {
		t.Fatal(err)
	}
	oc := design.Describe("handbook", p, 0).OC(0.24)
	for k, want := range []float64{0.998, 0.980, 0.930, 0.845, 0.739, 0.620} {
		i := 10 * (k + 1)
		if math.Abs(oc.X[i]-0.01*float64(k+1)) > 1e-12 || math.Abs(oc.Y[i]-want) > 0.0011 { // the table's last digits differ by one
			t.Errorf("at %v: %v, want %v", oc.X[i], oc.Y[i], want)
		}
	}
}

// Operating characteristics in closed form: a point of means of n misses a move by δ with
// Φ(L − δ√n) − Φ(−L − δ√n); an s chart of 2 values with upper limit U = c4 + 3·c5 misses a spread r times as
// large with 2Φ(U/r) − 1, since s is |x₁−x₂|/√2.
func TestMisses(t *testing.T) {
	d, err := design.ForShift(design.Wish{Shift: 1, Every: 500})
	if err != nil {
		t.Fatal(err)
	}
	phi := func(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
	curves := d.Misses(2)
	if len(curves) != 4 || curves[0].Name != "x̄ of 1" || curves[2].Name != "x̄ of 10" {
		t.Fatalf("got %d curves, the first %q", len(curves), curves[0].Name)
	}
	for k, n := range []float64{1, 3, 10, 20} {
		for i, x := range curves[k].X {
			want := phi(d.Width-x*math.Sqrt(n)) - phi(-d.Width-x*math.Sqrt(n))
			if math.Abs(curves[k].Y[i]-want) > 1e-12 {
				t.Errorf("n %v, move %v: %v, want %v", n, x, curves[k].Y[i], want)
			}
		}
	}
	spread, err := design.SpreadMisses(2, 3)
	if err != nil {
		t.Fatal(err)
	}
	c4 := math.Sqrt(2 / math.Pi)
	upper := c4 + 3*math.Sqrt(1-c4*c4)
	for i, r := range spread[0].X {
		// The range of two values is √2 times their standard deviation: both charts are one.
		if want := 2*phi(upper/r) - 1; math.Abs(spread[0].Y[i]-want) > 1e-9 || math.Abs(spread[1].Y[i]-want) > 1e-9 {
			t.Errorf("spread times %v: s %v, R %v, want %v", r, spread[0].Y[i], spread[1].Y[i], want)
		}
	}
	if _, err := design.SpreadMisses(1, 3); err == nil {
		t.Error("subgroups of one: want an error")
	}
}

// The switching rules of ISO 2859-1:1999, clause 9.3, for lots of 800 at level II and AQL 1 %: letter J,
// 80 units, accept 2 under normal and 1 under tightened inspection (tables 2-A and 2-B).
// Of a lot of 10, 5 are pulled and one nonconforming is allowed: with D in the lot it passes with
// (C(10−D,5) + D·C(10−D,4))/C(10,5), which is 1 for one, 0.78 for two, 0.10 for five and 0.024 for six.
func TestDescribeLot(t *testing.T) {
	p, err := spc.NewPlan(5, 1)
	if err != nil {
		t.Fatal(err)
	}
	s := design.Describe("small", p, 10)
	if s.Passes != 1 || s.Stopped != 6 {
		t.Errorf("passes with %d, stopped with %d; want 1 and 6", s.Passes, s.Stopped)
	}
	// Of the quality that is accepted 95 times in 100, five more are sorted 5 times in 100.
	if math.Abs(s.ATI-(5+0.05*5)) > 1e-9 {
		t.Errorf("%v units are looked at, want 5.25", s.ATI)
	}
	if all, err := spc.NewPlan(3, 2); err != nil || design.Describe("lax", all, 100).Stopped != 97 {
		t.Errorf("a plan of 3 that accepts on 2: %+v, %v", design.Describe("lax", all, 100), err)
	}
}

func TestInspectSwitches(t *testing.T) {
	for _, c := range []struct {
		name string
		bad  []int
		want []spc.InspectionState // that of each lot, and that of the next
	}{
		{"accepted", []int{0, 2}, []spc.InspectionState{0, 0, 0}},
		{"two of five", []int{3, 0, 0, 0, 3}, []spc.InspectionState{0, 0, 0, 0, 0, spc.InspectTightened}},
		{"two of six", []int{3, 0, 0, 0, 0, 3}, []spc.InspectionState{0, 0, 0, 0, 0, 0, 0}},
		{"back after five", []int{3, 3, 1, 0, 1, 0, 1}, []spc.InspectionState{0, 0, 1, 1, 1, 1, 1, spc.InspectNormal}},
		{"stopped", []int{3, 3, 2, 2, 0, 2, 2, 2}, []spc.InspectionState{0, 0, 1, 1, 1, 1, 1, 1, spc.InspectStopped}},
		{"resumed", []int{3, 3, 2, 2, 2, 2, 2, 0}, []spc.InspectionState{0, 0, 1, 1, 1, 1, 1, 1, spc.InspectTightened}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var lots []design.Lot
			for _, bad := range c.bad {
				lots = append(lots, design.Lot{Size: 800, Nonconforming: bad})
			}
			judged, next, err := design.Inspect("II", 1, lots, false)
			if err != nil {
				t.Fatal(err)
			}
			for i, j := range judged {
				accept := 2
				if j.Plan.State == spc.InspectTightened {
					accept = 1
				}
				if j.Plan.State != c.want[i] || j.Plan.N != 80 || j.Plan.Accept != accept || j.Accepted != (c.bad[i] <= accept) {
					t.Errorf("lot %d: %v, %d of %d, accepted %v; want %v", i+1, j.Plan.State, j.Plan.Accept, j.Plan.N, j.Accepted, c.want[i])
				}
			}
			if next.State != c.want[len(c.bad)] {
				t.Errorf("next lot: %v, want %v", next.State, c.want[len(c.bad)])
			}
		})
	}
	// Ten lots without fault at 3 points each open reduced inspection: 32 of 800 and, by table II-C, lots
	// with 1 or 2 are accepted, but those with 2 end it.
	lots := make([]design.Lot, 12)
	for i := range lots {
		lots[i].Size = 800
	}
	lots[10].Nonconforming, lots[11].Nonconforming = 1, 2
	judged, next, err := design.Inspect("II", 1, lots, true)
	if err != nil {
		t.Fatal(err)
	}
	if p := judged[10].Plan; p.State != spc.InspectReduced || p.N != 32 || p.Accept != 1 || p.Reject != 3 {
		t.Errorf("lot 11 is inspected by %+v, want reduced inspection of 32, accept 1, reject 3", p)
	}
	if !judged[11].Accepted || judged[11].After != spc.InspectNormal || next.State != spc.InspectNormal {
		t.Errorf("lot 12 with 2 nonconforming: %+v, want accepted and back to normal", judged[11])
	}
	for name, lots := range map[string][]design.Lot{"too many": {{Size: 800, Nonconforming: 81}}, "one unit": {{Size: 1}}} {
		if _, _, err := design.Inspect("II", 1, lots, false); err == nil {
			t.Errorf("%s: want an error", name)
		}
	}
}
