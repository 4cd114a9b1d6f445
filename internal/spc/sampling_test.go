package spc

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// testdata/oc_curves.json: definitions, computed independently with scipy, checked with R.
func TestOperatingCharacteristicReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			N      int `json:"n"`
			C      int
			Lot    int `json:"N"`
			Result struct {
				Rows []struct {
					P, Binomial, Hypergeometric float64
					D                           int
				}
				AQL  float64 `json:"AQL_pa_0.95_binomial"`
				IQL  float64 `json:"IQL_pa_0.50_binomial"`
				LTPD float64 `json:"LTPD_pa_0.10_binomial"`
				AOQ  []struct{ P, AOQ, ATI float64 }
				AOQL struct{ P, AOQL float64 }
			}
		}
	}
	readReference(t, "oc_curves.json", &ref)
	for _, c := range ref.Cases {
		p, err := NewPlan(c.N, c.C)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range c.Result.Rows {
			wantRel(t, "binomial", p.Pa(r.P), r.Binomial, 1e-9)
			if c.Lot > 0 {
				pa, err := p.PaLot(c.Lot, r.D)
				if err != nil {
					t.Fatal(err)
				}
				wantRel(t, "hypergeometric", pa, r.Hypergeometric, 1e-9)
			}
		}
		wantRel(t, "quality at 0.95", p.QualityAt(0.95), c.Result.AQL, 1e-9)
		wantRel(t, "quality at 0.5", p.QualityAt(0.5), c.Result.IQL, 1e-9)
		wantRel(t, "quality at 0.1", p.QualityAt(0.1), c.Result.LTPD, 1e-9)
		for _, r := range c.Result.AOQ {
			wantRel(t, "AOQ", p.AOQ(r.P, c.Lot), r.AOQ, 1e-9)
			wantRel(t, "ATI", p.ATI(r.P, c.Lot), r.ATI, 1e-9)
		}
		if c.Lot > 0 {
			at, aoql := p.AOQL(c.Lot)
			wantRel(t, "AOQL", aoql, c.Result.AOQL.AOQL, 1e-9)
			wantRel(t, "fraction at AOQL", at, c.Result.AOQL.P, 1e-6) // the top is flat
		}
	}
}

// NIST/SEMATECH e-Handbook 6.2.3.2: n = 52, c = 3, first six printed (truncated, hence 1e-3).
func TestOperatingCharacteristicHandbook(t *testing.T) {
	var ref struct {
		Printed, Computed []struct{ P, Pa float64 }
	}
	readReference(t, "sampling_plan_52_3.json", &ref)
	for _, r := range ref.Printed {
		wantAbs(t, "printed", Plan{52, 3}.Pa(r.P), r.Pa, 1e-3)
	}
	for _, r := range ref.Computed {
		wantRel(t, "computed", Plan{52, 3}.Pa(r.P), r.Pa, 1e-9)
	}
}

func TestZeroAcceptanceReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			P, Beta float64
			N, D    int
			Result  struct {
				Infinite int `json:"n_infinite_lot"`
				Finite   int `json:"n_finite_lot"`
			}
		}
	}
	readReference(t, "zero_acceptance.json", &ref)
	for _, c := range ref.Cases {
		var p Plan
		var err error
		if c.N > 0 {
			p, err = ZeroAcceptanceLot(c.N, c.D, c.Beta)
		} else {
			p, err = ZeroAcceptance(c.P, c.Beta)
		}
		if err != nil {
			t.Fatal(err)
		}
		if want := c.Result.Infinite + c.Result.Finite; p.N != want || p.Accept != 0 {
			t.Errorf("%+v: got %+v, want %d units", c, p, want)
		}
	}
}

