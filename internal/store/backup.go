package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

// Backup writes a copy of the store as it is at this instant to a new file, while others go on
// reading and recording. Of an SQLite store the copy is a store again; of a PostgreSQL one it is an
// archive that pg_restore reads, made by pg_dump, which must be installed. to may also be a folder:
// the file in it is then named by the time at. Backup returns the file's name, which it has only
// once it is whole, checked and on the disk.
func (s *Store) Backup(ctx context.Context, to string, at time.Time) (file string, err error) {
	ending := ".db"
	if s.dialect == postgres {
		ending = ".pgdump"
	}
	if info, err := os.Stat(to); err == nil && info.IsDir() {
		to = filepath.Join(to, "store-"+at.UTC().Format("20060102T150405Z")+ending)
	}
	if _, err := os.Stat(to); !errors.Is(err, fs.ErrNotExist) {
		return "", fmt.Errorf("backup %s: there is such a file already; name another", to)
	}
	partial := to + ".partial"
	if err := os.Remove(partial); err != nil && !errors.Is(err, fs.ErrNotExist) { // of a backup that was broken off
		return "", fmt.Errorf("backup %s: %w", to, err)
	}
	write := s.vacuumInto
	if s.dialect == postgres {
		write = s.dump
	}
	if err := write(ctx, partial); err != nil {
		_ = os.Remove(partial)
		return "", fmt.Errorf("backup %s: %w", to, plain(err))
	}
	if err := settle(partial, to); err != nil {
		return "", fmt.Errorf("backup %s: %w", to, err)
	}
	return to, nil
}

// settle gives a file that is whole its name, and sees both onto the disk.
func settle(partial, to string) error {
	f, err := os.OpenFile(partial, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	if err := errors.Join(f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(partial, to); err != nil {
		return err
	}
	dir, err := os.Open(filepath.Dir(to))
	if err != nil {
		return err
	}
	_ = dir.Sync() // not every system can
	return dir.Close()
}

// vacuumInto copies an SQLite file and looks the copy through.
func (s *Store) vacuumInto(ctx context.Context, to string) error {
	own, err := sql.Open("sqlite", s.dsn) // s.read may not write anything, not even elsewhere
	if err != nil {
		return err
	}
	_, err = own.ExecContext(ctx, "VACUUM INTO $1", to)
	if err = errors.Join(err, own.Close()); err != nil {
		return err
	}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", OmitHost: true, Path: filepath.ToSlash(to), RawQuery: "mode=ro&immutable=1"}).String())
	if err != nil {
		return err
	}
	var found string
	err = errors.Join(db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&found), db.Close())
	if err == nil && found != "ok" {
		err = fmt.Errorf("the copy is damaged: %s", found)
	}
	return err
}

// dump has pg_dump copy a PostgreSQL database.
func (s *Store) dump(ctx context.Context, to string) error {
	program, err := exec.LookPath("pg_dump")
	if err != nil {
		return errors.New("pg_dump is not installed here; install PostgreSQL's client programs (Debian: postgresql-client), or run it on the server: pg_dump --format=custom --file=FILE DATABASE")
	}
	address, password := s.dsn, ""
	if u, err := url.Parse(s.dsn); err == nil && u.User != nil {
		password, _ = u.User.Password()
		u.User = url.User(u.User.Username())
		address = u.String()
	}
	c := exec.CommandContext(ctx, program, "--format=custom", "--file="+to, "--dbname="+address)
	c.Env = os.Environ()
	if password != "" { // where nobody sees it in the list of processes
		c.Env = append(c.Env, "PGPASSWORD="+password)
	}
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("pg_dump: %w: %s", err, strings.TrimSpace(string(out)))
	}
	return nil
}
