package store

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"plumbsquare/internal/reading"
)

func TestRecordTwiceIsOneShot(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		for _, r := range []*reading.Reading{aDie(1), anArray(2, 20), aRetake(3)} {
			id := mustRecord(t, s, r)
			copied := *r
			copied.Source.Picture = "elsewhere/copy of it.png"
			again, known, err := s.Record(t.Context(), Record{Reading: &copied, At: noon.Add(time.Hour)})
			if err != nil || !known || again != id {
				t.Errorf("%s: got shot %d, known %v, %v; want %d, true", r.Source.Picture, again, known, err, id)
			}
			history, err := s.History(t.Context(), id)
			if err != nil || len(history) != 1 {
				t.Errorf("%d readings, %v", len(history), err)
			}
		}
	})
}

// A reading made anew, with another program or corrected particulars, speaks for the shot; the old
// one stays, and coming once more changes nothing.
func TestRecordAnew(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		old := aDie(1)
		id := mustRecord(t, s, old)
		anew := aDie(1)
		anew.Source.Program, anew.Shot.Lot, anew.Offset.XUm = "v1.1.0", "L77", -3
		if got, known, err := s.Record(t.Context(), Record{Reading: anew, At: noon.Add(time.Hour), Line: "B"}); err != nil || known || got != id {
			t.Fatalf("got shot %d, known %v, %v; want %d, false", got, known, err, id)
		}
		if _, known, err := s.Record(t.Context(), Record{Reading: old, At: noon}); err != nil || !known {
			t.Fatalf("known %v, %v", known, err)
		}
		kept, err := s.Get(t.Context(), id)
		if err != nil {
			t.Fatal(err)
		}
		if got, want := asJSON(t, kept.Reading), asJSON(t, anew); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
		if kept.Shot.Lot != "L77" || kept.Shot.Line != "B" || kept.Shot.Readings != 2 || !kept.Shot.RecordedAt.Equal(noon) {
			t.Errorf("got %+v", kept.Shot)
		}
		values, err := s.Series(t.Context(), Query{Part: "tern"}, "x_um")
		if err != nil || len(values) != 1 || values[0].Value != -3 || values[0].U != 0.2 {
			t.Errorf("got %+v, %v", values, err)
		}
		history, err := s.History(t.Context(), id)
		if err != nil || len(history) != 2 || asJSON(t, history[0]) != asJSON(t, old) {
			t.Errorf("got %d readings, %v", len(history), err)
		}
	})
}

// The same picture is another shot when it is read as another part or in another view.
func TestRecordOtherViewIsOtherShot(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		r := aDie(1)
		id := mustRecord(t, s, r)
		other := aDie(1)
		other.Shot.View = reading.DieIR
		if got := mustRecord(t, s, other); got == id {
			t.Error("a view more, but one shot")
		}
		other.Source.Part = "wren"
		if got := mustRecord(t, s, other); got == id {
			t.Error("a part more, but one shot")
		}
	})
}

// Any reading comes back as it was, by every way, and is known when it comes again.
func TestRecordGivesBackEveryReading(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		rapid.Check(t, func(rt *rapid.T) {
			r := anyReading(rt)
			r.Source.SHA256 = shaOf(asJSON(rt, r))
			want := asJSON(rt, r)
			id, _, err := s.Record(context.Background(), Record{Reading: r, At: noon})
			if err != nil {
				rt.Fatal(err)
			}
			kept, err := s.Get(context.Background(), id)
			if err != nil {
				rt.Fatal(err)
			}
			if got := asJSON(rt, kept.Reading); got != want {
				rt.Fatalf("got\n%s\nwant\n%s", got, want)
			}
			if again, known, err := s.Record(context.Background(), Record{Reading: r, At: noon}); err != nil || !known || again != id {
				rt.Fatalf("again: shot %d, known %v, %v; want %d", again, known, err, id)
			}
		})
	})
}

func TestRecordRefuses(t *testing.T) {
	nameless, viewless, digestless := aDie(1), aDie(1), aDie(1)
	nameless.Source.Part, viewless.Shot.View, digestless.Source.SHA256 = "", "", "33ed"
	each(t, func(t *testing.T, s *Store) {
		for _, r := range []*reading.Reading{nil, nameless, viewless, digestless} {
			if _, _, err := s.Record(t.Context(), Record{Reading: r, At: noon}); err == nil {
				t.Errorf("recorded %+v", r)
			}
		}
	})
}

