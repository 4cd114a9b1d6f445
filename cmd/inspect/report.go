package main

import (
	"errors"
	"io/fs"
	"os"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/report"
	"plumbsquare/internal/series"
)

const reportLong = `Writes one HTML page of readings, as inspect measure writes them (-o FILE.jsonl): what needs
attention first, then verdicts, pictures of what was rejected or is in review, what has to be
taken again and how, control charts of X, Y and θ and of missing columns or balls, where the dies
sit by head, and a map of the array. The page holds everything in itself: send it, print it, open
it without a network.

Part files give the charts their limits and the capability against them; overlays are those that
inspect measure --overlay drew.

It ends with status 0 when the page is written, whatever the verdicts are.`

const reportExample = `  inspect measure lot42 -o lot42.jsonl --overlay lot42-overlays
  inspect report lot42.jsonl -o lot42.html --overlays lot42-overlays --part tern.yaml`

type reportOptions struct {
	out, overlays, title, now string
	parts                     []string
}

func newReportCmd() *cobra.Command {
	var o reportOptions
	cmd := &cobra.Command{
		Use:     "report [flags] -o FILE.html READINGS.jsonl",
		Short:   "Write a report of readings as one HTML page",
		Long:    reportLong,
		Example: reportExample,
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runReport(o, args[0])
		},
	}
	f := cmd.Flags()
	f.StringVarP(&o.out, "output", "o", "", "file to write (needed)")
	f.StringVar(&o.overlays, "overlays", "", "folder of overlays to show")
	f.StringSliceVar(&o.parts, "part", nil, "part file to take limits from; may be given several times")
	f.StringVar(&o.title, "title", "", "title of the page")
	f.StringVar(&o.now, "now", "", "time to put under the report instead of the clock's, such as 2031-03-05T06:00:00Z")
	return cmd
}

func runReport(o reportOptions, file string) error {
	if o.out == "" {
		return usagef("where to? Give -o FILE.html")
	}
	options := report.Options{Title: o.title, Parts: map[string]*part.Part{}, Written: time.Now(), Program: version()}
	if o.now != "" {
		at, ok := series.ParseTime(o.now)
		if !ok {
			return usagef("--now: want a time such as 2031-03-05T06:00:00Z, got %q", o.now)
		}
		options.Written = at
	}
	for _, name := range o.parts {
		p, err := loadPart(name)
		if err != nil {
			return err
		}
		options.Parts[p.Name] = p
	}
	if o.overlays != "" {
		info, err := os.Stat(o.overlays)
		if err != nil {
			return err
		}
		if !info.IsDir() {
			return usagef("--overlays: %s is no folder", o.overlays)
		}
		options.Overlays = fs.FS(os.DirFS(o.overlays))
	}
	in, err := os.Open(file)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := createOut(o.out)
	if err != nil {
		return err
	}
	if err := report.Write(out, reading.Lines(in, file), options); err != nil {
		return errors.Join(err, out.discard())
	}
	return out.close()
}
