package store

import (
	"context"
	"fmt"
	"net/url"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
)

// Connections kept open to PostgreSQL, and for how long without use.
const (
	mostConns = 16
	idleConns = 4
	idleFor   = 5 * time.Minute
)

func openPostgres(ctx context.Context, at string) (*Store, error) {
	config, err := pgx.ParseConfig(at)
	if err != nil {
		return nil, fmt.Errorf("store %s: not a PostgreSQL address; want postgres://USER@HOST:PORT/DATABASE", withoutPassword(at))
	}
	if config.RuntimeParams["application_name"] == "" {
		config.RuntimeParams["application_name"] = "inspect"
	}
	db := stdlib.OpenDB(*config)
	db.SetMaxOpenConns(mostConns)
	db.SetMaxIdleConns(idleConns)
	db.SetConnMaxIdleTime(idleFor)
	return &Store{dialect: postgres, at: withoutPassword(at), dsn: at, write: db, read: db}, nil
}

// withoutPassword is how an address is shown.
func withoutPassword(at string) string {
	u, err := url.Parse(at)
	if err != nil {
		return "postgres://…"
	}
	return u.Redacted()
}
