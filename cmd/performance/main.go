// Performance measures what the program costs and how it stands beside scripted OpenCV, and writes
// docs/performance.md. It is for those who work on the program: make performance runs it.
package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"os"

	"plumbsquare/internal/performance"
)

func main() {
	var o performance.Options
	var page string
	flag.StringVar(&o.Program, "program", "bin/inspect", "the program, for its memory")
	flag.StringVar(&page, "page", "", "write the page, Markdown, here instead of to the terminal")
	flag.IntVar(&o.Pictures, "pictures", 5, "pictures of each kind to compare methods on")
	flag.IntVar(&o.WidthPx, "width", 1280, "width of those pictures, px")
	flag.IntVar(&o.Rounds, "rounds", 2, "rounds of each timing")
	flag.Parse()
	o.Progress = func(step string) { fmt.Fprintln(os.Stderr, step) }
	if err := run(o, page, os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "performance:", err)
		os.Exit(1)
	}
}

func run(o performance.Options, page string, stdout io.Writer) error {
	p, err := performance.Run(o)
	if err != nil || page == "" {
		if err == nil {
			err = p.Write(stdout)
		}
		return err
	}
	f, err := os.Create(page)
	if err != nil {
		return err
	}
	return errors.Join(p.Write(f), f.Close())
}
