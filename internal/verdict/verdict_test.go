package verdict_test

import (
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/verdict"
)

// testdata/decision_rules.json holds cases of ISO 14253-1:2013 (conformance is proved inside the
// zone reduced by U, nonconformance outside the zone extended by U, otherwise neither) with U
// and probabilities after JCGM 106:2012; the file says what of it is quoted and what from memory.
type decisionCases struct {
	Cases []struct {
		LSL, USL  *float64
		U         float64 `json:"u"`
		K         float64 `json:"k"`
		Y         float64 `json:"y"`
		ResultSet struct {
			Expanded float64 `json:"expanded_uncertainty"`
			Rule     string  `json:"rule_guard_band_U"`
			Conforms float64 `json:"probability_conforming"`
		} `json:"result"`
	}
}

func loadCases(t *testing.T) decisionCases {
	t.Helper()
	b, err := os.ReadFile("testdata/decision_rules.json")
	if err != nil {
		t.Fatal(err)
	}
	var c decisionCases
	if err := json.Unmarshal(b, &c); err != nil {
		t.Fatal(err)
	}
	return c
}

func TestDecideFollowsISO14253(t *testing.T) {
	word := map[string]reading.Decision{
		"conforming proved": reading.Accept, "nonconforming proved": reading.Reject, "neither proved": reading.Review,
	}
	judged := 0
	for _, c := range loadCases(t).Cases {
		if c.USL == nil || c.K != 0 {
			continue // a lower limit alone, with another coverage factor than 2
		}
		judged++
		value, limit := c.Y, *c.USL
		if c.LSL != nil { // a zone about its middle
			value, limit = c.Y-(*c.USL+*c.LSL)/2, (*c.USL-*c.LSL)/2
		}
		want, ok := word[c.ResultSet.Rule]
		if !ok {
			t.Fatalf("no such rule result: %q", c.ResultSet.Rule)
		}
		if got := verdict.Decide(value, c.U, limit); got != want {
			t.Errorf("%g ± u %g against %g: got %s want %s", value, c.U, limit, got, want)
		}
		if got := verdict.Coverage * c.U; math.Abs(got-c.ResultSet.Expanded) > 1e-9*got {
			t.Errorf("U of u %g: got %g want %g", c.U, got, c.ResultSet.Expanded)
		}
		// JCGM 106, 8.3: what is accepted with a guard band of U conforms with at least 97.7 %,
		// and what is rejected with at most 2.3 %.
		switch p := c.ResultSet.Conforms; {
		case want == reading.Accept && p < 0.977, want == reading.Reject && p > 0.023:
			t.Errorf("%+v is called %s but conforms with %g", c, want, p)
		}
	}
	if judged != 17 {
		t.Errorf("judged %d cases of the file, want 17", judged)
	}
}

