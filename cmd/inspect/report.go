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

Readings are those of a file, as inspect measure writes it (-o FILE.jsonl), or else those of the
store of a day (--day, by this machine's clock) or a time (--since, --until; without a zone in UTC).
From the store the charts begin with what came before and bear its phases and events; open signals, decisions
about shots in review, check samples of the scopes and pictures that were set aside are told of.

-o may be given several times; the ending says what is written: .html, .pdf, .csv. Part files give
charts their limits, scope files say when calibrations run out (the store has its own); overlays are
those that inspect measure --overlay or inspect watch drew.

With --mail-to the report is sent through the server --smtp, encrypted unless the server is this
machine. A password stands in a file (--smtp-password-file) or in the environment variable
` + passwordVariable + `, never on the command line.

Exit status, for whoever runs it at night:
  0  nothing needs attention
  1  something does: a reject, an undecided review, a retake, a picture that wasn't measured, a
     chart with a signal, a level that moved, a correction, a scope that can't be trusted, a day
     on which nothing was measured
  2  the command line is wrong
  3  the report could not be written, or not be sent`

const reportExample = `  inspect measure lot42 -o lot42.jsonl --overlay lot42-overlays
  inspect report lot42.jsonl -o lot42.html -o lot42.pdf --overlays lot42-overlays --part tern.yaml

  inspect report --store line.db --day yesterday -o night.html -o night.pdf
  inspect report --store line.db --since 2031-03-01 --until 2031-03-08 --part tern --line 2 -o week.pdf
  inspect report --store line.db --day yesterday -o night.pdf --mail-to morning@plant.example \
      --smtp mail.plant.example:587 --smtp-user line --smtp-password-file /etc/plumbsquare/mail`

type reportOptions struct {
	out                  []string
	overlays, title, now string
	font                 string
	parts, scopes        []string
	json                 bool
	fromStore            reportStoreFlags
	mail                 mailFlags
}

func newReportCmd() *cobra.Command {
	var o reportOptions
	cmd := &cobra.Command{
		Use:     "report [flags] -o FILE.html [READINGS.jsonl]",
		Short:   "Write a report of readings as HTML and PDF",
		Long:    reportLong,
		Example: reportExample,
		Args:    usageArgs(cobra.MaximumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return runReport(cmd, o, args)
		},
	}
	f := cmd.Flags()
	f.StringArrayVarP(&o.out, "output", "o", nil, "file to write, .html, .pdf or .csv; may be given several times (needed)")
	f.StringVar(&o.overlays, "overlays", "", "folder of overlays to show")
	f.StringSliceVar(&o.parts, "part", nil, "part file to take limits from; may be given several times. From the store also the name of the one part to report")
	f.StringSliceVar(&o.scopes, "scope", nil, "scope file to take the calibration's expiry from; may be given several times")
	f.BoolVar(&o.json, "json", false, "print what the report comes to as JSON")
	f.StringVar(&o.title, "title", "", "title of the report")
	f.StringVar(&o.font, "font", "", "TrueType or OpenType font for letters that the PDF's own face lacks, such as Chinese")
	f.StringVar(&o.now, "now", "", "time to put under the report instead of the clock's, such as 2031-03-05T06:00:00Z")
	o.fromStore.addFlags(f)
	o.mail.addFlags(f)
	return cmd
}

func runReport(cmd *cobra.Command, o reportOptions, args []string) error {
	if err := checkReportNames(o.out); err != nil {
		return err
	}
	post, err := o.mail.server()
	if err != nil {
		return err
	}
	var r *report.Report
	if len(args) == 0 {
		r, err = o.ofStore(cmd.Context())
	} else {
		r, err = o.ofFile(args[0])
	}
	if err != nil {
		return err
	}
	if post != nil {
		now, err := o.clock()
		if err == nil {
			err = o.mail.send(cmd.Context(), *post, r.Outcome(), o.out, now)
		}
		if err != nil {
			return fmt.Errorf("the report is written (%s) but not sent: %w", strings.Join(o.out, ", "), err)
		}
	}
	return o.print(cmd.OutOrStdout(), r.Outcome())
}

// ofFile writes the report of a file of readings.
func (o reportOptions) ofFile(file string) (*report.Report, error) {
	if o.fromStore.chooses() {
		return nil, usagef("--store, --station, --day, --since, --until and --line are for the store: give them or a file of readings, not both")
	}
	options, err := o.options()
	if err != nil {
		return nil, err
	}
	in, err := os.Open(file)
	if err != nil {
		return nil, err
	}
	defer in.Close()
	return writeReport(reading.Lines(in, file), options, o.out)
}

// options gathers what a report needs besides readings.
func (o reportOptions) options() (report.Options, error) {
	options := report.Options{Title: o.title, Parts: map[string]*part.Part{}, Scopes: map[string]*scope.Scope{}, Program: version()}
	var err error
	if options.Written, err = o.clock(); err != nil {
		return options, err
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
	if o.font != "" {
		if options.Font, err = os.ReadFile(o.font); err != nil {
			return options, err
		}
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

// clock returns what time it is, or what --now says.
func (o reportOptions) clock() (time.Time, error) {
	if o.now == "" {
		return time.Now(), nil
	}
	at, ok := series.ParseTime(o.now)
	if !ok {
		return at, usagef("--now: want a time such as 2031-03-05T06:00:00Z, got %q", o.now)
	}
	return at, nil
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
		if len(o.mail.to) > 0 {
			fmt.Fprintf(out, "sent to: %s\n", strings.Join(o.mail.to, ", "))
		}
	}
	if c.Attention {
		return errNotAccepted
	}
	return nil
}
