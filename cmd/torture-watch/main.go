// Torture-watch kills inspect watch and its workers at random instants while pictures arrive, and
// proves from the store that each shot is there exactly once with its reading. It is for those who
// work on the program: make torture-watch runs it. The same seed gives the same pictures, and the
// same kills as far as the machine is as quick.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/signal"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/torture"
)

func main() {
	o := torture.Options{Progress: os.Stderr}
	flag.IntVar(&o.Kills, "kills", 300, "how often to kill")
	flag.IntVar(&o.Pictures, "pictures", 300, "pictures that arrive meanwhile")
	flag.Uint64Var(&o.Seed, "seed", 1, "of pictures and kills")
	flag.StringVar(&o.Program, "program", "bin/inspect", "the program")
	flag.StringVar(&o.Part, "part", "examples/parts/tern.yaml", "part file of the pictures")
	flag.StringVar(&o.Store, "store", "", "postgres://… of an empty database; otherwise an SQLite file is made")
	flag.IntVar(&o.Watches, "watches", 1, "watches of one inbox at once; more than one need PostgreSQL")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, o); err != nil {
		fmt.Fprintln(os.Stderr, "torture-watch:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, o torture.Options) error {
	if err := cv.SetThreads(1); err != nil {
		return err
	}
	var err error
	if o.Dir, err = os.MkdirTemp("", "torture-watch-"); err != nil {
		return err
	}
	result, err := torture.Run(ctx, o)
	if err != nil {
		return fmt.Errorf("%w; what there is lies in %s", err, o.Dir)
	}
	result.Print(os.Stdout)
	if len(result.Faults) > 0 {
		return fmt.Errorf("not as it must be; what there is lies in %s", o.Dir)
	}
	return errors.Join(err, os.RemoveAll(o.Dir))
}
