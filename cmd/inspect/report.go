package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/report"
	"plumbsquare/internal/scope"
	"plumbsquare/internal/series"
)

const reportLong = `Writes what readings mean, as one HTML page and as a PDF of the same content: on the first page
what was measured, what failed, what drifted, what to do first and what wasn't measured and why;
then pictures of what was rejected or is in review, and for every part verdicts, control charts,
capability, how heads and nozzles differ and what to enter into the placer, maps of arrays with the
sites that fail again and again. All readings go with it as a table. Both hold everything in
themselves: send them, print them, open them without a network.

Readings are those of a file, as inspect measure writes it (-o FILE.jsonl). Part files give charts
their limits, scope files say when calibrations run out, overlays are those that inspect measure
--overlay drew. -o may be given several times; the ending says what is written: .html, .pdf, .csv.

Exit status, for whoever runs it at night:
  0  nothing needs attention
  1  something does: a reject, a review or a retake, a picture that wasn't measured, a chart with
     a signal, a level that moved, a correction, a scope that can't be trusted
  2  the command line is wrong
  3  the report could not be written`

const reportExample = `  inspect measure lot42 -o lot42.jsonl --overlay lot42-overlays
  inspect report lot42.jsonl -o lot42.html -o lot42.pdf --overlays lot42-overlays --part tern.yaml`

type reportOptions struct {
	out                  []string
	overlays, title, now string
	parts, scopes        []string
	json                 bool
}

func newReportCmd() *cobra.Command {
	var o reportOptions
	cmd := &cobra.Command{
		Use:     "report [flags] -o FILE.html READINGS.jsonl",
		Short:   "Write a report of readings as HTML and PDF",
		Long:    reportLong,
		Example: reportExample,
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runReport(cmd.OutOrStdout(), o, args[0])
		},
	}
	f := cmd.Flags()
	f.StringArrayVarP(&o.out, "output", "o", nil, "file to write, .html, .pdf or .csv; may be given several times (needed)")
	f.StringVar(&o.overlays, "overlays", "", "folder of overlays to show")
	f.StringSliceVar(&o.parts, "part", nil, "part file to take limits from; may be given several times")
	f.StringSliceVar(&o.scopes, "scope", nil, "scope file to take the calibration's expiry from; may be given several times")
	f.BoolVar(&o.json, "json", false, "print what the report comes to as JSON")
	f.StringVar(&o.title, "title", "", "title of the page")
	f.StringVar(&o.now, "now", "", "time to put under the report instead of the clock's, such as 2031-03-05T06:00:00Z")
	return cmd
}

func runReport(out io.Writer, o reportOptions, file string) error {
	if err := checkReportNames(o.out); err != nil {
		return err
	}
	options, err := o.options()
	if err != nil {
		return err
	}
	in, err := os.Open(file)
	if err != nil {
		return err
	}
	defer in.Close()
	r, err := writeReport(reading.Lines(in, file), options, o.out)
	if err != nil {
		return err
	}
	return o.print(out, r.Outcome())
}

// options gathers what a report needs besides readings.
func (o reportOptions) options() (report.Options, error) {
	options := report.Options{Title: o.title, Parts: map[string]*part.Part{}, Scopes: map[string]*scope.Scope{}, Written: time.Now(), Program: version()}
	if o.now != "" {
		at, ok := series.ParseTime(o.now)
		if !ok {
			return options, usagef("--now: want a time such as 2031-03-05T06:00:00Z, got %q", o.now)
		}
		options.Written = at
	}
	for _, name := range o.parts {
		p, err := loadPart(name)
		if err != nil {
			return options, err
		}
		options.Parts[p.Name] = p
	}
	for _, name := range o.scopes {
		data, err := os.ReadFile(name)
		if err != nil {
			return options, err
		}
		s, err := scope.Load(data, name)
		if err != nil {
			return options, err
		}
		options.Scopes[s.Name] = s
	}
	if o.overlays != "" {
		info, err := os.Stat(o.overlays)
		if err != nil {
			return options, err
		}
		if !info.IsDir() {
			return options, usagef("--overlays: %s is no folder", o.overlays)
		}
		options.Overlays = os.DirFS(o.overlays)
	}
	return options, nil
}

// print says what a report comes to and, by its status, whether somebody has to see to it.
func (o reportOptions) print(out io.Writer, c report.Outcome) error {
	if o.json {
		e := json.NewEncoder(out)
		e.SetIndent("", "  ")
		if err := e.Encode(struct {
			report.Outcome
			Files []string `json:"files"`
		}{c, o.out}); err != nil {
			return err
		}
	} else {
		fmt.Fprintln(out, c.Headline)
		for i, text := range c.First {
			fmt.Fprintf(out, "  %d. %s\n", i+1, text)
		}
		fmt.Fprintf(out, "written: %s\n", strings.Join(o.out, ", "))
	}
	if c.Attention {
		return errNotAccepted
	}
	return nil
}
