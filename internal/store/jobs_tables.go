package store

import (
	"context"
	"database/sql"
	"fmt"
	"log/slog"

	"github.com/riverqueue/river/riverdriver"
	"github.com/riverqueue/river/riverdriver/riverdatabasesql"
	"github.com/riverqueue/river/riverdriver/riversqlite"
	"github.com/riverqueue/river/rivermigrate"
)

// Versions of River's tables. PostgreSQL takes the words that version 5 adds to a type only after
// that has been committed, hence two steps. A newer River brings its tables up to date in a further
// step of this kind.
const (
	riverBefore  = 5
	riverVersion = 8 // that this program works with
)

// jobTables are ours beside River's.
const jobTables = `
CREATE TABLE jobs_aside (
	id             INTEGER PRIMARY KEY AUTOINCREMENT,
	picture_sha256 BLOB NOT NULL, -- 32 bytes
	part           TEXT NOT NULL,
	view           TEXT NOT NULL,
	scope          TEXT NOT NULL,
	line           TEXT NOT NULL,
	path           TEXT NOT NULL,
	shot           TEXT NOT NULL, -- JSON
	why            TEXT NOT NULL,
	set_aside_at   TIMESTAMP NOT NULL,
	UNIQUE (picture_sha256, part, view)
);
-- Who works at the queue, and how often it has said that it lives.
CREATE TABLE jobs_hands (
	name  TEXT PRIMARY KEY,
	beats INTEGER NOT NULL
);
`

// stepQueueBegin and stepQueue make the tables of the queue.
func stepQueueBegin(ctx context.Context, tx *sql.Tx, d dialect) error {
	return riverTables(ctx, tx, d, riverBefore)
}

func stepQueue(ctx context.Context, tx *sql.Tx, d dialect) error {
	if err := riverTables(ctx, tx, d, riverVersion); err != nil {
		return err
	}
	_, err := tx.ExecContext(ctx, d.words(jobTables))
	return err
}

func riverTables(ctx context.Context, tx *sql.Tx, d dialect, version int) error {
	var driver riverdriver.Driver[*sql.Tx] = riversqlite.New(nil)
	if d == postgres {
		driver = riverdatabasesql.New(nil)
	}
	m, err := rivermigrate.New(driver, &rivermigrate.Config{Logger: slog.New(slog.DiscardHandler)})
	if err != nil {
		return err
	}
	//lint:ignore SA1019 the steps of the store are transactions, and River's are cut so that they fit in
	if _, err := m.MigrateTx(ctx, tx, rivermigrate.DirectionUp, &rivermigrate.MigrateOpts{TargetVersion: version}); err != nil {
		return fmt.Errorf("tables of the queue: %w", err)
	}
	return nil
}
