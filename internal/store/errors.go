package store

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5/pgconn"
	sqlitedriver "modernc.org/sqlite"
	sqlitecode "modernc.org/sqlite/lib"
)

// sqliteCode returns SQLite's primary result code; 0 of an error that isn't SQLite's.
func sqliteCode(err error) int {
	e, ok := errors.AsType[*sqlitedriver.Error](err)
	if !ok {
		return 0
	}
	return e.Code() & 0xff
}

// isNotADatabase reports whether SQLite found that a file isn't its own.
func isNotADatabase(err error) bool { return sqliteCode(err) == sqlitecode.SQLITE_NOTADB }

// isLocked reports whether another program has an SQLite file.
func isLocked(err error) bool {
	c := sqliteCode(err)
	return c == sqlitecode.SQLITE_BUSY || c == sqlitecode.SQLITE_LOCKED
}

// hopeless reports whether trying again at once is of no use: the file isn't whole, or there is no
// server.
func hopeless(err error) bool {
	return sqliteCode(err) == sqlitecode.SQLITE_CORRUPT || errors.As(err, new(*pgconn.ConnectError))
}

// ErrDamaged says that the file of a store isn't whole.
var ErrDamaged = errors.New("the file is damaged; keep it, and go on with a backup")

// diskFull is PostgreSQL's code for it.
const diskFull = "53100"

// plain puts in front of what a database says what somebody should do about it.
func plain(err error) error {
	if away, ok := errors.AsType[*pgconn.ConnectError](err); ok {
		return fmt.Errorf("the database can't be reached, see that its server runs, takes this user and can be got at from here: %w", &connectError{away})
	}
	pg, isPG := errors.AsType[*pgconn.PgError](err)
	switch c := sqliteCode(err); {
	case c == sqlitecode.SQLITE_FULL, isPG && pg.Code == diskFull:
		return fmt.Errorf("the disk is full, make room on it: %w", err)
	case c == sqlitecode.SQLITE_READONLY, c == sqlitecode.SQLITE_CANTOPEN:
		return fmt.Errorf("may not be written, see to its permissions and those of its folder: %w", err)
	case c == sqlitecode.SQLITE_CORRUPT, c == sqlitecode.SQLITE_NOTADB:
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	case c == sqlitecode.SQLITE_BUSY, c == sqlitecode.SQLITE_LOCKED:
		return fmt.Errorf("another program has held it for %d s, end that one: %w", busyMs/1000, err)
	}
	return err
}

// A connectError says on one line why a connection failed, each thing once: pgx tries an address with
// and without encryption, and tells of both.
type connectError struct{ *pgconn.ConnectError }

func (e *connectError) Error() string {
	var all []string
	for line := range strings.Lines(e.Unwrap().Error()) {
		all = append(all, strings.TrimSpace(line))
	}
	var words []string
	for i, line := range all {
		said := slices.ContainsFunc(words, func(w string) bool { return strings.Contains(w, line) })
		better := slices.ContainsFunc(all[i+1:], func(w string) bool { return w != line && strings.Contains(line, w) })
		if line != "" && !said && !better {
			words = append(words, line)
		}
	}
	return strings.Join(words, "; ")
}

// Unwrap returns what was wrong with each address.
func (e *connectError) Unwrap() error { return e.ConnectError.Unwrap() }
