package store

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"sync"

	_ "embed"

	"github.com/klauspost/compress/zstd"

	"plumbsquare/internal/reading"
)

// A packed is a reading in the form in which the store keeps it. docs/store.md describes it.
type packed struct {
	digest []byte // SHA-256 of what follows, before compression
	body   []byte // JSON without the sites
	names  []byte // of the sites; nil when there are none, as the following
	states []byte
	places []byte // dx_um, dy_um, u_um
	tilts  []byte // tilt_deg, azimuth_deg, u_tilt_deg
	rest   []byte // x_px, y_px, diameter_um, silhouettes
	feet   []byte // nil when no site has one
	more   []byte // what these don't hold of the sites, JSON; nil when they hold all
}

// Readings are alike in their keys, not in their numbers: given two of them beforehand, zstd spares
// a fifth of the room. The file must never change; another one gets another number.
//
//go:embed dictionary1.json
var dictionary1 []byte

const (
	dictionaryID = 1
	parts1       = 5
	// largest is what a part of a reading may unpack to: far more than any, and nothing that hurts.
	largest = 64 << 20
)

// zstd's encoders and decoders are costly to make and may be used by many at once.
var (
	bodyEncoder = sync.OnceValue(func() *zstd.Encoder {
		return must(zstd.NewWriter(nil, zstd.WithEncoderDictRaw(dictionaryID, dictionary1)))
	})
	plainEncoder = sync.OnceValue(func() *zstd.Encoder { return must(zstd.NewWriter(nil)) })
	decoder      = sync.OnceValue(func() *zstd.Decoder {
		return must(zstd.NewReader(nil, zstd.WithDecoderDictRaw(dictionaryID, dictionary1), zstd.WithDecoderMaxMemory(largest), zstd.WithDecoderConcurrency(0)))
	})
)

// must is for options that are wrong in every run or in none.
func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func unzip(b []byte) ([]byte, error) { return decoder().DecodeAll(b, nil) }

// pack puts a reading into the form in which it is kept. Every number comes back as it is, to the
// last bit.
func pack(r *reading.Reading) (*packed, error) {
	body := *r
	var sites []reading.Site
	if r.Array != nil && len(r.Array.Sites) > 0 {
		a := *r.Array
		sites, a.Sites = a.Sites, nil
		body.Array = &a
	}
	b, err := json.Marshal(&body)
	if err != nil {
		return nil, fmt.Errorf("a reading that can't be written as JSON: %w", err)
	}
	raw := packed{body: b}
	if len(sites) > 0 {
		raw.names = packWords(sites, func(s *reading.Site) string { return s.Name })
		if raw.states, err = packStates(sites); err != nil {
			return nil, err
		}
		raw.places = packColumns(sites, placeColumns)
		raw.tilts = packColumns(sites, tiltColumns)
		raw.rest = packRest(sites)
		raw.feet = packFeet(sites)
		if raw.more, err = packMore(sites); err != nil {
			return nil, err
		}
	}
	p := &packed{digest: raw.sum(), body: bodyEncoder().EncodeAll(raw.body, nil)}
	to := p.sites()
	for i, from := range raw.sites() {
		if *from != nil {
			*to[i] = plainEncoder().EncodeAll(*from, nil)
		}
	}
	return p, nil
}

// sites lists the parts that hold the sites, in the order in which the digest takes them. The first
// store had parts1 of them; those that came later count for a digest only where there is one.
func (p *packed) sites() []*[]byte {
	return []*[]byte{&p.names, &p.states, &p.places, &p.tilts, &p.rest, &p.more, &p.feet}
}

// sum is the digest of what isn't compressed.
func (p *packed) sum() []byte {
	h := sha256.New()
	add := func(b []byte) {
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(b))))
		h.Write(b)
	}
	add(p.body)
	for i, b := range p.sites() {
		if i < parts1 || *b != nil {
			add(*b)
		}
	}
	return h.Sum(nil)
}

// unzip returns p without its compression.
func (p *packed) unzip() (*packed, error) {
	raw := &packed{digest: p.digest}
	var err error
	if raw.body, err = unzip(p.body); err != nil {
		return nil, err
	}
	to := raw.sites()
	for i, from := range p.sites() {
		if *from == nil {
			continue
		}
		if *to[i], err = unzip(*from); err != nil {
			return nil, err
		}
	}
	return raw, nil
}

// unpack returns the reading.
func (p *packed) unpack() (*reading.Reading, error) {
	raw, err := p.unzip()
	if err != nil {
		return nil, err
	}
	return raw.reading()
}

// reading returns the reading of a packed that isn't compressed.
func (p *packed) reading() (*reading.Reading, error) {
	r := new(reading.Reading)
	if err := json.Unmarshal(p.body, r); err != nil {
		return nil, err
	}
	if p.names == nil {
		return r, nil
	}
	if r.Array == nil {
		return nil, errors.New("sites without an array")
	}
	names, err := unpackWords(p.names)
	if err != nil {
		return nil, err
	}
	sites := make([]reading.Site, len(names))
	if err := unpackMore(p.more, sites); err != nil {
		return nil, err
	}
	for i, n := range names {
		sites[i].Name = n
	}
	if err := errors.Join(unpackStates(p.states, sites), unpackColumns(p.places, sites, placeColumns),
		unpackColumns(p.tilts, sites, tiltColumns), unpackRest(p.rest, sites), unpackFeet(p.feet, sites)); err != nil {
		return nil, err
	}
	r.Array.Sites = sites
	return r, nil
}
