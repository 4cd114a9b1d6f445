// Package store keeps what the line's day yields: parts, scopes, lots, samples, shots, their
// readings site by site, and what people decided about them. It is an SQLite file, or a PostgreSQL
// database where several machines share it; queries and promises are the same. docs/store.md
// describes the tables.
//
// What a method that writes has returned from without an error is on the disk: no kill and no
// power cut takes it back. Nothing here measures or judges.
package store

import (
	"context"
	"database/sql"
	"errors"
	"strings"
	"time"

	"github.com/jackc/pgx/v5/pgconn"
)

// A dialect is a kind of database.
type dialect string

const (
	sqlite   dialect = "sqlite"
	postgres dialect = "postgres"
)

// A Store is an open store. Its methods may be called from many goroutines.
type Store struct {
	dialect dialect
	at      string // as given to Open, without a password
	dsn     string // for a connection more, which may hold a password

	// write is for everything that changes something, read for the rest. On SQLite write has a
	// single connection, since there is one writer at a time anyway and a queue in front of it is
	// fairer than a lock that everyone polls; reading goes on beside it. On PostgreSQL both are one.
	write, read *sql.DB
}

// Open opens the store at an SQLite file, made when absent, or at a postgres:// address, and
// brings its tables up to date. A store that a newer program has written is refused with
// [ErrNewer], a file that isn't a store with what it is instead.
func Open(ctx context.Context, at string) (*Store, error) {
	open := openSQLite
	if IsPostgres(at) {
		open = openPostgres
	}
	s, err := open(ctx, at)
	if err != nil {
		return nil, err
	}
	if err := s.migrate(ctx); err != nil {
		return nil, errors.Join(err, s.Close())
	}
	return s, nil
}

// IsPostgres reports whether an address is that of a PostgreSQL database.
func IsPostgres(at string) bool {
	return strings.HasPrefix(at, "postgres://") || strings.HasPrefix(at, "postgresql://")
}

// Close closes the store. Work that is under way is finished first.
func (s *Store) Close() error {
	err := s.write.Close()
	if s.read != s.write {
		err = errors.Join(err, s.read.Close())
	}
	return err
}

// PostgreSQL breaks off one of two transactions that wait for each other, or that can't be put in
// an order, and expects it to be tried again.
const (
	serializationFailure = "40001"
	deadlockDetected     = "40P01"
	mostTries            = 10
)

// tx runs do in a transaction that is kept when do returns nil and leaves no trace otherwise. do
// may run more than once. Inside, everything goes through tx: on SQLite s.write is taken.
func (s *Store) tx(ctx context.Context, do func(tx *sql.Tx) error) error {
	for try := 1; ; try++ {
		err := s.once(ctx, do)
		pg, ok := errors.AsType[*pgconn.PgError](err)
		if !ok || pg.Code != serializationFailure && pg.Code != deadlockDetected || try == mostTries {
			return err
		}
	}
}

func (s *Store) once(ctx context.Context, do func(tx *sql.Tx) error) error {
	tx, err := s.write.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // of a transaction that ended well it does nothing
	if err := do(tx); err != nil {
		return err
	}
	return tx.Commit()
}

// instant keeps a time as the store does: UTC, to the microsecond.
func instant(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

// An instantOf scans a time from a column of times or from an expression of them, of which SQLite
// doesn't tell that it is a time.
type instantOf struct{ to *time.Time }

// Scan takes what a database's driver makes of a time; of none it leaves the zero time.
func (i instantOf) Scan(v any) error {
	switch v := v.(type) {
	case nil:
		*i.to = time.Time{}
	case time.Time:
		*i.to = v.UTC()
	case int64:
		*i.to = time.UnixMicro(v).UTC()
	default:
		return errors.New("not a time")
	}
	return nil
}

// clean makes a text such as every database takes: PostgreSQL has no NUL, and both want UTF-8. Only
// columns to search by are cleaned; a reading keeps what it came with.
func clean(text string) string {
	return strings.ReplaceAll(strings.ToValidUTF8(text, "\ufffd"), "\x00", "\ufffd")
}

// orNull stores an empty text as no text, and any other cleaned.
func orNull(text string) sql.NullString {
	return sql.NullString{String: clean(text), Valid: text != ""}
}
