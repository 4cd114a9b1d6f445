package store

import (
	"bytes"
	"encoding/csv"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbsquare/internal/reading"
)

func scratch() (dir string, done func()) {
	dir, err := os.MkdirTemp("", "store-")
	if err != nil {
		panic(err)
	}
	return dir, func() { _ = os.RemoveAll(dir) }
}

// The columns of the table of shots are those of the tables that reading writes, and hold the same
// numbers, to the last bit.
func TestQuantitiesAgreeWithTheTableOfShots(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := anyReading(t)
		var b bytes.Buffer
		table, err := reading.NewShotTable(&b)
		if err == nil {
			err = table.Write(r)
		}
		if err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		cell := map[string]string{}
		for i, name := range rows[0] {
			cell[name] = rows[1][i]
		}
		values := quantitiesOf(r)
		for i, name := range quantityColumns() {
			text, there := cell[name]
			if !there {
				t.Fatalf("the table of shots has no column %s", name)
			}
			delete(cell, name)
			if values[i] == nil {
				if text != "" {
					t.Errorf("%s: got nothing, want %s", name, text)
				}
				continue
			}
			want, err := strconv.ParseFloat(text, 64)
			if got := values[i].(float64); err != nil || math.Float64bits(got) != math.Float64bits(want) {
				t.Errorf("%s: got %v, want %s", name, values[i], text)
			}
		}
		for name := range cell { // what is left over is text
			for _, unit := range []string{"_um", "_deg", "_px", "_dn", "_percent", "_scale"} {
				if strings.HasSuffix(name, unit) {
					t.Errorf("the store has no column %s", name)
				}
			}
		}
	})
}

// chosen is a query done by looking at every reading.
func (q Query) chosen(readings []*reading.Reading) (ids []int) {
	for i, r := range readings {
		at, err := time.Parse(time.RFC3339, r.Shot.TakenAt)
		if err != nil {
			panic(err)
		}
		gate := ""
		if r.Refusal != nil {
			gate = r.Refusal.Gate
		}
		line := ""
		if i%3 > 0 {
			line = "A"
		}
		fits := func(want, got string) bool { return want == "" || want == got }
		if fits(q.Part, r.Source.Part) && fits(q.View, string(r.Shot.View)) && fits(q.Lot, r.Shot.Lot) && fits(q.Sample, r.Shot.Sample) &&
			fits(q.Head, r.Shot.Head) && fits(q.Line, line) && fits(q.Gate, gate) && (q.Since.IsZero() || !at.Before(q.Since)) &&
			(q.Until.IsZero() || at.Before(q.Until)) && (q.Verdicts == nil || slices.Contains(q.Verdicts, r.Verdict.Decision)) {
			ids = append(ids, i)
		}
	}
	slices.SortStableFunc(ids, func(a, b int) int { return strings.Compare(readings[a].Shot.TakenAt, readings[b].Shot.TakenAt) })
	if q.Limit > 0 && len(ids) > q.Limit {
		ids = ids[len(ids)-q.Limit:]
	}
	return ids
}

