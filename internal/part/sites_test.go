package part_test

import (
	"strings"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/part"
)

func TestSiteNames(t *testing.T) {
	// The rows of a 26 × 26 array as a 484-pin package drawing labels them, which names JEDEC
	// MS-034 variation AAL-1 as its outline (Zylogic ZE5 specification, page 93).
	drawn := strings.Fields("A B C D E F G H J K L M N P R T U V W Y AA AB AC AD AE AF")
	for i, letters := range drawn {
		if got, want := part.SiteName(i+1, 26), letters+"26"; got != want {
			t.Errorf("row %d: got %s, want %s", i+1, got, want)
		}
	}
	// Beyond, by the rule that the letters count on like digits; common practice, no source.
	for row, want := range map[int]string{29: "AJ1", 40: "AY1", 41: "BA1", 42: "BB1", 420: "YY1", 421: "AAA1"} {
		if got := part.SiteName(row, 1); got != want {
			t.Errorf("row %d: got %s, want %s", row, got, want)
		}
	}
}

func TestParseSiteUndoesSiteName(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		row := rapid.IntRange(1, 2000).Draw(t, "row")
		column := rapid.IntRange(1, 2000).Draw(t, "column")
		r, c, err := part.ParseSite(part.SiteName(row, column))
		if err != nil || r != row || c != column {
			t.Errorf("%s: got row %d, column %d, %v", part.SiteName(row, column), r, c, err)
		}
	})
}

func TestParseSiteRefuses(t *testing.T) {
	for _, name := range []string{"", "A", "1", "1A", "A0", "A01", "I1", "O1", "Q1", "S1", "X1", "Z1", "a1", "A-1", "A1 ", "Ä1", "A1B", "AAAAAAAAAAAAAA1", "A99999999999999999999"} {
		if r, c, err := part.ParseSite(name); err == nil {
			t.Errorf("ParseSite(%q) = %d, %d", name, r, c)
		}
	}
}

func TestAbsentRectanglesAndRuns(t *testing.T) {
	for _, tt := range []struct {
		absent []string
		want   string
	}{
		{nil, "A1 A2 A3 B1 B2 B3"},
		{[]string{"A1"}, "A2 A3 B1 B2 B3"},
		{[]string{"A1:A3"}, "B1 B2 B3"},
		{[]string{"A2:B3"}, "A1 B1"},
		{[]string{"A1:B1", "B1:B2", " B2 : B2 "}, "A2 A3 B3"},
	} {
		a := part.Array{Rows: 2, Columns: 3, PitchMm: 1, Absent: tt.absent}
		sites, err := a.Sites()
		if err != nil {
			t.Errorf("%q: %v", tt.absent, err)
		}
		var names []string
		for _, s := range sites {
			names = append(names, s.Name)
		}
		if got := strings.Join(names, " "); got != tt.want {
			t.Errorf("%q: got %s, want %s", tt.absent, got, tt.want)
		}
	}
	if _, err := (&part.Array{Rows: -1, Columns: 3}).Sites(); err == nil {
		t.Error("no error for -1 rows")
	}
}