// Closed form, JCGM 106 equation 7: P(|true| ≤ limit) for a normal distribution. No accepted value
// conforms with less than Φ(2) - the far limit's tail, no rejected one with more than 1 - Φ(2).
func TestDecideKeepsItsRisk(t *testing.T) {
	phi := func(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
	rapid.Check(t, func(t *rapid.T) {
		value, u := rapid.Float64Range(-30, 30).Draw(t, "value"), rapid.Float64Range(0.01, 8).Draw(t, "u")
		const limit = 10
		p := phi((limit-value)/u) - phi((-limit-value)/u)
		switch got := verdict.Decide(value, u, limit); {
		case got == reading.Accept && p < 2*phi(2)-1-1e-12:
			t.Errorf("accepted with a probability of %g to conform", p)
		case got == reading.Reject && p > phi(-2)+1e-12:
			t.Errorf("rejected with a probability of %g to conform", p)
		}
		if verdict.Decide(value, u, limit) != verdict.Decide(-value, u, limit) {
			t.Error("the sign of the value matters")
		}
	})
}

func TestDecideNeverAcceptsWhatIsNoNumber(t *testing.T) {
	for _, v := range []struct{ value, u float64 }{{math.NaN(), 1}, {0, math.NaN()}, {0, math.Inf(1)}, {math.NaN(), math.NaN()}} {
		if got := verdict.Decide(v.value, v.u, 10); got != reading.Review {
			t.Errorf("%v: got %s want review", v, got)
		}
	}
	if got := verdict.Decide(math.Inf(-1), 1, 10); got != reading.Reject {
		t.Errorf("an infinite value: got %s want reject", got)
	}
}

func missing(n int) *int { return &n }

func everyLimit() *part.Part {
	return &part.Part{
		Die: &part.Die{WidthMm: 10, HeightMm: 8},
		Limits: part.Limits{
			OffsetXUm: 100, OffsetYUm: 100, ThetaDeg: 0.5, BumpUm: 125, SizeUm: 30,
			CapXUm: 250, CapYUm: 250, CapThetaDeg: 1, ShrinkPercent: 0.6, Missing: missing(0), TiltDeg: 2, TipUm: 150, CoplanarityUm: 100,
		},
	}
}

func goodDie() *reading.Reading {
	return &reading.Reading{
		Substrate: &reading.Substrate{Scale: 0.999, UScale: 1e-5},
		Offset: &reading.Offset{
			Of: "die", XUm: 20, YUm: -30, ThetaDeg: 0.1, UXUm: 0.3, UYUm: 0.3, UTheta: 0.003,
			WidthUm: 10003, HeightUm: 7998, UWidthUm: 1, UHeightUm: 1,
			Bump: &reading.Bump{Row: 1, Column: 38, MissUm: 50, UUm: 0.5},
		},
	}
}

// whats lists what the reasons are about, in their order.
func whats(v reading.Verdict) string {
	var w []string
	for _, r := range v.Reasons {
		w = append(w, r.What+" "+string(r.Decision))
	}
	return strings.Join(w, ", ")
}

func TestJudgeDie(t *testing.T) {
	tests := []struct {
		name   string
		change func(*reading.Reading, *part.Part)
		want   reading.Decision
		whats  string
	}{
		{"all good", func(*reading.Reading, *part.Part) {}, reading.Accept, ""},
		{"x beyond", func(r *reading.Reading, _ *part.Part) { r.Offset.XUm = -101 }, reading.Reject, "offset_x_um reject"},
		{"x just inside", func(r *reading.Reading, _ *part.Part) { r.Offset.XUm = 99.6 }, reading.Review, "offset_x_um review"},
		{"x just outside", func(r *reading.Reading, _ *part.Part) { r.Offset.XUm = 100.5 }, reading.Review, "offset_x_um review"},
		{"unsure of y", func(r *reading.Reading, _ *part.Part) { r.Offset.UYUm = 36 }, reading.Review, "offset_y_um review"},
		{"turned", func(r *reading.Reading, _ *part.Part) { r.Offset.ThetaDeg = -0.6 }, reading.Reject, "theta_deg reject"},
		{"bump", func(r *reading.Reading, _ *part.Part) { r.Offset.Bump.MissUm = 140 }, reading.Reject, "bump_um reject"},
		{"share of the pad", func(r *reading.Reading, p *part.Part) {
			p.Die.Bumps, p.Limits.BumpPadPercent = &part.Bumps{PadMm: 0.12}, 40 // 50 of 120 µm are 41.7 %
		}, reading.Reject, "bump_pad_percent reject"},
		{"share of no pad", func(r *reading.Reading, p *part.Part) {
			p.Die.Bumps, p.Limits.BumpPadPercent = &part.Bumps{}, 40
		}, reading.Accept, ""},
		{"shrunk", func(r *reading.Reading, _ *part.Part) { r.Substrate.Scale = 0.993 }, reading.Reject, "shrink_percent reject"},
		{"shrunk, two marks", func(r *reading.Reading, _ *part.Part) { r.Substrate.Scale, r.Substrate.UScale = 0.995, 1e-3 }, reading.Review, "shrink_percent review"},
		{"scale not measured", func(r *reading.Reading, _ *part.Part) { r.Substrate.Scale, r.Substrate.UScale = 0, 0 }, reading.Accept, ""},
		{"too wide", func(r *reading.Reading, _ *part.Part) { r.Offset.WidthUm = 10034 }, reading.Reject, "width_um reject"},
		{"too short", func(r *reading.Reading, _ *part.Part) { r.Offset.HeightUm = 7968.5 }, reading.Review, "height_um review"},
		{"no limit on size", func(r *reading.Reading, p *part.Part) { r.Offset.WidthUm, p.Limits.SizeUm = 11000, 0 }, reading.Accept, ""},
		{"no limits", func(r *reading.Reading, p *part.Part) {
			r.Offset.XUm, r.Offset.ThetaDeg, r.Substrate.Scale, p.Limits = 1e4, 40, 0.5, part.Limits{}
		}, reading.Accept, ""},
		// Rejects come first however far beyond their limits reviews lie; among equals the one
		// that is furthest beyond its limit, in its own measure.
		{"worst first", func(r *reading.Reading, _ *part.Part) {
			o := r.Offset
			o.XUm, o.YUm, o.ThetaDeg, o.Bump.MissUm = 110, 130, 0.6, 126
			r.Substrate.Scale, r.Substrate.UScale = 0.98, 0.02
		}, reading.Reject, "offset_y_um reject, theta_deg reject, offset_x_um reject, shrink_percent review, bump_um review"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r, p := goodDie(), everyLimit()
			tt.change(r, p)
			v := verdict.Judge(r, p, nil)
			if v.Decision != tt.want || whats(v) != tt.whats {
				t.Errorf("got %s (%s) want %s (%s)", v.Decision, whats(v), tt.want, tt.whats)
			}
			for _, reason := range v.Reasons {
				if reason.Text == "" || reason.Expanded == 0 || reason.Limit == 0 {
					t.Errorf("a reason without text, U or limit: %+v", reason)
				}
			}
		})
	}
}

