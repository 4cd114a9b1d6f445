// Accuracy measures sets of pictures with known truth and says how far off the program is. It is
// for those who work on the program: make accuracy runs it.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"os/signal"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"

	"plumbsquare/internal/accuracy"
	"plumbsquare/internal/batch"
)

func main() {
	var o options
	flag.StringVar(&o.out, "out", "out/accuracy", "folder for results.csv and sites.csv of each set")
	flag.StringVar(&o.page, "page", "", "write the page, Markdown, here as well as to the terminal")
	flag.StringVar(&o.parts, "parts", "examples/parts,internal/part/testdata", "folders of part files, separated by commas")
	flag.StringVar(&o.only, "only", "", "take only pictures whose name matches this regular expression")
	flag.IntVar(&o.workers, "workers", runtime.GOMAXPROCS(0), "pictures measured at a time")
	flag.Usage = func() {
		fmt.Fprintln(os.Stderr, "usage: accuracy [flags] SET...\n\nA set is a folder with images.csv, truth.csv and perhaps sites/.")
		flag.PrintDefaults()
	}
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, o, flag.Args()); err != nil {
		fmt.Fprintln(os.Stderr, "accuracy:", err)
		os.Exit(1)
	}
}

type options struct {
	out, page, parts, only string
	workers                int
}

func run(ctx context.Context, o options, dirs []string) error {
	var only *regexp.Regexp
	if o.only != "" {
		var err error
		if only, err = regexp.Compile(o.only); err != nil {
			return err
		}
	}
	var sets []*accuracy.Set
	for _, dir := range dirs {
		if _, err := os.Stat(filepath.Join(dir, "truth.csv")); errors.Is(err, fs.ErrNotExist) {
			fmt.Fprintf(os.Stderr, "%s: no set of pictures with truth there, left out\n", dir)
			continue
		}
		s, err := one(ctx, o, dir, only)
		if errors.Is(err, accuracy.ErrNone) {
			fmt.Fprintf(os.Stderr, "%s: %v, left out\n", dir, err)
			continue
		}
		if err != nil {
			return fmt.Errorf("%s: %w", dir, err)
		}
		sets = append(sets, s)
	}
	if len(sets) == 0 {
		fmt.Println("Nothing to score: none of the folders holds pictures with truth.")
		return nil
	}
	if err := accuracy.Markdown(os.Stdout, sets); err != nil || o.page == "" {
		return err
	}
	f, err := os.Create(o.page)
	if err != nil {
		return err
	}
	return errors.Join(accuracy.Markdown(f, sets), f.Close())
}

// one measures and scores one set.
func one(ctx context.Context, o options, dir string, only *regexp.Regexp) (*accuracy.Set, error) {
	name := filepath.Base(dir)
	work := filepath.Join(o.out, name)
	if err := accuracy.Prepare(dir, work, only); err != nil {
		return nil, err
	}
	answers, err := accuracy.Measure(ctx, work, strings.Split(o.parts, ","), batch.Options{Program: "accuracy", Workers: o.workers})
	if err != nil {
		return nil, err
	}
	truths, err := accuracy.ReadTruth(dir)
	if err != nil {
		return nil, err
	}
	measured := accuracy.Results(answers)
	asked := map[string]bool{}
	for _, a := range answers {
		asked[a.Name] = true
	}
	kept := truths[:0]
	for _, t := range truths {
		if asked[t.Image] || only == nil {
			kept = append(kept, t)
		}
	}
	if err := accuracy.WriteResults(work, kept, measured, answers); err != nil {
		return nil, err
	}
	return accuracy.NewSet(name, kept, measured, answers, o.workers), nil
}
