package store

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"math"
	"slices"

	"plumbsquare/internal/reading"
)

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
	footColumns = []func(*reading.Foot) *float64{
		func(f *reading.Foot) *float64 { return &f.DXUm },
		func(f *reading.Foot) *float64 { return &f.DYUm },
		func(f *reading.Foot) *float64 { return &f.UUm },
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

// packSome writes what only some sites have: a byte a site that is 1 where it does, then the columns
// of those.
func packSome[T any](sites []reading.Site, of func(*reading.Site) **T, columns []func(*T) *float64) []byte {
	b := make([]byte, len(sites))
	var some []T
	for i := range sites {
		if v := *of(&sites[i]); v != nil {
			b[i] = 1
			some = append(some, *v)
		}
	}
	return append(b, packColumns(some, columns)...)
}

func unpackSome[T any](b []byte, sites []reading.Site, of func(*reading.Site) **T, columns []func(*T) *float64) error {
	if len(b) < len(sites) {
		return errForm
	}
	var with []**T
	for i, has := range b[:len(sites)] {
		switch has {
		case 0:
		case 1:
			with = append(with, of(&sites[i]))
		default:
			return errForm
		}
	}
	some := make([]T, len(with))
	for i, v := range with {
		if *v != nil { // it has more than the columns hold
			some[i] = **v
		}
	}
	if err := unpackColumns(b[len(sites):], some, columns); err != nil {
		return err
	}
	for i, v := range with {
		*v = &some[i]
	}
	return nil
}

func silhouetteOf(s *reading.Site) **reading.Silhouette { return &s.Silhouette }

func footOf(s *reading.Site) **reading.Foot { return &s.Foot }

func packRest(sites []reading.Site) []byte {
	return append(packColumns(sites, restColumns), packSome(sites, silhouetteOf, silhouetteColumns)...)
}

func unpackRest(b []byte, sites []reading.Site) error {
	columns := 8 * len(sites) * len(restColumns)
	if len(b) < columns {
		return errForm
	}
	if err := unpackColumns(b[:columns], sites, restColumns); err != nil {
		return err
	}
	return unpackSome(b[columns:], sites, silhouetteOf, silhouetteColumns)
}

// packFeet returns nil when no site has a foot.
func packFeet(sites []reading.Site) []byte {
	if !slices.ContainsFunc(sites, func(s reading.Site) bool { return s.Foot != nil }) {
		return nil
	}
	return packSome(sites, footOf, footColumns)
}

func unpackFeet(b []byte, sites []reading.Site) error {
	if b == nil {
		return nil
	}
	return unpackSome(b, sites, footOf, footColumns)
}

// bare returns what v leads to without the columns, nil when that is all.
func bare[T comparable](v *T, columns []func(*T) *float64) *T {
	if v == nil {
		return nil
	}
	var none T
	rest := *v
	for _, of := range columns {
		*of(&rest) = 0
	}
	if rest == none {
		return nil
	}
	return &rest
}

// packMore writes what the other parts don't hold, as the JSON of the sites without what they do:
// fields that sites were given later, until they get columns of their own. It returns nil when
// there is nothing.
func packMore(sites []reading.Site) ([]byte, error) {
	none := true
	rest := make([]*reading.Site, len(sites))
	for i, s := range sites {
		s.Name, s.State = "", ""
		s.Silhouette, s.Foot = bare(s.Silhouette, silhouetteColumns), bare(s.Foot, footColumns)
		for _, of := range slices.Concat(placeColumns, tiltColumns, restColumns) {
			*of(&s) = 0
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
