package drift_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"plumbsquare/internal/drift"
	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
)

// line invents a line: lots of six units from two heads with two nozzles each, every four hours.
type line struct {
	lots      int
	head      map[string]float64 // offset of each head
	nozzle    map[string]float64 // and of each nozzle
	step      float64            // at lot stepAt
	stepAt    int
	slope     float64 // a lot, from rampAt on, of head H2
	rampAt    int
	betweenSD float64
	seed      uint64
}

func (l line) samples() drift.Samples {
	rng := rand.New(rand.NewPCG(l.seed, 7))
	s := drift.Samples{Quantity: series.Quantity{Name: "offset X", Unit: "µm"}, Factors: []spc.Factor{{Name: "head"}, {Name: "nozzle"}}}
	start := time.Date(2031, 3, 3, 6, 0, 0, 0, time.UTC)
	for lot := range l.lots {
		common := l.betweenSD * rng.NormFloat64()
		for unit := range 8 {
			head := []string{"H1", "H2"}[unit%2]
			nozzle := []string{"N1", "N2"}[unit/2%2]
			v := common + l.head[head] + l.nozzle[head+nozzle] + rng.NormFloat64()
			if lot >= l.stepAt && l.step != 0 {
				v += l.step
			}
			if head == "H2" && lot > l.rampAt {
				v += l.slope * float64(lot-l.rampAt)
			}
			s.Values = append(s.Values, v)
			s.Times = append(s.Times, start.Add(time.Duration(lot)*4*time.Hour+time.Duration(unit)*time.Minute))
			s.Lots = append(s.Lots, fmt.Sprintf("L%02d", lot+1))
			s.Factors[0].Levels = append(s.Factors[0].Levels, head)
			s.Factors[1].Levels = append(s.Factors[1].Levels, nozzle)
		}
	}
	return s
}

func TestLook(t *testing.T) {
	for _, c := range []struct {
		name  string
		line  line
		want  drift.Form
		onset int // point, with one point's grace
		size  float64
	}{
		{"steady", line{lots: 30, betweenSD: 0.5}, drift.Steady, 0, 0},
		{"step", line{lots: 30, betweenSD: 0.5, step: 3, stepAt: 18}, drift.Step, 18, 3},
		{"drift of one head", line{lots: 30, betweenSD: 0.3, slope: 1, rampAt: 14}, drift.Ramp, 15, 7.5},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := drift.Look(c.line.samples(), drift.Options{})
			if err != nil {
				t.Fatal(err)
			}
			if got.Form != c.want || got.Points != 30 || math.Abs(got.Size()-c.size) > 1 {
				t.Errorf("got %s by %v in %d points, want %s by %v in 30", got.Form, got.Size(), got.Points, c.want, c.size)
			}
			if got.Form != drift.Steady && (got.Onset.Number < c.onset-2 || got.Onset.Number > c.onset+2 || got.Earliest.Number > c.onset || got.Latest.Number < c.onset) {
				t.Errorf("since %v (%v to %v), want point %d", got.Onset, got.Earliest, got.Latest, c.onset)
			}
			if strings.Contains(got.Text("µm"), "NaN") {
				t.Error(got.Text("µm"))
			}
		})
	}
}

// A level that wanders is no step and no drift: a move may be claimed, but not without saying so.
func TestLookSaysThatLevelsWander(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 9))
	said := 0
	const runs = 50
	for range runs {
		var s drift.Samples
		level := 0.0
		for range 60 {
			shock := rng.NormFloat64()
			s.Values = append(s.Values, level+shock)
			level += 0.7 * shock
		}
		c, err := drift.Look(s, drift.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if c.Form == drift.Steady || c.Remark != "" {
			said++
		}
	}
	if said < 4*runs/5 {
		t.Errorf("only %d of %d wandering levels were called so", said, runs)
	}
	noise, err := drift.Look(line{lots: 60}.samples(), drift.Options{})
	if err != nil || noise.Remark != "" {
		t.Errorf("noise is remarked on: %q, %v", noise.Remark, err)
	}
}

