package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/series"
	"plumbsquare/internal/store"
)

// queryFlags choose shots of a store.
type queryFlags struct {
	query        store.Query
	since, until string
	verdicts     []string
}

func (q *queryFlags) add(f *pflag.FlagSet) {
	f.StringVar(&q.query.Part, "part", "", "only shots of this part")
	f.StringVar(&q.query.View, "view", "", "only shots in this view")
	f.StringVar(&q.query.Lot, "lot", "", "only shots of this lot")
	f.StringVar(&q.query.Sample, "sample", "", "only shots of this sample")
	f.StringVar(&q.query.Line, "line", "", "only shots of this line of the plant")
	f.StringVar(&q.query.Head, "head", "", "only shots of this head")
	f.StringVar(&q.since, "since", "", "only shots taken then or later, such as 2031-03-05 or 2031-03-05T06:00:00Z")
	f.StringVar(&q.until, "until", "", "only shots taken before")
	f.StringSliceVar(&q.verdicts, "verdict", nil, "only shots with these verdicts: accept, reject, review, retake")
	f.IntVar(&q.query.Limit, "newest", 0, "only the newest so many")
}

// chosen returns the query, or what is wrong with the flags.
func (q *queryFlags) chosen() (store.Query, error) {
	c := q.query
	if _, err := intake.ParseView(c.View); err != nil {
		return c, usageError{fmt.Errorf("--view: %w", err)}
	}
	for _, t := range []struct {
		flag, text string
		to         *time.Time
	}{{"--since", q.since, &c.Since}, {"--until", q.until, &c.Until}} {
		if t.text == "" {
			continue
		}
		at, ok := series.ParseTime(t.text)
		if !ok {
			return c, usagef("%s: want a time such as 2031-03-05, 2031-03-05 06:00 or 2031-03-05T06:00:00Z, got %q", t.flag, t.text)
		}
		*t.to = at
	}
	for _, v := range q.verdicts {
		d := reading.Decision(v)
		if !slices.Contains([]reading.Decision{reading.Accept, reading.Reject, reading.Review, reading.Retake}, d) {
			return c, usagef("--verdict: there are accept, reject, review and retake, got %q", v)
		}
		c.Verdicts = append(c.Verdicts, d)
	}
	if c.Limit < 0 {
		return c, usagef("--newest: want a number above 0")
	}
	return c, nil
}

// The forms of an export.
const (
	formJSON    = "jsonl"
	formCSV     = "csv"
	formParquet = "parquet"
)

type exportOptions struct {
	at, out, form string
	queryFlags
}

func newStoreExportCmd() *cobra.Command {
	var o exportOptions
	cmd := &cobra.Command{
		Use:   "export --store AT [-o FILE]",
		Short: "Write readings of a store as JSON Lines, CSV or Parquet",
		Long: `Writes the readings that the flags choose, in the order in which they were taken.

jsonl    whole readings, as inspect measure -o writes them; inspect store import reads them
csv      a row a shot, and a row a site in FILE-sites.csv (docs/readings.md has the columns), with the
         number of the shot, recorded_at and line in front; to stdout the shots alone
parquet  the table of shots for other programs: numbers as doubles, times as times, nothing as null

The form is that of FILE's ending, or --form. Of a shot that was read several times it is the
newest reading.`,
		Example: `  inspect store export --store line.db --part tern --since 2031-03-01 -o march.csv
  inspect store export --store line.db --lot L3101 --form jsonl | head -1
  inspect store export --store line.db -o all.parquet`,
		Args: usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			q, err := o.chosen()
			if err != nil {
				return err
			}
			if o.form, err = exportForm(o.form, o.out); err != nil {
				return err
			}
			return withStore(cmd.Context(), o.at, func(s *store.Store) error { return export(cmd, s, q, o) })
		},
	}
	storeFlag(cmd, &o.at)
	f := cmd.Flags()
	f.StringVarP(&o.out, "output", "o", "", "file to write; without it stdout")
	f.StringVar(&o.form, "form", "", "jsonl, csv or parquet")
	o.add(f)
	return cmd
}