// Several machines that record the same pictures at once make one shot of each.
func TestRecordAtOnce(t *testing.T) {
	const machines, pictures = 4, 20
	eachAddress(t, func(t *testing.T, at string) {
		var wg sync.WaitGroup
		for m := range machines {
			s := open(t, at)
			wg.Go(func() {
				for i := range pictures {
					r := aDie((i*7 + m*5) % pictures)
					if _, _, err := s.Record(t.Context(), Record{Reading: r, At: noon}); err != nil {
						t.Error(err)
					}
				}
			})
		}
		wg.Wait()
		shots, err := open(t, at).Shots(t.Context(), Query{})
		if err != nil || len(shots) != pictures {
			t.Errorf("got %d shots, %v", len(shots), err)
		}
		for _, v := range shots {
			if v.Readings != 1 {
				t.Errorf("shot %d has %d readings", v.ID, v.Readings)
			}
		}
	})
}

// What was acknowledged is in the file although nobody has closed the store.
func TestRecordIsThereForOthers(t *testing.T) {
	at := filepath.Join(t.TempDir(), "store.db")
	writer := open(t, at)
	for i := range 10 {
		id := mustRecord(t, writer, aDie(i))
		if _, err := open(t, at).Get(t.Context(), id); err != nil {
			t.Errorf("shot %d: %v", id, err)
		}
	}
}

func TestLots(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		for _, i := range []int{7, 5, 9} { // lot L00001
			mustRecord(t, s, aDie(i))
		}
		var part, name string
		var first, last time.Time
		err := s.read.QueryRow("SELECT part, name, first_at, last_at FROM lots").Scan(&part, &name, instantOf{&first}, instantOf{&last})
		if err != nil || name != "L00001" || !first.Equal(noon.Add(5*time.Minute)) || !last.Equal(noon.Add(9*time.Minute)) {
			t.Errorf("got %s %s from %s to %s, %v", part, name, first, last, err)
		}
	})
}

func TestKeepFiles(t *testing.T) {
	text := []byte("name: tern # µ\r\n\x00")
	each(t, func(t *testing.T, s *Store) {
		ctx := t.Context()
		mustRecord(t, s, aDie(1)) // names a version of tern that nobody has kept
		for range 2 {
			if err := s.KeepPart(ctx, "tern", text, noon.Add(time.Minute)); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.KeepScope(ctx, "bench-1", []byte("name: bench-1"), noon); err != nil {
			t.Fatal(err)
		}
		got, err := s.Parts(ctx)
		want := []File{
			{Name: "tern", SHA256: shaOf("tern.yaml"), First: noon},
			{Name: "tern", SHA256: shaOf(string(text)), Text: text, First: noon.Add(time.Minute)},
		}
		if diff := cmp.Diff(want, got); err != nil || diff != "" {
			t.Errorf("%v\n%s", err, diff)
		}
		if b, err := s.FileOf(ctx, shaOf(string(text))[:8]); err != nil || string(b) != string(text) {
			t.Errorf("got %q, %v", b, err)
		}
		if _, err := s.FileOf(ctx, shaOf("tern.yaml")); !errors.Is(err, ErrNoFile) {
			t.Errorf("a file that nobody kept: %v", err)
		}
		if _, err := s.FileOf(ctx, ""); err == nil {
			t.Error("one of two files")
		}
	})
}

// Texts sort and compare by their bytes in every database.
func TestTextsSortByBytes(t *testing.T) {
	each(t, func(t *testing.T, s *Store) {
		for i, name := range []string{"b", "B", "a", "Ä", "a-1", "a1", "Z"} {
			if err := s.KeepPart(t.Context(), name, []byte{byte(i)}, noon); err != nil {
				t.Fatal(err)
			}
		}
		parts, err := s.Parts(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		var names []string
		for _, p := range parts {
			names = append(names, p.Name)
		}
		if diff := cmp.Diff([]string{"B", "Z", "a", "a-1", "a1", "b", "Ä"}, names); diff != "" {
			t.Error(diff)
		}
	})
}

func ExampleStore_Record() {
	ctx := context.Background()
	dir, done := scratch()
	defer done()
	s, err := Open(ctx, filepath.Join(dir, "store.db"))
	if err != nil {
		panic(err)
	}
	defer s.Close()
	for range 2 {
		shot, known, err := s.Record(ctx, Record{Reading: aDie(1), At: noon})
		fmt.Println(shot, known, err)
	}
	// Output:
	// 1 false <nil>
	// 1 true <nil>
}
