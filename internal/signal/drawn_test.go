package signal_test

import (
	"strings"
	"testing"
	"time"

	"plumbsquare/internal/series"
	"plumbsquare/internal/signal"
	"plumbsquare/internal/store"
)

// Limits of the flow rates in NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.2.
var flow = []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}

func TestDraw(t *testing.T) {
	stated := func(id int64, from int, centre float64, byLot bool) store.Phase {
		ph := individuals(centre, 2)
		ph.ID, ph.Name, ph.ByLot, ph.Start, ph.Source = id, "p", byLot, start.Add(time.Duration(from)*10*time.Minute), "agreed"
		return ph
	}
	for _, c := range []struct {
		name    string
		phases  []store.Phase
		limits  []float64 // centre of each phase drawn
		points  int
		leftOut int
	}{
		{"no phase: estimated", nil, []float64{50.81}, 10, 0},
		{"one phase of all", []store.Phase{stated(1, 0, 50, false)}, []float64{50}, 10, 0},
		{"two phases", []store.Phase{stated(1, 0, 50, false), stated(2, 6, 52, false)}, []float64{50, 52}, 10, 0},
		{"enough before: limits of their own", []store.Phase{stated(1, 6, 52, false)}, []float64{(49.6 + 47.6 + 49.9 + 51.3 + 47.8 + 51.2) / 6, 52}, 10, 0},
		{"too few before: left out", []store.Phase{stated(1, 3, 52, false)}, []float64{52}, 7, 3},
		{"another kind before: left out", []store.Phase{stated(1, 0, 50, true), stated(2, 4, 52, false)}, []float64{52}, 6, 4},
		{"a phase to come", []store.Phase{stated(1, 0, 50, false), stated(2, 60, 52, false)}, []float64{50}, 10, 0},
		{"a phase without a shot", []store.Phase{stated(1, 0, 50, false), stated(2, 5, 51, false), stated(3, 5, 52, false)}, []float64{50, 52}, 10, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := signal.Draw(line(2, flow...), c.phases)
			if err != nil {
				t.Fatal(err)
			}
			ch := d.Charts[0]
			if len(ch.Points) != c.points || len(d.Points) != c.points || d.LeftOut != c.leftOut {
				t.Errorf("%d points, %d left out; want %d, %d", len(ch.Points), d.LeftOut, c.points, c.leftOut)
			}
			var got []float64
			for _, ph := range ch.Phases {
				got = append(got, ph.Center)
				if ph.Name == "p" && ph.Source != "limits fixed: agreed" {
					t.Errorf("limits from %q", ph.Source)
				}
			}
			if len(got) != len(c.limits) {
				t.Fatalf("centres %v, want %v", got, c.limits)
			}
			for i := range got {
				if d := got[i] - c.limits[i]; d > 1e-9 || d < -1e-9 {
					t.Errorf("centres %v, want %v", got, c.limits)
				}
			}
		})
	}
}

// Lots are drawn by their means, with how many shots stand behind each.
func TestDrawLots(t *testing.T) {
	ph := individuals(50, 1)
	ph.ByLot = true
	d, err := signal.Draw(line(4, flow...), []store.Phase{ph})
	if err != nil {
		t.Fatal(err)
	}
	p := d.Charts[0].Points
	if len(p) != 3 || p[0].Size != 4 || p[2].Size != 2 || p[2].Value != (53.6+52.1)/2 || d.Points[1].Name != "L001" || d.Charts[0].Statistic != "x̄" {
		t.Errorf("%+v of %+v", p, d.Points)
	}
}

func TestDrawNothing(t *testing.T) {
	if _, err := signal.Draw(nil, nil); err == nil || !strings.Contains(err.Error(), "individuals chart") {
		t.Errorf("nothing to draw: %v", err)
	}
}

func TestSuggest(t *testing.T) {
	counts := func(n ...float64) []signal.Sample {
		s := line(1, n...)
		for i := range s {
			s[i].Size = 100
		}
		return s
	}
	noLot := line(2, flow...)
	noLot[3].Lot = ""
	for _, c := range []struct {
		name     string
		samples  []signal.Sample
		quantity string
		kind     series.Kind
		byLot    bool
	}{
		{"a shot a lot", line(1, flow...), "x_um", series.Individuals, false},
		{"several shots a lot", line(2, flow...), "x_um", series.Individuals, true},
		{"a shot without a lot", noLot, "x_um", series.Individuals, false},
		{"counts as a Poisson law has them", counts(2, 3, 1, 4, 2, 3, 2, 1), "missing", series.U, false},
		{"counts of good and bad lots", counts(0, 30, 0, 25, 1, 40, 0, 33), "missing", series.LaneyU, false},
	} {
		kind, byLot := signal.Suggest(c.samples, c.quantity)
		if kind != c.kind || byLot != c.byLot {
			t.Errorf("%s: %s, by lot %v; want %s, %v", c.name, kind, byLot, c.kind, c.byLot)
		}
	}
}
