package store

import (
	"bytes"
	"encoding/json"
	"testing"

	"pgregory.net/rapid"

	"plumbsquare/internal/reading"
)

// What is kept of a reading comes back to the last bit, whatever it holds.
func TestPackGivesBackEveryReading(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := anyReading(t)
		want := asJSON(t, r)
		p, err := pack(r)
		if err != nil {
			t.Fatal(err)
		}
		if asJSON(t, r) != want {
			t.Fatal("packing changed the reading")
		}
		got, err := p.unpack()
		if err != nil {
			t.Fatal(err)
		}
		if g := asJSON(t, got); g != want {
			t.Fatalf("got\n%s\nwant\n%s", g, want)
		}
	})
}

// The sites of an array of a thousand take a fifth of their JSON; nearly all of that are the digits
// of nine numbers a site, 72 bytes, which can't be made shorter without loss.
func TestPackIsCompact(t *testing.T) {
	const sites = 1000
	r := anArray(1, sites)
	p, err := pack(r)
	if err != nil {
		t.Fatal(err)
	}
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	packed := len(p.states) + len(p.places) + len(p.tilts) + len(p.rest)
	t.Logf("JSON %d bytes; packed: states %d, places %d, tilts %d, rest %d", len(b), len(p.states), len(p.places), len(p.tilts), len(p.rest))
	if packed > 72*sites || packed > len(b)/4 {
		t.Errorf("%d sites take %d bytes, their JSON %d", sites, packed, len(b))
	}
}

func TestPackRefusesTooManyStates(t *testing.T) {
	r := anArray(1, 300)
	for i := range r.Array.Sites {
		r.Array.Sites[i].State = r.Array.Sites[i].Name
	}
	if _, err := pack(r); err == nil {
		t.Error("300 states fit in a byte")
	}
}

// Bytes that change, come or go make an error or another reading, never a panic. (Fuzzing does the
// same more cleverly, but hardly a time a second: what it watches includes all of SQLite.)
func TestUnpackTakesDamage(t *testing.T) {
	p, err := pack(anArray(1, 7))
	if err != nil {
		t.Fatal(err)
	}
	whole, err := p.unzip()
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		for range 20 {
			raw := *whole
			parts := append(raw.sites(), &raw.body)
			part := parts[rapid.IntRange(0, len(parts)-1).Draw(t, "part")]
			b := bytes.Clone(*part)
			if at := rapid.IntRange(0, len(b)).Draw(t, "at"); rapid.Bool().Draw(t, "cut") || at == len(b) {
				b = append(b[:at], rapid.SliceOfN(rapid.Byte(), 0, 9).Draw(t, "end")...)
			} else {
				b[at] = rapid.Byte().Draw(t, "byte")
			}
			*part = b
			if r, err := raw.reading(); err == nil && r == nil {
				t.Fatal("neither a reading nor an error")
			}
		}
	})
}

// Whatever a damaged disk makes of the packed form, it is an error or a reading, and what is a
// reading packs into the same bytes again.
func FuzzUnpack(f *testing.F) {
	for _, r := range []*reading.Reading{anArray(1, 7), anArray(2, 1)} {
		p, err := pack(r)
		if err != nil {
			f.Fatal(err)
		}
		raw, err := p.unzip()
		if err != nil {
			f.Fatal(err)
		}
		f.Add(raw.body, raw.names, raw.states, raw.places, raw.tilts, raw.rest, []byte(nil), []byte(nil))
		f.Add(raw.body, raw.names, raw.states, raw.places, raw.tilts, raw.rest, []byte(`[null, {"site":"Q","x_px":1}]`), []byte{0, 0})
	}
	f.Fuzz(func(t *testing.T, body, names, states, places, tilts, rest, more, feet []byte) {
		p := packed{body: body, names: names, states: states, places: places, tilts: tilts, rest: rest, more: more, feet: feet}
		r, err := p.reading()
		if err != nil || r.Array == nil || len(r.Array.Sites) == 0 {
			return
		}
		got := []([]byte){packColumns(r.Array.Sites, placeColumns), packColumns(r.Array.Sites, tiltColumns), packRest(r.Array.Sites), packFeet(r.Array.Sites)}
		for i, want := range [][]byte{places, tilts, rest, feet} {
			if i == 3 && got[i] == nil {
				continue // feet of none
			}
			if names != nil && !bytes.Equal(got[i], want) {
				t.Errorf("part %d: %x became %x", i, want, got[i])
			}
		}
	})
}

func FuzzUnzip(f *testing.F) {
	p, err := pack(anArray(1, 7))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(p.body, p.names, p.states, p.places, p.tilts, p.rest)
	f.Fuzz(func(t *testing.T, body, names, states, places, tilts, rest []byte) {
		p := packed{body: body, names: names, states: states, places: places, tilts: tilts, rest: rest}
		_, _ = p.unpack() // it must end, without a panic
	})
}
