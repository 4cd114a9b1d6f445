package main

import (
	"os"
	"strings"
	"testing"
	"time"

	"plumbsquare/internal/store/pgtest"
	"plumbsquare/internal/torture"
)

// A watch that is killed, and whose workers are killed, loses no shot and records none twice; nor do
// two that share an inbox and a PostgreSQL store. `make torture-watch` does it for longer.
func TestKilledWatches(t *testing.T) {
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	for name, o := range map[string]torture.Options{
		"sqlite":   {Kills: 6, Pictures: 12, Seed: 2, MaxPause: time.Second},
		"postgres": {Kills: 6, Pictures: 12, Seed: 9, MaxPause: time.Second, Watches: 2, Store: pgtest.New(t)},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			o.Program, o.Dir, o.Part = program, t.TempDir(), "../../examples/parts/tern.yaml"
			r, err := torture.Run(t.Context(), o)
			if err != nil {
				log, _ := os.ReadFile(o.Dir + "/watch.log")
				t.Fatalf("%v\n%s", err, log)
			}
			var table strings.Builder
			r.Print(&table)
			t.Log("\n" + table.String())
			if len(r.Faults) > 0 || r.Kills() != o.Kills || r.Shots < 7 || r.Aside < 2 {
				t.Error("not as it must be")
			}
		})
	}
}