// A drift of one head is found in that head and no other, and head is the factor that explains most.
func TestAnalyseFindsTheHead(t *testing.T) {
	s := line{lots: 30, betweenSD: 0.3, head: map[string]float64{"H1": 1, "H2": 2}, slope: 0.8, rampAt: 14}.samples()
	study, err := drift.Analyse(s, drift.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if study.Ranked[0].Name != "head" || !study.Ranked[0].Claimed || study.Ranked[1].Claimed {
		t.Errorf("ranked %+v", study.Ranked)
	}
	for _, st := range study.Strata {
		want := drift.Steady
		if st.Factor == "head" && st.Level == "H2" {
			want = drift.Ramp
		}
		if st.Factor == "head" && st.Form != want {
			t.Errorf("%s %s: %s, want %s (q %v)", st.Factor, st.Level, st.Form, want, st.Q)
		}
		if st.Factor == "head" && st.Level == "H2" {
			if math.Abs(st.Slope-0.8*6) > 1 || st.SlopeInterval.Low > 4.8 || st.SlopeInterval.High < 4.8 {
				t.Errorf("slope %v a day (%v), want 4.8", st.Slope, st.SlopeInterval)
			}
		}
	}
	if moved := study.Moved(); len(moved) == 0 || moved[0].Level != "H2" {
		t.Errorf("moved: %+v", moved)
	}
}

func TestCorrect(t *testing.T) {
	tol := spc.Tolerance{Lower: -10, Upper: 10}
	for _, c := range []struct {
		name string
		line line
		opt  drift.CorrectOptions
		want map[string]float64 // correction by name; NaN for none advised
	}{
		{"nothing to do", line{lots: 12}, drift.CorrectOptions{}, map[string]float64{"the whole machine": math.NaN()}},
		{"all heads alike", line{lots: 12, head: map[string]float64{"H1": 3, "H2": 3}}, drift.CorrectOptions{}, map[string]float64{"the whole machine": -3}},
		{"one head", line{lots: 12, head: map[string]float64{"H2": 4}}, drift.CorrectOptions{}, map[string]float64{"head H1": math.NaN(), "head H2": -4}},
		{"a nozzle of a head", line{lots: 12, head: map[string]float64{"H1": 3, "H2": -3}, nozzle: map[string]float64{"H2N2": -4}}, drift.CorrectOptions{},
			map[string]float64{"head H1": -3, "head H2, nozzle N1": 3, "head H2, nozzle N2": 7}},
		{"deadband", line{lots: 12, head: map[string]float64{"H1": 3, "H2": -1.5}}, drift.CorrectOptions{Deadband: 2},
			map[string]float64{"head H1": -3, "head H2": math.NaN()}},
		{"since a step", line{lots: 24, step: 5, stepAt: 15}, drift.CorrectOptions{}, map[string]float64{"the whole machine": -5}},
		{"gain", line{lots: 12, head: map[string]float64{"H1": 3, "H2": 3}}, drift.CorrectOptions{Gain: -2}, map[string]float64{"the whole machine": 1.5}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.opt.Tolerance = &tol
			got, err := drift.Correct(c.line.samples(), c.opt)
			if err != nil {
				t.Fatal(err)
			}
			if len(got) != len(c.want) {
				t.Errorf("got %d corrections, want %v", len(got), c.want)
			}
			for _, g := range got {
				want, ok := c.want[g.Name()]
				if !ok || g.Advice.Correct == math.IsNaN(want) || g.Advice.Correct && math.Abs(g.Advice.Correction-want) > 0.9 {
					t.Errorf("%s: correct %v by %v (%s), want %v", g.Name(), g.Advice.Correct, g.Advice.Correction, g.Advice.Reason, want)
				}
				if g.Advice.Correct && g.Advice.After.K.Value <= g.Advice.Before.K.Value {
					t.Errorf("%s: Ppk %v before, %v after", g.Name(), g.Advice.Before.K.Value, g.Advice.After.K.Value)
				}
			}
		})
	}
}