// Every query chooses what a look at each reading would choose, in the same order, and what it
// yields is equal by all ways.
func TestQueriesChooseWhatTheySay(t *testing.T) {
	const n = 60
	rng := rand.New(rand.NewPCG(7, 7))
	var readings []*reading.Reading
	for i := range n {
		var r *reading.Reading
		switch i % 4 {
		case 0:
			r = anArray(i, 5)
		case 1:
			r = aRetake(i)
		default:
			r = aDie(i)
		}
		r.Shot.TakenAt = noon.Add(time.Duration(rng.IntN(n/2)) * time.Minute).Format(time.RFC3339) // out of order, some at once
		if i%9 == 0 {
			r.Source.Part = "wren"
		}
		readings = append(readings, r)
	}
	each(t, func(t *testing.T, s *Store) {
		for i, r := range readings {
			rec := Record{Reading: r, At: noon}
			if i%3 > 0 {
				rec.Line = "A"
			}
			if _, _, err := s.Record(t.Context(), rec); err != nil {
				t.Fatal(err)
			}
		}
		rapid.Check(t, func(rt *rapid.T) {
			pick := func(name string, from ...string) string {
				return rapid.SampledFrom(append(from, "", "", "")).Draw(rt, name)
			}
			q := Query{
				Part: pick("part", "tern", "wren", "plover"), View: pick("view", "die-plan", "column-plan"), Lot: pick("lot", "L00003", "L00004"),
				Sample: pick("sample", "L00003-1"), Line: pick("line", "A", "B"), Head: pick("head", "H1", "H2"), Gate: pick("gate", "saturated"),
				Limit: rapid.SampledFrom([]int{0, 0, 1, 7, 100}).Draw(rt, "limit"),
			}
			minute := func(name string) time.Time {
				return noon.Add(time.Duration(rapid.IntRange(0, n/2).Draw(rt, name)) * time.Minute)
			}
			if rapid.Bool().Draw(rt, "from") {
				q.Since = minute("since")
			}
			if rapid.Bool().Draw(rt, "to") {
				q.Until = minute("until").In(time.FixedZone("", 3600))
			}
			q.Verdicts = rapid.SampledFrom([][]reading.Decision{nil, {reading.Reject}, {reading.Retake, reading.Accept}}).Draw(rt, "verdicts")
			var want, got, shots []string
			for _, i := range q.chosen(readings) {
				want = append(want, asJSON(rt, readings[i]))
			}
			for k, err := range s.Kept(t.Context(), q) {
				if err != nil {
					rt.Fatal(err)
				}
				got = append(got, asJSON(rt, k.Reading))
				shots = append(shots, k.Shot.Lot+k.Shot.Sample+k.Shot.Head+string(k.Shot.Verdict)+k.Shot.Gate+k.Shot.Part)
			}
			if diff := cmp.Diff(want, got); diff != "" {
				rt.Fatal(diff)
			}
			all, err := s.Shots(t.Context(), q)
			if err != nil || len(all) != len(want) {
				rt.Fatalf("%d shots, want %d; %v", len(all), len(want), err)
			}
			for i, v := range all {
				if have := v.Lot + v.Sample + v.Head + string(v.Verdict) + v.Gate + v.Part; have != shots[i] {
					rt.Errorf("got %s, want %s", have, shots[i])
				}
			}
		})
	})
}

func TestSeries(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		for i := range 30 {
			mustRecord(t, s, aDie(i))
			mustRecord(t, s, anArray(i, 6))
		}
		mustRecord(t, s, aRetake(100))
		values, err := s.Series(t.Context(), Query{Part: "tern", View: "die-plan", Limit: 5}, "y_um")
		if err != nil || len(values) != 5 {
			t.Fatalf("got %d values, %v", len(values), err)
		}
		for i, v := range values {
			r := aDie(25 + i)
			if v.Value != r.Offset.YUm || v.U != r.Offset.UYUm || v.Shot.Sample != r.Shot.Sample || v.Shot.TakenAt.Format(time.RFC3339) != r.Shot.TakenAt {
				t.Errorf("got %+v, want %v of %s", v, r.Offset.YUm, r.Shot.Sample)
			}
		}
		missing, err := s.Series(t.Context(), Query{View: "column-plan"}, "missing")
		if err != nil || len(missing) != 30 || missing[3].Value != float64(anArray(3, 6).Array.Missing) || !math.IsNaN(missing[3].U) {
			t.Errorf("got %+v, %v", missing, err)
		}
		if _, err := s.Series(t.Context(), Query{}, "x_mm"); err == nil || !strings.Contains(err.Error(), "did you mean x_um?") {
			t.Errorf("got %v", err)
		}
	})
}

// The sites come out as the readings have them, as far as they go.
func TestSites(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		for i := range 4 {
			mustRecord(t, s, anArray(i, 10+i))
			mustRecord(t, s, aDie(i))
		}
		k := 0
		for v, err := range s.Sites(t.Context(), Query{Part: "tern"}) {
			if err != nil {
				t.Fatal(err)
			}
			want := anArray(k, 10+k).Array.Sites
			for i := range want {
				want[i].XPx, want[i].YPx, want[i].DiameterUm, want[i].Foot = 0, 0, 0, nil
			}
			if diff := cmp.Diff(want, v.Sites); diff != "" {
				t.Error(diff)
			}
			k++
		}
		if k != 4 {
			t.Errorf("sites of %d shots", k)
		}
		for v, err := range s.States(t.Context(), Query{Limit: 2}) {
			if err != nil {
				t.Fatal(err)
			}
			if v.Sites[0].Name != "A1" || v.Sites[0].State == "" || v.Sites[0].UUm != 0 {
				t.Errorf("got %+v", v.Sites[0])
			}
		}
	})
}