// testdata/binomial_{intervals,tails}.json: Clopper & Pearson (1934), Wilson (1927), tails with
// mpmath at 40 digits.
func TestBinomialReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			X, N       int
			Confidence float64
			Result     struct {
				Exact []float64 `json:"clopper_pearson"`
				Upper float64   `json:"upper_one_sided"`
				Lower float64   `json:"lower_one_sided"`
			}
		}
	}
	readReference(t, "binomial_intervals.json", &ref)
	for _, c := range ref.Cases {
		e, err := BinomialInterval(c.X, c.N, c.Confidence)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "exact low", e.Low, c.Result.Exact[0], 1e-9)
		wantRel(t, "exact high", e.High, c.Result.Exact[1], 1e-9)
		conf := c.Confidence
		if conf == 0 {
			conf = 0.95
		}
		wantRel(t, "upper bound", binomialUpper(c.X, c.N, conf), c.Result.Upper, 1e-9)
		wantRel(t, "lower bound", binomialLower(c.X, c.N, conf), c.Result.Lower, 1e-9)
	}
	var tails struct {
		Cases []struct {
			N, K   int
			P      float64
			Result struct {
				AtLeast float64 `json:"P_at_least_k"`
				AtMost  float64 `json:"P_at_most_k"`
			}
		}
	}
	readReference(t, "binomial_tails.json", &tails)
	for _, c := range tails.Cases {
		wantRel(t, "at least", binomialAtLeast(c.K, c.N, c.P), c.Result.AtLeast, 1e-9)
		wantRel(t, "at most", binomialAtMost(c.K, c.N, c.P), c.Result.AtMost, 1e-9)
	}
}

// testdata/iso2859_single_normal.json: code letters and table II-A of ISO 2859-1 / MIL-STD-105E
// as published; operating characteristics computed.
func TestISO2859Normal(t *testing.T) {
	var ref struct {
		SampleSize map[string]int `json:"sample_size"`
		AQL        []float64      `json:"aql_percent"`
		Codes      struct {
			Upper  []*int `json:"lot_size_upper"`
			Levels map[string]string
		} `json:"code_letters"`
		Rejection map[string][]string `json:"rejection_number_level_II_normal"`
		Cases     []struct {
			Lot    int     `json:"lot_size"`
			AQL    float64 `json:"aql_percent"`
			Code   string  `json:"code_letter"`
			Letter string  `json:"plan_letter"`
			N, Ac  int
			All    bool               `json:"inspect_all"`
			PaAQL  float64            `json:"pa_at_aql_binomial"`
			PForPa map[string]float64 `json:"p_for_pa"`
			D      int                `json:"defectives_in_lot"`
			PaLot  float64            `json:"pa_hypergeometric"`
		}
	}
	readReference(t, "iso2859_single_normal.json", &ref)
	for level, letters := range ref.Codes.Levels {
		if got := lettersOf(level); got != letters {
			t.Errorf("level %s: letters %s, want %s", level, got, letters)
		}
	}
	for i, u := range ref.Codes.Upper {
		if u != nil && *u != lotUppers[i] {
			t.Errorf("lot sizes up to %d, want %d", lotUppers[i], *u)
		}
	}
	for letter, n := range ref.SampleSize {
		if got := sampleSizes[strings.Index(codeLetters, letter)]; got != n {
			t.Errorf("letter %s: %d units, want %d", letter, got, n)
		}
	}
	entries := 0
	for letter, row := range ref.Rejection {
		for j, want := range row {
			aql := 9 + j // the file's columns begin at 0.65 %
			if aqls[aql] != ref.AQL[j] {
				t.Fatalf("column %d is %v", j, ref.AQL[j])
			}
			_, reject, arrow := InspectNormal.accepts(strings.Index(codeLetters, letter), aql)
			got := [...]string{"u", fmt.Sprint(reject), "d"}[arrow+1]
			if got != want {
				t.Errorf("letter %s, AQL %v: got %s, want %s", letter, aqls[aql], got, want)
			}
			entries++
		}
	}
	if entries != 15*8 {
		t.Errorf("%d entries checked, want 120", entries)
	}
	for _, c := range ref.Cases {
		i, err := StartInspection("II", c.AQL)
		if err != nil {
			t.Fatal(err)
		}
		p, err := i.Plan(c.Lot)
		if err != nil {
			t.Fatal(err)
		}
		if p.N != c.N || p.Accept != c.Ac || p.Code != c.Code || p.PlanLetter != c.Letter || p.All != c.All {
			t.Errorf("lot %d, AQL %v: got %+v, want %+v", c.Lot, c.AQL, p, c)
		}
		if c.All {
			continue
		}
		wantRel(t, "Pa at AQL", p.Pa(c.AQL/100), c.PaAQL, 1e-9)
		for pa, want := range c.PForPa {
			var v float64
			fmt.Sscan(pa, &v)
			wantRel(t, "quality at "+pa, p.QualityAt(v), want, 1e-9)
		}
		pa, err := p.PaLot(c.Lot, c.D)
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "Pa of the lot", pa, c.PaLot, 1e-9)
	}
}

