package watch_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/store"
	"plumbsquare/internal/store/pgtest"
	"plumbsquare/internal/watch"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Main(m)) }

// Two machines that watch one share with one PostgreSQL measure each picture once between them, and
// both know in the end that all is done.
func TestTwoMachines(t *testing.T) {
	const n = 30
	dir := t.TempDir()
	inbox := filepath.Join(dir, "inbox")
	put(t, filepath.Join(dir, "tiny.yaml"), partFile)
	put(t, filepath.Join(dir, "bench.yaml"), scopeFile)
	for i := range n {
		put(t, filepath.Join(inbox, fmt.Sprintf("%d.png", i)), fmt.Sprint("accept ", i))
	}
	address := pgtest.New(t)
	machines := []*bench{{T: t}, {T: t}}
	var all sync.WaitGroup
	var stores []*store.Store
	for range machines { // migrations first
		s, err := store.Open(t.Context(), address)
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		stores = append(stores, s)
	}
	for i, b := range machines {
		all.Go(func() {
			err := watch.Run(t.Context(), watch.Options{
				Inbox: inbox, Machine: fmt.Sprint("machine ", i), Store: stores[i], Measurer: b, Workers: 2, Program: "test",
				Settle: 20 * time.Millisecond, Rescan: 200 * time.Millisecond, Once: true, Events: true,
				Desk: func() (*intake.Desk, error) {
					said := intake.Particulars{Part: "tiny", Scope: "bench", Shot: reading.Shot{View: "die-plan"}}
					return &intake.Desk{Options: intake.Options{Fallback: said}, Library: intake.Library{PartDirs: []string{dir}, ScopeDirs: []string{dir}}}, nil
				},
				Say: func(l watch.Line) {
					if l.Word == "trouble" {
						t.Error(l.Text)
					}
				},
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	times := map[string]int{}
	for _, b := range machines {
		for _, name := range b.measured {
			times[name]++
		}
	}
	shots, err := stores[0].Shots(context.Background(), store.Query{})
	if err != nil || len(shots) != n || len(times) != n {
		t.Errorf("%d shots in the store, %d measured, %v", len(shots), len(times), err)
	}
	for name, m := range times {
		if m != 1 {
			t.Errorf("%s was measured %d times", name, m)
		}
	}
	statuses, err := watch.ReadStatus(inbox)
	if err != nil || len(statuses) != 2 {
		t.Fatal(statuses, err)
	}
	for _, s := range statuses {
		if s.Queued+s.Settling != 0 || !strings.HasPrefix(s.Machine, "machine ") {
			t.Errorf("status %+v", s)
		}
	}
	if _, err := os.Stat(filepath.Join(inbox, "results", "0.png.accept.txt")); errors.Is(err, os.ErrNotExist) {
		t.Error("no answer to the first picture")
	}
}
