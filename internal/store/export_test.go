package store

import (
	"bytes"
	"encoding/csv"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/parquet-go/parquet-go"

	"plumbsquare/internal/reading"
)

// JSON Lines that were recorded come out the same, and can be recorded again.
func TestExportJSON(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		var want []string
		for i := range 6 {
			for _, r := range []*reading.Reading{aDie(i), anArray(i, 8)} {
				mustRecord(t, s, r)
				want = append(want, asJSON(t, r))
			}
		}
		n := 0
		var b bytes.Buffer
		if err := s.ExportJSON(t.Context(), Query{}, &b, func() { n++ }); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(strings.Join(want, "\n")+"\n", b.String()); diff != "" || n != len(want) {
			t.Errorf("%d of %d\n%s", n, len(want), diff)
		}
		for r, err := range reading.Lines(&b, "export") {
			if err != nil {
				t.Fatal(err)
			}
			if _, known, err := s.Record(t.Context(), Record{Reading: r, At: noon}); err != nil || !known {
				t.Errorf("known %v, %v", known, err)
			}
		}
	})
}

func TestExportCSV(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		var want, wantSites bytes.Buffer
		shots, err := reading.NewShotTable(&want)
		if err != nil {
			t.Fatal(err)
		}
		sites, err := reading.NewSiteTable(&wantSites)
		if err != nil {
			t.Fatal(err)
		}
		for i := range 3 {
			for _, r := range []*reading.Reading{aDie(i), anArray(i, 4), aRetake(i + 10)} {
				if _, _, err := s.Record(t.Context(), Record{Reading: r, At: noon, Line: "A, B"}); err != nil {
					t.Fatal(err)
				}
			}
		}
		for r, err := range s.Readings(t.Context(), Query{}) {
			if err != nil {
				t.Fatal(err)
			}
			if err := shots.Write(r); err != nil {
				t.Fatal(err)
			}
			if err := sites.Write(r); err != nil {
				t.Fatal(err)
			}
		}
		var got, gotSites bytes.Buffer
		if err := s.ExportCSV(t.Context(), Query{}, &got, &gotSites, nil); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(wantSites.String(), gotSites.String()); diff != "" {
			t.Error(diff)
		}
		rows, err := csv.NewReader(&got).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		plain, err := csv.NewReader(&want).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for i, row := range rows {
			if i > 0 && (row[1] != "2031-03-05T12:00:00Z" || row[2] != "A, B") {
				t.Errorf("got %q", row[:3])
			}
			if diff := cmp.Diff(plain[i], row[3:]); diff != "" {
				t.Error(diff)
			}
		}
	})
}

// Parquet holds what the table of shots does, as a reader of the format sees it.
func TestExportParquet(t *testing.T) {
	type row struct {
		Shot       int64      `parquet:"shot"`
		RecordedAt *time.Time `parquet:"recorded_at,optional,timestamp(microsecond)"`
		TakenAt    *time.Time `parquet:"taken_at,optional,timestamp(microsecond)"`
		Line       *string    `parquet:"line,optional"`
		Lot        *string    `parquet:"lot,optional"`
		Verdict    *string    `parquet:"verdict,optional"`
		X          *float64   `parquet:"x_um,optional"`
		UX         *float64   `parquet:"u_x_um,optional"`
		Missing    *float64   `parquet:"missing,optional"`
	}
	each(t, func(t *testing.T, s *Store) {
		die, array, retake := aDie(1), anArray(2, 5), aRetake(3)
		retake.Shot.TakenAt = "this morning"
		for _, r := range []*reading.Reading{die, array, retake} {
			mustRecord(t, s, r)
		}
		var b bytes.Buffer
		if err := s.ExportParquet(t.Context(), Query{}, &b, nil); err != nil {
			t.Fatal(err)
		}
		file := parquet.NewGenericReader[row](bytes.NewReader(b.Bytes()))
		got := make([]row, 4)
		n, err := file.Read(got)
		if n != 3 || err != nil && err != io.EOF {
			t.Fatalf("got %d rows, %v", n, err)
		}
		byShot := map[int64]row{}
		for _, r := range got[:n] {
			byShot[r.Shot] = r
		}
		minute := func(i int) *time.Time { return new(noon.Add(time.Duration(i) * time.Minute)) }
		missing := float64(array.Array.Missing)
		accept, retaken := "accept", "retake"
		want := map[int64]row{
			1: {1, &noon, minute(1), nil, &die.Shot.Lot, &accept, &die.Offset.XUm, &die.Offset.UXUm, nil},
			2: {2, &noon, minute(2), nil, &array.Shot.Lot, &accept, nil, nil, &missing},
			3: {3, &noon, nil, nil, &retake.Shot.Lot, &retaken, nil, nil, nil},
		}
		if diff := cmp.Diff(want, byShot); diff != "" {
			t.Error(diff)
		}
		if names := len(file.Schema().Columns()); names < 9 {
			t.Errorf("%d columns", names)
		}
	})
}
