package sites_test

import (
	"errors"
	"fmt"
	"iter"
	"math"
	"testing"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/sites"
)

// each yields readings without an error.
func each(rs []*reading.Reading) iter.Seq2[*reading.Reading, error] {
	return func(yield func(*reading.Reading, error) bool) {
		for _, r := range rs {
			if !yield(r, nil) {
				return
			}
		}
	}
}

// sample returns a reading of a 10 by 10 array in which some sites are in a state of their own.
func sample(n int, head string, states map[string]string) *reading.Reading {
	r := &reading.Reading{Shot: reading.Shot{View: reading.ColumnPlan, Lot: "L1", Sample: fmt.Sprint(n), Head: head}, Array: &reading.Array{Kind: "columns"}}
	r.Source.Part = "p"
	for row := range 10 {
		for column := range 10 {
			s := reading.Site{Name: fmt.Sprintf("%c%d", "ABCDEFGHJK"[row], column+1), State: reading.Present}
			if q, ok := states[s.Name]; ok {
				s.State, s.AzimuthDeg = q, 40+float64(n)
			}
			r.Array.Sites = append(r.Array.Sites, s)
		}
	}
	return r
}

// G4 is missing in 6 of 8 samples and four other sites once each. At the array's own rate of 10 in
// 800, the binomial tail is P(X ≥ 6 of 8) = Σ C(8,k) r^k (1-r)^(8-k), in closed form.
func TestRepeatedSite(t *testing.T) {
	var rs []*reading.Reading
	for n := range 8 {
		states := map[string]string{}
		if n < 6 {
			states["G4"] = reading.Missing
		}
		if n < 4 {
			states[[]string{"A1", "B7", "K10", "D3"}[n]] = reading.Missing
		}
		states["C5"] = reading.Tilted
		rs = append(rs, sample(n, []string{"H1", "H2"}[n%2], states))
	}
	studies, err := sites.Of(each(rs), "", 0)
	if err != nil || len(studies) != 1 {
		t.Fatalf("%d studies, %v", len(studies), err)
	}
	s := studies[0]
	if len(s.Worn) != 2 || s.Worn[0].Site != "G4" || s.Worn[0].Failed != 6 || s.Worn[0].Looked != 8 || s.Worn[1].Site != "C5" || s.Worn[1].Fault != reading.Tilted {
		t.Fatalf("worn sites %+v, want G4 missing in 6 of 8 and C5 tilted in 8 of 8", s.Worn)
	}
	rate, p := 10.0/800, 0.0
	for k, choose := range map[int]float64{6: 28, 7: 8, 8: 1} {
		p += choose * math.Pow(rate, float64(k)) * math.Pow(1-rate, float64(8-k))
	}
	if got := s.Worn[0].P; math.Abs(got/p-1) > 1e-9 {
		t.Errorf("p = %g, want %g", got, p)
	}
	if len(s.Sites) != 100 || s.Sites[99].Name != "K10" || s.Sites[99].Looked != 8 {
		t.Errorf("%d sites, the last %+v", len(s.Sites), s.Sites[len(s.Sites)-1])
	}
	for _, site := range s.Sites {
		want := map[string]int{"G4": 6, "A1": 1, "B7": 1, "K10": 1, "D3": 1}[site.Name]
		if site.Failed(reading.Missing) != want {
			t.Errorf("%s is missing in %d, want %d", site.Name, site.Failed(reading.Missing), want)
		}
		if f := site.Faults[reading.Missing]; site.Name == "G4" && (f.Lots["L1"] != 6 || f.Heads["H1"] != 3 || f.Heads["H2"] != 3) {
			t.Errorf("G4 is missing in %+v", f)
		}
	}
	if s.Leans == nil || s.Leans.MeanIsShaky || math.Abs(s.Leans.MeanDeg-43.5) > 1e-9 {
		t.Errorf("leans %+v, want a common direction of 43.5°", s.Leans)
	}
	if m := s.Samples[0]; m.Sites != 100 || m.Missing != 2 || m.Tilted != 1 || m.Off != 0 {
		t.Errorf("first sample %+v", m)
	}
	byHead, err := sites.Of(each(rs), "head", 0)
	if err != nil || len(byHead) != 2 || byHead[1].Key != "H2" || len(byHead[1].Samples) != 4 {
		t.Errorf("by head: %d studies, %v", len(byHead), err)
	}
}

func TestNothingToStudy(t *testing.T) {
	if _, err := sites.Of(each([]*reading.Reading{{}}), "", 0); err == nil {
		t.Error("no array and no error")
	}
	if _, err := sites.Of(each(nil), "moon", 0); err == nil {
		t.Error("no such key and no error")
	}
	damaged := errors.New("damaged")
	if _, err := sites.Of(func(yield func(*reading.Reading, error) bool) { yield(nil, damaged) }, "", 0); !errors.Is(err, damaged) {
		t.Errorf("got %v", err)
	}
}