// ISO 2859-1:1999 plans quoted in print for lots of 35 001 to 500 000 (Jenkins, Peck & Fernando
// 2023, PLoS, figure of operating characteristics): 0.65 % at S-4 80/1 and at S-3 20/0, 0.40 %
// 125/1 and 32/0, at S-4 0.25 % 50/0 and 0.15 % 80/0. Letters G and J hold over that range.
func TestISO2859QuotedPlans(t *testing.T) {
	for _, c := range []struct {
		level  string
		aql    float64
		n, acc int
	}{
		{"S-4", 0.65, 80, 1}, {"S-3", 0.65, 20, 0}, {"S-4", 0.40, 125, 1}, {"S-3", 0.40, 32, 0}, {"S-4", 0.25, 50, 0}, {"S-4", 0.15, 80, 0},
	} {
		i, err := StartInspection(c.level, c.aql)
		if err != nil {
			t.Fatal(err)
		}
		for _, lot := range []int{100000, 400000} {
			p, err := i.Plan(lot)
			if err != nil || p.N != c.n || p.Accept != c.acc {
				t.Errorf("%s, AQL %v, lot %d: got %+v %v, want %d/%d", c.level, c.aql, lot, p, err, c.n, c.acc)
			}
		}
	}
}

// Tightened inspection (table 2-B), all from memory: 1.0 % with code J accepts 1 of 80, with N
// 8 of 500, 0.65 % with F leads to 0 of 32; 2000 units with R at 0.010 % is the finest plan.
func TestISO2859Tightened(t *testing.T) {
	for _, c := range []struct {
		state  InspectionState
		aql    float64
		lot    int
		n, acc int
	}{
		{InspectTightened, 1.0, 1000, 80, 1}, {InspectTightened, 1.0, 100000, 500, 8}, {InspectTightened, 0.65, 120, 32, 0}, {InspectTightened, 0.010, 100000, 2000, 0},
	} {
		i, err := StartInspection("II", c.aql)
		if err != nil {
			t.Fatal(err)
		}
		i.State = c.state
		p, err := i.Plan(c.lot)
		if err != nil || p.N != c.n || p.Accept != c.acc {
			t.Errorf("%v, AQL %v, lot %d: got %+v %v, want %d of %d", c.state, c.aql, c.lot, p, err, c.acc, c.n)
		}
	}
}

// Reduced inspection (table II-C of ISO 2859-1:1989 and MIL-STD-105E), all from memory: code J takes 32,
// at 1.0 % accept 1 reject 3, at 1.5 % 1 and 4, at 4.0 % 3 and 6, at 10 % 7 and 10; code D takes 3, at 6.5 %
// accept 0 reject 2; 0.25 % with J leads to 0 of 20, 0.40 % to 0 and 2 of 50.
func TestISO2859Reduced(t *testing.T) {
	for _, c := range []struct {
		aql          float64
		lot          int
		n, acc, rejc int
	}{
		{1.0, 1000, 32, 1, 3}, {1.5, 1000, 32, 1, 4}, {4.0, 1000, 32, 3, 6}, {10, 1000, 32, 7, 10}, {6.5, 40, 3, 0, 2},
		{0.15, 1000, 32, 0, 1}, {0.25, 1000, 20, 0, 1}, {0.40, 1000, 50, 0, 2},
	} {
		i, err := StartInspection("II", c.aql)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := i.Reduce(); err == nil {
			t.Error("reduced inspection begins without a score")
		}
		i.ReducedScore = 30
		if i, err = i.Reduce(); err != nil {
			t.Fatal(err)
		}
		p, err := i.Plan(c.lot)
		if err != nil || p.N != c.n || p.Accept != c.acc || p.Reject != c.rejc {
			t.Errorf("AQL %v, lot %d: got %+v %v, want %d of %d, reject %d", c.aql, c.lot, p, err, c.acc, c.n, c.rejc)
		}
	}
}