// At the end of a drift the level is where the drift has led to, not the mean behind it.
func TestCorrectFollowsDrift(t *testing.T) {
	// H2 starts where its mean over the time is that of H1: only how they move tells them apart.
	s := line{lots: 40, head: map[string]float64{"H1": 0, "H2": -2.625}, slope: 0.5, rampAt: 19}.samples()
	got, err := drift.Correct(s, drift.CorrectOptions{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range got {
		if c.Name() != "head H2" {
			continue
		}
		if c.Change.Form != drift.Ramp || math.Abs(c.Advice.Correction+7.4) > 1.2 || c.Bound == nil || !c.Bound.Adjust || c.Bound.Limit <= 0 {
			t.Errorf("%+v, bounded %+v", c, c.Bound)
		}
		return
	}
	t.Errorf("head H2 isn't corrected: %+v", got)
}

// The move of one of many must still be seen, although they are looked for together: the permutations
// have to show smaller probabilities than for one.
func TestCorrectSeesOneOfMany(t *testing.T) {
	s := line{lots: 40, slope: 0.5, rampAt: 19}.samples()
	got, err := drift.Correct(s, drift.CorrectOptions{Together: 40})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range got {
		if c.Name() == "head H2" && c.Change.Form != drift.Ramp {
			t.Errorf("head H2: %s (p %v, q %v)", c.Change.Form, c.Change.P, c.Change.Q)
		}
	}
}

// Mirroring the offsets mirrors what is advised; shifting them shifts it.
func TestCorrectMirrors(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := line{lots: 10, head: map[string]float64{"H1": rapid.Float64Range(-5, 5).Draw(t, "h1"), "H2": rapid.Float64Range(-5, 5).Draw(t, "h2")}, seed: rapid.Uint64().Draw(t, "seed")}.samples()
		mirrored := s
		mirrored.Values = nil
		for _, v := range s.Values {
			mirrored.Values = append(mirrored.Values, -v)
		}
		a, err1 := drift.Correct(s, drift.CorrectOptions{})
		b, err2 := drift.Correct(mirrored, drift.CorrectOptions{})
		if err1 != nil || err2 != nil || len(a) != len(b) {
			t.Fatal(err1, err2, len(a), len(b))
		}
		for i := range a {
			if a[i].Advice.Correct != b[i].Advice.Correct || math.Abs(a[i].Advice.Correction+b[i].Advice.Correction) > 1e-9 {
				t.Errorf("%s: %v, mirrored %v", a[i].Name(), a[i].Advice.Correction, b[i].Advice.Correction)
			}
		}
	})
}

// On an undisturbed line, corrections may be advised no more often than one minus the confidence.
func TestCorrectLeavesNoiseAlone(t *testing.T) {
	const runs = 200
	touched := 0
	for seed := range uint64(runs) {
		got, err := drift.Correct(line{lots: 12, betweenSD: 1, seed: seed}.samples(), drift.CorrectOptions{})
		if err != nil {
			t.Fatal(err)
		}
		for _, c := range got {
			if c.Advice.Correct {
				touched++
				break
			}
		}
	}
	if touched > 24 { // 5 % of 200, four standard errors above
		t.Errorf("noise was corrected on %d of %d lines", touched, runs)
	}
	t.Logf("noise corrected on %d of %d lines", touched, runs)
}

func TestRefuses(t *testing.T) {
	good := line{lots: 12}.samples()
	bad := line{lots: 12}.samples()
	bad.Values[3] = math.Inf(1)
	flat := drift.Samples{Values: []float64{2, 2, 2}}
	for name, err := range map[string]error{
		"infinite":    second(drift.Look(bad, drift.Options{})),
		"one value":   second(drift.Look(drift.Samples{Values: []float64{1}}, drift.Options{})),
		"no factor":   second(drift.Correct(good, drift.CorrectOptions{By: []string{"sieve"}})),
		"no spread":   second(drift.Correct(flat, drift.CorrectOptions{})),
		"confidence":  second(drift.Correct(good, drift.CorrectOptions{Options: drift.Options{Confidence: 2}})),
		"study of it": second(drift.Analyse(bad, drift.Options{})),
	} {
		if err == nil {
			t.Errorf("%s: want an error", name)
		}
	}
}

func second[T any](_ T, err error) error { return err }