// A cap is held against its own limits, and against none of the die's.
func TestJudgeCap(t *testing.T) {
	r, p := goodDie(), everyLimit()
	r.Offset.Of, r.Offset.XUm, r.Offset.ThetaDeg, r.Offset.WidthUm, r.Offset.Bump.MissUm = "cap", 200, 0.9, 24000, 999
	if v := verdict.Judge(r, p, nil); v.Decision != reading.Accept {
		t.Errorf("got %s (%s) want accept", v.Decision, whats(v))
	}
	r.Offset.YUm = 260
	if v := verdict.Judge(r, p, nil); whats(v) != "offset_y_um reject" {
		t.Errorf("got %s want offset_y_um reject", whats(v))
	}
}

func TestJudgeArray(t *testing.T) {
	array := func(sites ...reading.Site) *reading.Reading {
		a := &reading.Array{Kind: "columns", Sites: sites}
		for _, s := range sites {
			if s.State == reading.Missing {
				a.Missing++
			}
			if s.State == reading.Bridged {
				a.Bridged++
			}
			if s.State == reading.Doubled {
				a.Doubled++
			}
		}
		return &reading.Reading{Array: a}
	}
	upright := reading.Site{Name: "A1", State: reading.Present, DXUm: 10, UUm: 2, TiltDeg: 0.4, UTiltDeg: 0.1}
	gone := reading.Site{Name: "B2", State: reading.Missing, DXUm: 1e6, TiltDeg: 90}
	leaning := reading.Site{Name: "C3", State: reading.Tilted, UUm: 2, TiltDeg: 4, UTiltDeg: 0.1}
	leaningMore := reading.Site{Name: "D4", State: reading.Tilted, UUm: 2, TiltDeg: 6, UTiltDeg: 0.1}
	off := reading.Site{Name: "E5", State: reading.Off, DXUm: 120, DYUm: 120, UUm: 2}
	unseen := reading.Site{Name: "F6", State: reading.Unseen, DXUm: 1e6}
	tests := []struct {
		name    string
		r       *reading.Reading
		allowed *int
		want    reading.Decision
		whats   string
	}{
		{"all there", array(upright), missing(0), reading.Accept, ""},
		{"one missing", array(upright, gone), missing(0), reading.Reject, "missing reject"},
		{"one missing, one allowed", array(upright, gone), missing(1), reading.Accept, ""},
		{"missing not judged", array(upright, gone), nil, reading.Accept, ""},
		{"missing is the worst", array(leaningMore, gone, leaning), missing(0), reading.Reject, "missing reject, tilt_deg D4 reject, tilt_deg C3 reject"},
		{"off its site", array(off), missing(0), reading.Reject, "tip_um E5 reject"},
		{"bridged", array(reading.Site{Name: "A1", State: reading.Bridged}, reading.Site{Name: "A2", State: reading.Bridged}), missing(0), reading.Reject, "bridged reject"},
		{"doubled is worse than off", array(off, reading.Site{Name: "A1", State: reading.Doubled}), missing(0), reading.Reject, "doubled reject, tip_um E5 reject"},
		{"short column", array(seated(-140, 5)), missing(0), reading.Reject, "coplanarity_um A9 reject"},
		{"perhaps short", array(seated(-98, 5)), missing(0), reading.Review, "coplanarity_um A9 review"},
		{"seats well", array(seated(-40, 5)), missing(0), reading.Accept, ""},
		{"unseen", array(upright, unseen), missing(0), reading.Review, "unseen review"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := everyLimit()
			p.Limits.Missing = tt.allowed
			v := verdict.Judge(tt.r, p, nil)
			if v.Decision != tt.want || whats(v) != tt.whats {
				t.Errorf("got %s (%s) want %s (%s)", v.Decision, whats(v), tt.want, tt.whats)
			}
		})
	}
}

func seated(um, u float64) reading.Site {
	return reading.Site{Name: "A9", State: reading.Present, Silhouette: &reading.Silhouette{SeatingUm: um, USeatingUm: u}}
}

func TestMissingSitesAreNamed(t *testing.T) {
	a := &reading.Array{Kind: "balls"}
	for _, name := range strings.Fields("A1 A2 A3 A4 A5 A6 A7 A8 A9 A10 A11 A12") {
		a.Sites = append(a.Sites, reading.Site{Name: name, State: reading.Missing})
		a.Missing++
	}
	v := verdict.Judge(&reading.Reading{Array: a}, everyLimit(), nil)
	if text := v.Reasons[0].Text; !strings.Contains(text, "12 balls are missing, 0 allowed: A1, A2") || !strings.HasSuffix(text, "A10 …") {
		t.Errorf("got %q", text)
	}
}

func TestDoubtHoldsAtReview(t *testing.T) {
	r, p := goodDie(), everyLimit()
	if v := verdict.Judge(r, p, []string{"the calibration ran out"}); v.Decision != reading.Review || v.Reasons[0].Text != "the calibration ran out" {
		t.Errorf("got %+v want review for its calibration", v)
	}
	r.Offset.XUm = 500
	if v := verdict.Judge(r, p, []string{"the calibration ran out"}); v.Decision != reading.Reject || whats(v) != "offset_x_um reject, doubt review" {
		t.Errorf("got %s (%s): a reject stays one", v.Decision, whats(v))
	}
}