// Tightened inspection accepts less, at any quality to 25 %, level, AQL and lot size; every lot has a plan.
func TestISO2859Property(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		level := rapid.SampledFrom([]string{"S-1", "S-2", "S-3", "S-4", "I", "II", "III"}).Draw(t, "level")
		i, err := StartInspection(level, rapid.SampledFrom(aqls[:]).Draw(t, "AQL"))
		if err != nil {
			t.Fatal(err)
		}
		lot := rapid.IntRange(2, 1_000_000).Draw(t, "lot")
		n, err := i.Plan(lot)
		if err != nil {
			t.Fatal(err)
		}
		s, err := i.Resume().Plan(lot)
		if err != nil {
			t.Fatal(err)
		}
		i.ReducedScore = 30
		if i, err = i.Reduce(); err != nil {
			t.Fatal(err)
		}
		r, err := i.Plan(lot)
		if err != nil {
			t.Fatal(err)
		}
		p := rapid.Float64Range(1e-4, 0.25).Draw(t, "fraction")
		// Reduced inspection pulls less and, of quality worse than the AQL, lets at least as much pass.
		if r.N > n.N || p > i.AQLPercent/100 && (Plan{r.N, r.Reject - 1}).Pa(p) < n.Pa(p)-1e-12 {
			t.Errorf("reduced %+v accepts %v, normal %+v %v", r, (Plan{r.N, r.Reject - 1}).Pa(p), n, n.Pa(p))
		}
		// But for 2000 units at 0.015 %, whose arrow can only point up.
		if n.Pa(p) < s.Pa(p)-1e-12 && s.Code != "R" {
			t.Errorf("tightened %+v accepts %v, normal %+v %v", s, s.Pa(p), n, n.Pa(p))
		}
	})
}

func TestISO2859Switching(t *testing.T) {
	i, err := StartInspection("II", 1.0)
	if err != nil {
		t.Fatal(err)
	}
	give := func(lots string) {
		t.Helper()
		for k, o := range lots {
			p, err := i.Plan(1000)
			if err != nil {
				t.Fatalf("lot %d: %v", k+1, err)
			}
			bad := 0
			if o == 'r' {
				bad = p.Accept + 1
			}
			var accepted bool
			if i, accepted, err = i.After(p, bad); err != nil || accepted != (o == 'a') {
				t.Fatalf("lot %d: accepted %v, %v", k+1, accepted, err)
			}
		}
	}
	state := func(want InspectionState) {
		t.Helper()
		if i.State != want {
			t.Fatalf("inspection is %v, want %v", i.State, want)
		}
	}
	give("raaaar") // two of six: the first has left the window of five
	state(InspectNormal)
	give("aaar") // two of five
	state(InspectTightened)
	give("aaaara")
	state(InspectTightened)
	give("aaaa") // five in a row
	state(InspectNormal)
	give("aaaaaaaaaa") // ten lots at 3 points: acceptance number 2, none found
	if i.ReducedScore != 30 {
		t.Errorf("switching score %d, want 30", i.ReducedScore)
	}
	give("rr")
	state(InspectTightened)
	if i.ReducedScore != 0 {
		t.Errorf("switching score %d after a lot that wasn't accepted", i.ReducedScore)
	}
	give("rarrar") // four not accepted, not in a row
	state(InspectTightened)
	give("r")
	state(InspectStopped)
	if _, err := i.Plan(1000); err == nil || !strings.Contains(err.Error(), "stopped") {
		t.Errorf("a stopped inspection gave a plan: %v", err)
	}
	i = i.Resume()
	state(InspectTightened)
}

