package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"time"

	_ "modernc.org/sqlite" // the driver "sqlite"
)

// busyMs is how long a write waits for that of another process, ms. A backup doesn't hold writers
// up, a large migration by another program does.
const busyMs = 30_000

// applicationID marks an SQLite file as ours, in its header: "PLSQ".
const applicationID = 0x504c5351

// sqliteDSN is how a file is opened. Readers go on while somebody writes (WAL), a commit is on the
// disk when it returns (synchronous FULL), a transaction that will write takes the lock at its
// start instead of failing halfway (immediate), and times are kept as integers, µs since 1970 UTC,
// which sort as times do and take a third of the room.
func sqliteDSN(file string, write bool) string {
	q := url.Values{
		"_pragma": {
			fmt.Sprintf("busy_timeout(%d)", busyMs), "journal_mode(WAL)", "synchronous(FULL)",
			"foreign_keys(1)", "cache_size(-32768)", "mmap_size(0)",
		},
		"_time_integer_format": {"unix_micro"},
		"_inttotime":           {"1"},
		"_dqs":                 {"0"},
	}
	if write {
		q.Set("_txlock", "immediate")
	}
	u := url.URL{Scheme: "file", OmitHost: true, Path: filepath.ToSlash(file), RawQuery: q.Encode()}
	return u.String()
}

func openSQLite(ctx context.Context, at string) (*Store, error) {
	file, err := filepath.Abs(at)
	if err != nil {
		return nil, err
	}
	if err := checkPlace(at, file); err != nil {
		return nil, err
	}
	s := &Store{dialect: sqlite, at: at, dsn: sqliteDSN(file, false)}
	if s.write, err = sql.Open("sqlite", sqliteDSN(file, true)); err != nil {
		return nil, fmt.Errorf("store %s: %w", at, err)
	}
	s.write.SetMaxOpenConns(1)
	if err := waiting(ctx, func() error { return s.claim(ctx) }); err != nil {
		return nil, errors.Join(err, s.write.Close())
	}
	if s.read, err = sql.Open("sqlite", s.dsn+"&_query_only=1"); err != nil {
		return nil, errors.Join(fmt.Errorf("store %s: %w", at, err), s.write.Close())
	}
	s.read.SetMaxIdleConns(runtime.NumCPU()) // and as many open as are asked for: somebody may ask while reading
	return s, nil
}

// checkPlace says in plain words what SQLite would call "unable to open database file".
func checkPlace(at, file string) error {
	info, err := os.Stat(file)
	switch {
	case err == nil && info.IsDir():
		return fmt.Errorf("store %s: that is a folder; name the file of the store, such as %s", at, filepath.Join(at, "store.db"))
	case err == nil:
		f, err := os.OpenFile(file, os.O_RDWR, 0)
		if err != nil {
			return fmt.Errorf("store %s: it must be writable: %w", at, errors.Unwrap(err))
		}
		if err := f.Close(); err != nil {
			return err
		}
	case !errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("store %s: %w", at, err)
	}
	dir := filepath.Dir(file)
	if info, err := os.Stat(dir); err != nil || !info.IsDir() {
		return fmt.Errorf("store %s: there is no folder %s; make it first", at, dir)
	}
	return checkShare(at, dir)
}

// waiting repeats do while somebody else has the file: SQLite doesn't wait by itself when two
// programs make a new one at once.
func waiting(ctx context.Context, do func() error) error {
	const pause = 10 * time.Millisecond
	for end := time.Now().Add(busyMs * time.Millisecond); ; time.Sleep(pause) {
		if err := do(); !isLocked(err) || time.Now().After(end) || ctx.Err() != nil {
			return err
		}
	}
}

// claim marks an empty file as ours, and refuses a file that is something else.
func (s *Store) claim(ctx context.Context) error {
	var id, tables int
	err := s.write.QueryRowContext(ctx, "PRAGMA application_id").Scan(&id)
	if err == nil {
		err = s.write.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_master").Scan(&tables)
	}
	switch {
	case isNotADatabase(err):
		return fmt.Errorf("store %s: this file is not a store of inspect; name another, or a new one to start it", s.at)
	case err != nil:
		return fmt.Errorf("store %s: %w", s.at, plain(err))
	case id == applicationID:
		return nil
	case tables > 0 || id != 0:
		return fmt.Errorf("store %s: this is an SQLite file of another program, not a store of inspect; name another, or a new one to start it", s.at)
	}
	if _, err := s.write.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d", applicationID)); err != nil {
		return fmt.Errorf("store %s: %w", s.at, err)
	}
	return nil
}
