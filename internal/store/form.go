package store

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
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
	more   []byte // what these don't hold of the sites, JSON; nil when they hold all
}

// Readings are alike in their keys, not in their numbers: given two of them beforehand, zstd spares
// a fifth of the room. The file must never change; another one gets another number.
//
//go:embed dictionary1.json
var dictionary1 []byte

const (
	dictionaryID = 1
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

// sites lists the parts that hold the sites.
func (p *packed) sites() []*[]byte {
	return []*[]byte{&p.names, &p.states, &p.places, &p.tilts, &p.rest, &p.more}
}

// sum is the digest of what isn't compressed.
func (p *packed) sum() []byte {
	h := sha256.New()
	add := func(b []byte) {
		h.Write(binary.BigEndian.AppendUint64(nil, uint64(len(b))))
		h.Write(b)
	}
	add(p.body)
	for _, b := range p.sites() {
		if b != &p.more || *b != nil { // it came later than the others
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
		unpackColumns(p.tilts, sites, tiltColumns), unpackRest(p.rest, sites)); err != nil {
		return nil, err
	}
	r.Array.Sites = sites
	return r, nil
}

func newSites(names []string) []reading.Site {
	sites := make([]reading.Site, len(names))
	for i, n := range names {
		sites[i].Name = n
	}
	return sites
}

var errForm = errors.New("the packed form of the sites is damaged")

// packWords writes a text of each site: its length as an unsigned varint, then its bytes.
func packWords(sites []reading.Site, word func(*reading.Site) string) (b []byte) {
	for i := range sites {
		w := word(&sites[i])
		b = append(binary.AppendUvarint(b, uint64(len(w))), w...)
	}
	return b
}

func unpackWords(b []byte) (words []string, err error) {
	for len(b) > 0 {
		n, k := binary.Uvarint(b)
		if k <= 0 || n > uint64(len(b)-k) {
			return nil, errForm
		}
		words = append(words, string(b[k:k+int(n)]))
		b = b[k+int(n):]
	}
	return words, nil
}

// packStates writes one byte a site, then the words that these bytes number.
func packStates(sites []reading.Site) ([]byte, error) {
	var words []reading.Site // those of each state, once
	b := make([]byte, len(sites))
	for i, s := range sites {
		k := slices.IndexFunc(words, func(w reading.Site) bool { return w.State == s.State })
		if k < 0 {
			k, words = len(words), append(words, s)
		}
		if k > math.MaxUint8 {
			return nil, errors.New("a reading whose sites have more than 256 states")
		}
		b[i] = byte(k)
	}
	return append(b, packWords(words, func(s *reading.Site) string { return s.State })...), nil
}

func unpackStates(b []byte, sites []reading.Site) error {
	if len(b) < len(sites) {
		return errForm
	}
	words, err := unpackWords(b[len(sites):])
	if err != nil {
		return err
	}
	for i := range sites {
		if int(b[i]) >= len(words) {
			return errForm
		}
		sites[i].State = words[b[i]]
	}
	return nil
}

// Columns of numbers of the sites, in the order in which they are packed.
var (
	placeColumns = []func(*reading.Site) *float64{
		func(s *reading.Site) *float64 { return &s.DXUm },
		func(s *reading.Site) *float64 { return &s.DYUm },
		func(s *reading.Site) *float64 { return &s.UUm },
	}
	tiltColumns = []func(*reading.Site) *float64{
		func(s *reading.Site) *float64 { return &s.TiltDeg },
		func(s *reading.Site) *float64 { return &s.AzimuthDeg },
		func(s *reading.Site) *float64 { return &s.UTiltDeg },
	}
	restColumns = []func(*reading.Site) *float64{
		func(s *reading.Site) *float64 { return &s.XPx },
		func(s *reading.Site) *float64 { return &s.YPx },
		func(s *reading.Site) *float64 { return &s.DiameterUm },
	}
	silhouetteColumns = []func(*reading.Silhouette) *float64{
		func(s *reading.Silhouette) *float64 { return &s.HeightUm },
		func(s *reading.Silhouette) *float64 { return &s.UHeightUm },
		func(s *reading.Silhouette) *float64 { return &s.FootUm },
		func(s *reading.Silhouette) *float64 { return &s.UFootUm },
		func(s *reading.Silhouette) *float64 { return &s.BendUm },
		func(s *reading.Silhouette) *float64 { return &s.UBendUm },
		func(s *reading.Silhouette) *float64 { return &s.SeatingUm },
		func(s *reading.Silhouette) *float64 { return &s.USeatingUm },
	}
)

// packColumns writes the columns one after the other, each as the first bytes of all its numbers,
// then the second ones, and so on: signs and exponents are alike from site to site and vanish in
// the compression, which digits never do.
func packColumns[T any](rows []T, columns []func(*T) *float64) []byte {
	n := len(rows)
	b := make([]byte, 8*n*len(columns))
	for c, of := range columns {
		part := b[8*n*c:]
		for i := range rows {
			bits := math.Float64bits(*of(&rows[i]))
			for k := range 8 {
				part[k*n+i] = byte(bits >> (56 - 8*k))
			}
		}
	}
	return b
}

func unpackColumns[T any](b []byte, rows []T, columns []func(*T) *float64) error {
	n := len(rows)
	if len(b) != 8*n*len(columns) {
		return errForm
	}
	for c, of := range columns {
		part := b[8*n*c:]
		for i := range rows {
			var bits uint64
			for k := range 8 {
				bits = bits<<8 | uint64(part[k*n+i])
			}
			*of(&rows[i]) = math.Float64frombits(bits)
		}
	}
	return nil
}

// packRest writes the other columns, a byte a site that is 1 where it has a silhouette, and the
// columns of the silhouettes.
func packRest(sites []reading.Site) []byte {
	b := packColumns(sites, restColumns)
	var outlines []reading.Silhouette
	for i := range sites {
		if s := sites[i].Silhouette; s != nil {
			outlines = append(outlines, *s)
			b = append(b, 1)
		} else {
			b = append(b, 0)
		}
	}
	return append(b, packColumns(outlines, silhouetteColumns)...)
}

func unpackRest(b []byte, sites []reading.Site) error {
	n := len(sites)
	columns := 8 * n * len(restColumns)
	if len(b) < columns+n {
		return errForm
	}
	if err := unpackColumns(b[:columns], sites, restColumns); err != nil {
		return err
	}
	var with []*reading.Site
	for i, has := range b[columns : columns+n] {
		switch has {
		case 0:
		case 1:
			with = append(with, &sites[i])
		default:
			return errForm
		}
	}
	outlines := make([]reading.Silhouette, len(with))
	for i, s := range with {
		if s.Silhouette != nil {
			outlines[i] = *s.Silhouette
		}
	}
	if err := unpackColumns(b[columns+n:], outlines, silhouetteColumns); err != nil {
		return err
	}
	for i, s := range with {
		s.Silhouette = &outlines[i]
	}
	return nil
}

// packMore writes what the other parts don't hold, as the JSON of the sites without what they do:
// fields that sites were given later, until they get columns of their own. It returns nil when
// there is nothing.
func packMore(sites []reading.Site) ([]byte, error) {
	none := true
	rest := make([]*reading.Site, len(sites))
	for i, s := range sites {
		s.Name, s.State = "", ""
		if s.Silhouette != nil {
			outline := *s.Silhouette
			for _, of := range silhouetteColumns {
				*of(&outline) = 0
			}
			if s.Silhouette = nil; outline != (reading.Silhouette{}) {
				s.Silhouette = &outline
			}
		}
		for _, columns := range [][]func(*reading.Site) *float64{placeColumns, tiltColumns, restColumns} {
			for _, of := range columns {
				*of(&s) = 0
			}
		}
		if s != (reading.Site{}) {
			rest[i], none = &s, false
		}
	}
	if none {
		return nil, nil
	}
	return json.Marshal(rest)
}

// unpackMore comes before the other parts, which overwrite what it has of theirs.
func unpackMore(b []byte, sites []reading.Site) error {
	if b == nil {
		return nil
	}
	rest := make([]*reading.Site, 0, len(sites))
	if err := json.Unmarshal(b, &rest); err != nil {
		return err
	}
	if len(rest) != len(sites) {
		return errForm
	}
	for i, s := range rest {
		if s != nil {
			sites[i] = *s
		}
	}
	return nil
}