// exportForm tells the form from a file's ending where the flag doesn't say.
func exportForm(form, file string) (string, error) {
	if form == "" {
		form = strings.TrimPrefix(strings.ToLower(filepath.Ext(file)), ".")
	}
	switch form {
	case "json":
		return formJSON, nil
	case formJSON, formCSV, formParquet:
		return form, nil
	case "":
		return "", usagef("in which form? Give --form jsonl, csv or parquet, or a FILE with that ending")
	}
	return "", usagef("there is no form %q; there are jsonl, csv and parquet", form)
}

func export(cmd *cobra.Command, s *store.Store, q store.Query, o exportOptions) error {
	var files []*outFile
	create := func(name string) (io.Writer, error) {
		f, err := createOut(name)
		if err == nil {
			files = append(files, f)
		}
		return f, err
	}
	abandon := func(err error) error {
		for _, f := range files {
			err = errors.Join(err, f.discard())
		}
		return err
	}
	shots := cmd.OutOrStdout()
	var sites io.Writer
	if o.out != "" {
		var err error
		if shots, err = create(o.out); err != nil {
			return err
		}
		if o.form == formCSV {
			ext := filepath.Ext(o.out)
			if sites, err = create(strings.TrimSuffix(o.out, ext) + "-sites" + ext); err != nil {
				return abandon(err)
			}
		}
	}
	chosen, err := s.Count(cmd.Context(), q)
	if err != nil {
		return abandon(err)
	}
	bar := newProgress(cmd.ErrOrStderr(), chosen)
	switch o.form {
	case formCSV:
		err = s.ExportCSV(cmd.Context(), q, shots, sites, bar.step)
	case formParquet:
		err = s.ExportParquet(cmd.Context(), q, shots, bar.step)
	default:
		err = s.ExportJSON(cmd.Context(), q, shots, bar.step)
	}
	bar.end()
	if err != nil {
		return abandon(err)
	}
	for _, f := range files {
		err = errors.Join(err, f.close())
	}
	if err == nil && o.out != "" {
		fmt.Fprintf(cmd.ErrOrStderr(), "%d readings in %s\n", chosen, o.out)
	}
	return err
}

func newStoreImportCmd() *cobra.Command {
	var at, line string
	cmd := &cobra.Command{
		Use:   "import --store AT READINGS.jsonl...",
		Short: "Take readings into a store that were written as JSON Lines",
		Long: `Takes readings into a store, made when it isn't there yet, that inspect measure -o or inspect
store export have written. What is known already isn't taken twice, so it may be repeated.`,
		Example: "  inspect store import --store line.db lot42.jsonl",
		Args:    usageArgs(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if at == "" {
				return usagef("which store? Give --store FILE")
			}
			s, err := store.Open(cmd.Context(), at)
			if err != nil {
				return err
			}
			return errors.Join(importReadings(cmd, s, line, args), s.Close())
		},
	}
	storeFlag(cmd, &at)
	cmd.Flags().StringVar(&line, "line", "", "line of the plant that they are of")
	return cmd
}

func importReadings(cmd *cobra.Command, s *store.Store, line string, files []string) error {
	taken, known := 0, 0
	one := func(name string) error {
		f, err := os.Open(name)
		if err != nil {
			return err
		}
		defer f.Close()
		for r, err := range reading.Lines(f, name) {
			if err != nil {
				return err
			}
			_, had, err := s.Record(cmd.Context(), store.Record{Reading: r, At: time.Now(), Line: line})
			switch {
			case err != nil:
				return fmt.Errorf("%s: %w", name, err)
			case had:
				known++
			default:
				taken++
			}
		}
		return nil
	}
	var err error
	for _, name := range files {
		if err = one(name); err != nil {
			break
		}
	}
	if err == nil || taken+known > 0 {
		fmt.Fprintf(cmd.OutOrStdout(), "%d readings taken, %d known already\n", taken, known)
	}
	return err
}
