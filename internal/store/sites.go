package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"

	"plumbsquare/internal/reading"
)

// A ShotSites is the array of one shot.
type ShotSites struct {
	Shot Shot
	// Sites have name, state, offsets, tilt, azimuth and their uncertainties. Places in the picture,
	// diameters and silhouettes are in the reading only.
	Sites []reading.Site
}

// Sites yields the sites of the shots that a query chooses, in the order in which they were taken.
// It opens a part of what is kept of the sites and nothing else; shots without any are left out.
func (s *Store) Sites(ctx context.Context, q Query) iter.Seq2[ShotSites, error] {
	return s.sites(ctx, q, "s.places, s.tilts", func(sites []reading.Site, places, tilts []byte) error {
		return errors.Join(unpackColumns(places, sites, placeColumns), unpackColumns(tilts, sites, tiltColumns))
	})
}

// States yields the same with names and states alone, which takes a quarter of the time: to look
// for sites at which something is amiss again and again.
func (s *Store) States(ctx context.Context, q Query) iter.Seq2[ShotSites, error] {
	return s.sites(ctx, q, "NULL, NULL", func([]reading.Site, []byte, []byte) error { return nil })
}

func (s *Store) sites(ctx context.Context, q Query, columns string, fill func(sites []reading.Site, places, tilts []byte) error) iter.Seq2[ShotSites, error] {
	const joins = " JOIN site_readings s ON s.shot_id = shots.id AND s.number = shots.readings JOIN site_lists n ON n.id = s.list_id"
	lists := map[int64][]string{}
	scan := func(all *sql.Rows) (ShotSites, error) {
		var v ShotSites
		var list int64
		var packedNames, states, places, tilts []byte
		if err := all.Scan(append(v.Shot.into(), &list, &packedNames, &states, &places, &tilts)...); err != nil {
			return v, err
		}
		names, err := siteNames(lists, list, packedNames)
		if err != nil {
			return v, err
		}
		v.Sites = newSites(names)
		for _, b := range []*[]byte{&states, &places, &tilts} {
			if *b == nil {
				continue
			}
			if *b, err = unzip(*b); err != nil {
				return v, fmt.Errorf("shot %d: %w", v.Shot.ID, err)
			}
		}
		if err := errors.Join(unpackStates(states, v.Sites), fill(v.Sites, places, tilts)); err != nil {
			return v, fmt.Errorf("shot %d: %w", v.Shot.ID, err)
		}
		return v, nil
	}
	return ordered(ctx, s, "read sites", q, shotFields+", s.list_id, n.names, s.states, "+columns, joins, func(all *sql.Rows) (int64, ShotSites, error) {
		v, err := scan(all)
		return v.Shot.ID, v, err
	})
}

// siteNames returns a list of sites and remembers it: most shots have the same.
func siteNames(known map[int64][]string, list int64, packed []byte) ([]string, error) {
	if names, ok := known[list]; ok {
		return names, nil
	}
	b, err := unzip(packed)
	if err != nil {
		return nil, err
	}
	names, err := unpackWords(b)
	if err == nil {
		known[list] = names
	}
	return names, err
}
