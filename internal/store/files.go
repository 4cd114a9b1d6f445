package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"
)

// A File is one version of a part or scope file.
type File struct {
	Name   string // of the part or scope
	SHA256 string // of the file, hexadecimal: the version
	Text   []byte // nil when a reading has named the version but nobody has kept the file
	First  time.Time
}

// KeepPart keeps the text of a part file, so that readings made with it can be repeated when the
// file has long changed. at is when it is kept; what is known already stays as it is.
func (s *Store) KeepPart(ctx context.Context, name string, text []byte, at time.Time) error {
	return s.keepFile(ctx, "parts", name, text, at)
}

// KeepScope does the same for a scope file.
func (s *Store) KeepScope(ctx context.Context, name string, text []byte, at time.Time) error {
	return s.keepFile(ctx, "scopes", name, text, at)
}

// Parts returns every version of every part file, by name and then in the order in which they came.
func (s *Store) Parts(ctx context.Context) ([]File, error) { return s.files(ctx, "parts") }

// Scopes returns every version of every scope file likewise.
func (s *Store) Scopes(ctx context.Context) ([]File, error) { return s.files(ctx, "scopes") }

func (s *Store) keepFile(ctx context.Context, table, name string, text []byte, at time.Time) error {
	sum := sha256.Sum256(text)
	version := hex.EncodeToString(sum[:])
	var kept bool
	err := s.read.QueryRowContext(ctx, "SELECT file IS NOT NULL FROM "+table+" WHERE name = $1 AND sha256 = $2", name, version).Scan(&kept)
	if err == nil && kept {
		return nil
	}
	err = s.tx(ctx, func(tx *sql.Tx) error {
		id, err := fileID(ctx, tx, table, name, version, at)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, "UPDATE "+table+" SET file = $1 WHERE id = $2 AND file IS NULL", text, id)
		return err
	})
	if err != nil {
		return s.wrong("keep the file of "+name, err)
	}
	return nil
}

// fileID returns the number of a version of a part or scope, and makes one where there is none.
func fileID(ctx context.Context, tx *sql.Tx, table, name, version string, at time.Time) (id int64, err error) {
	find := func() error {
		return tx.QueryRowContext(ctx, "SELECT id FROM "+table+" WHERE name = $1 AND sha256 = $2", name, version).Scan(&id)
	}
	if err = find(); !errors.Is(err, sql.ErrNoRows) {
		return id, err
	}
	_, err = tx.ExecContext(ctx, "INSERT INTO "+table+" (name, sha256, first_at) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING", name, version, instant(at))
	if err != nil {
		return 0, err
	}
	return id, find()
}

func (s *Store) files(ctx context.Context, table string) ([]File, error) {
	rows, err := s.read.QueryContext(ctx, "SELECT name, sha256, file, first_at FROM "+table+" ORDER BY name, first_at, id")
	if err != nil {
		return nil, s.wrong("list "+table, err)
	}
	defer rows.Close()
	var all []File
	for rows.Next() {
		var f File
		if err := rows.Scan(&f.Name, &f.SHA256, &f.Text, instantOf{&f.First}); err != nil {
			return nil, s.wrong("list "+table, err)
		}
		all = append(all, f)
	}
	if err := rows.Err(); err != nil {
		return nil, s.wrong("list "+table, err)
	}
	return all, nil
}

// ErrNoFile says that the text of a version isn't kept.
var ErrNoFile = errors.New("no file of this version is kept")

// siteList returns the number of a list of sites, and keeps it where it is new.
func siteList(ctx context.Context, tx *sql.Tx, names []byte) (id int64, err error) {
	digest := sha256.Sum256(names)
	find := func() error {
		return tx.QueryRowContext(ctx, "SELECT id FROM site_lists WHERE digest = $1", digest[:]).Scan(&id)
	}
	if err = find(); !errors.Is(err, sql.ErrNoRows) {
		return id, err
	}
	if _, err = tx.ExecContext(ctx, "INSERT INTO site_lists (digest, names) VALUES ($1, $2) ON CONFLICT DO NOTHING", digest[:], names); err != nil {
		return 0, err
	}
	return id, find()
}

// FileOf returns the text of the one part or scope file whose version begins so.
func (s *Store) FileOf(ctx context.Context, version string) ([]byte, error) {
	var texts [][]byte
	for _, table := range []string{"parts", "scopes"} {
		files, err := s.files(ctx, table)
		if err != nil {
			return nil, err
		}
		for _, f := range files {
			if f.Text != nil && strings.HasPrefix(f.SHA256, strings.ToLower(version)) {
				texts = append(texts, f.Text)
			}
		}
	}
	switch {
	case len(texts) == 0:
		return nil, fmt.Errorf("version %s: %w", version, ErrNoFile)
	case len(texts) > 1:
		return nil, fmt.Errorf("version %s: %d files begin so; give more of it", version, len(texts))
	}
	return texts[0], nil
}