func TestDesignPlan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		good := rapid.Float64Range(0.001, 0.05).Draw(t, "good")
		bad := good * rapid.Float64Range(2.5, 12).Draw(t, "ratio")
		alpha := rapid.Float64Range(0.01, 0.2).Draw(t, "alpha")
		beta := rapid.Float64Range(0.01, 0.2).Draw(t, "beta")
		p, err := DesignPlan(good, alpha, bad, beta)
		if err != nil {
			t.Fatal(err)
		}
		if p.Pa(good) < 1-alpha || p.Pa(bad) > beta {
			t.Errorf("%+v accepts good %v, bad %v", p, p.Pa(good), p.Pa(bad))
		}
		// No plan with the same or a smaller acceptance number and fewer units does.
		if p.N > p.Accept+1 && (Plan{p.N - 1, p.Accept}).Pa(bad) <= beta {
			t.Errorf("%+v could be smaller", p)
		}
		if c := p.Accept - 1; c >= 0 {
			n := p.N
			for n > c+1 && (Plan{n - 1, c}).Pa(bad) <= beta {
				n--
			}
			if (Plan{n, c}).Pa(good) >= 1-alpha {
				t.Errorf("acceptance number %d does with %d", c, n)
			}
		}
	})
}

func TestBinomialIntervalProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 5000).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "x")
		iv, err := BinomialInterval(x, n, 0)
		if err != nil {
			t.Fatal(err)
		}
		mirror, err := BinomialInterval(n-x, n, 0)
		if err != nil {
			t.Fatal(err)
		}
		wantAbs(t, "mirrored", 1-mirror.High, iv.Low, 1e-10)
		if share := float64(x) / float64(n); iv.Low > share || iv.High < share {
			t.Errorf("%v doesn't hold %v", iv, share)
		}
		if iv.Low > 0 {
			wantRel(t, "tail at the lower end", binomialAtLeast(x, n, iv.Low), 0.025, 1e-9)
		}
	})
}

func TestSamplingErrors(t *testing.T) {
	good, _ := StartInspection("II", 1)
	plan, _ := good.Plan(100)
	for _, c := range []struct {
		name string
		do   func() error
		want string
	}{
		{"no units", func() error { _, err := NewPlan(0, 0); return err }, "at least one unit"},
		{"accepts all", func() error { _, err := NewPlan(5, 5); return err }, "acceptance number 5"},
		{"lot", func() error { _, err := (Plan{5, 0}).PaLot(10, 11); return err }, "lot of 10 with 11"},
		{"risk", func() error { _, err := ZeroAcceptance(0.01, 0); return err }, "risk"},
		{"fraction", func() error { _, err := ZeroAcceptance(math.NaN(), 0.1); return err }, "fraction nonconforming"},
		{"finite lot", func() error { _, err := ZeroAcceptanceLot(10, 0, 0.1); return err }, "lot of 10 with 0"},
		{"reversed", func() error { _, err := DesignPlan(0.1, 0.05, 0.01, 0.1); return err }, "must be below"},
		{"too close", func() error { _, err := DesignPlan(0.1, 1e-12, 0.1000000001, 1e-12); return err }, "too close"},
		{"interval", func() error { _, err := BinomialInterval(5, 4, 0); return err }, "5 events in 4 trials"},
		{"confidence", func() error { _, err := BinomialInterval(1, 4, 1); return err }, "confidence"},
		{"level", func() error { _, err := StartInspection("IV", 1); return err }, "no inspection level"},
		{"AQL", func() error { _, err := StartInspection("II", 2); return err }, "no AQL of 2"},
		{"lot of one", func() error { _, err := good.Plan(1); return err }, "at least 2 units"},
		{"zero value", func() error { _, err := Inspection{}.Plan(10); return err }, "StartInspection"},
		{"more than drawn", func() error { _, _, err := good.After(plan, 99); return err }, "99 nonconforming in a sample of 13"},
		{"other state", func() error { _, _, err := good.Resume().After(plan, 0); return err }, "now tightened"},
	} {
		if err := c.do(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got error %v, want one that says %q", c.name, err, c.want)
		}
	}
}
