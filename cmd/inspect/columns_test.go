package main

import (
	"fmt"
	"strings"
	"testing"
	"text/tabwriter"

	"pgregory.net/rapid"
)

// Widths of terminals after Unicode Standard Annex #11 (East Asian wide takes two places) and #29 (a
// combining mark belongs to the letter before it).
func TestColumnsByWidthOnTheTerminal(t *testing.T) {
	var b strings.Builder
	c := newColumns(&b)
	fmt.Fprintln(c, "lot\thead")
	fmt.Fprintln(c, "語語\tH1")
	fmt.Fprintln(c, "Mu\u0308ll\tH2")
	fmt.Fprintln(c, "\U0001F469\u200d\U0001F52Cx\tH3")
	if err := c.Flush(); err != nil {
		t.Fatal(err)
	}
	want := "lot   head\n語語  H1\nMu\u0308ll  H2\n\U0001F469\u200d\U0001F52Cx   H3\n"
	if b.String() != want {
		t.Errorf("got\n%q, want\n%q", b.String(), want)
	}
	for _, s := range []struct {
		text  string
		width int
		want  string
	}{{"abcdef", 6, "abcdef"}, {"abcdef", 4, "…def"}, {"語語語", 5, "…語語"}, {"語語語", 4, "…語"}, {"xe\u0301e\u0301", 2, "…e\u0301"}} {
		if got := shortened(s.text, s.width); got != s.want {
			t.Errorf("%q in %d: got %q, want %q", s.text, s.width, got, s.want)
		}
	}
}

// Where every letter takes one place it is the standard library's tabwriter.
func TestColumnsAsTabwriter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := strings.Join(rapid.SliceOf(rapid.StringMatching(`[a-zµ° ]{0,6}(\t[a-z−]{0,9}){0,4}\n`)).Draw(t, "lines"), "")
		right := rapid.Bool().Draw(t, "right")
		var got, want strings.Builder
		c := &columns{w: &got, right: right}
		var flags uint
		if right {
			flags = tabwriter.AlignRight
		}
		tw := tabwriter.NewWriter(&want, 0, 0, columnGap, ' ', flags)
		for _, err := range []error{second(fmt.Fprint(c, text)), c.Flush(), second(fmt.Fprint(tw, text)), tw.Flush()} {
			if err != nil {
				t.Fatal(err)
			}
		}
		if got.String() != want.String() {
			t.Fatalf("got\n%s\nwant\n%s", got.String(), want.String())
		}
	})
}

func second(_ int, err error) error { return err }
