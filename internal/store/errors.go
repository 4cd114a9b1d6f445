package store

import (
	"errors"
	"fmt"

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

// diskFull is PostgreSQL's code for it.
const diskFull = "53100"

// plain puts in front of what a database says what somebody should do about it.
func plain(err error) error {
	pg, isPG := errors.AsType[*pgconn.PgError](err)
	switch c := sqliteCode(err); {
	case c == sqlitecode.SQLITE_FULL, isPG && pg.Code == diskFull:
		return fmt.Errorf("the disk is full, make room on it: %w", err)
	case c == sqlitecode.SQLITE_READONLY, c == sqlitecode.SQLITE_CANTOPEN:
		return fmt.Errorf("may not be written, see to its permissions and those of its folder: %w", err)
	case c == sqlitecode.SQLITE_CORRUPT, c == sqlitecode.SQLITE_NOTADB:
		return fmt.Errorf("the file is damaged; keep it, and go on with a backup (inspect store check says more): %w", err)
	case c == sqlitecode.SQLITE_BUSY, c == sqlitecode.SQLITE_LOCKED:
		return fmt.Errorf("another program has held it for %d s, end that one: %w", busyMs/1000, err)
	}
	return err
}
