package store

import (
	"errors"

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
