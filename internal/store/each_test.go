package store

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"plumbsquare/internal/store/pgtest"
)

func TestMain(m *testing.M) {
	if at := os.Getenv(recorderEnv); at != "" {
		fmt.Fprintln(os.Stderr, recordForever(at))
		os.Exit(1)
	}
	os.Exit(pgtest.Main(m))
}

// each runs a test on a new store in SQLite and on one in a real PostgreSQL.
func each(t *testing.T, test func(t *testing.T, s *Store)) {
	t.Helper()
	t.Run("sqlite", func(t *testing.T) { test(t, open(t, filepath.Join(t.TempDir(), "store.db"))) })
	t.Run("postgres", func(t *testing.T) { test(t, open(t, pgtest.Copy(t, migrated))) })
}

// migrated makes the tables of a store.
func migrated(at string) error {
	s, err := Open(context.Background(), at)
	if err != nil {
		return err
	}
	return s.Close()
}

// open opens a store until the test ends.
func open(t testing.TB, at string) *Store {
	t.Helper()
	s, err := Open(t.Context(), at)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}
