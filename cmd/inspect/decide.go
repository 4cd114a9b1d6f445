package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbsquare/internal/series"
	"plumbsquare/internal/station"
	"plumbsquare/internal/store"
)

// benchFile is the station file that is looked for in the folder in which a command runs.
const benchFile = "station.yaml"

// A storeFlags says which store a command works on.
type storeFlags struct {
	at, station string
}

func (o *storeFlags) addFlags(f *pflag.FlagSet) {
	f.StringVar(&o.at, "store", "", "the store: a file, or postgres://…; otherwise what the station file says")
	f.StringVar(&o.station, "station", "", "station file that names the store; otherwise "+benchFile+" in this folder")
}

// with runs a command on the store.
func (o storeFlags) with(cmd *cobra.Command, do func(ctx context.Context, s *store.Store) error) error {
	at, err := o.address()
	if err != nil {
		return err
	}
	return withStore(cmd.Context(), at, func(s *store.Store) error { return do(cmd.Context(), s) })
}

func (o storeFlags) address() (string, error) {
	if o.at != "" {
		return o.at, nil
	}
	file := o.station
	if file == "" {
		file = benchFile
	}
	data, err := os.ReadFile(file)
	switch {
	case err != nil && o.station == "":
		return "", usagef("which store? Give --store AT, or run this where %s names it", benchFile)
	case err != nil:
		return "", err
	}
	s, err := station.Load(data, file)
	if err != nil {
		return "", err
	}
	if s.Store == "" {
		return "", usagef("which store? Give --store AT, or add a line store: … to %s", file)
	}
	return s.Store, nil
}

// actFlags say who decides and why.
type actFlags struct{ by, why string }

func (o *actFlags) addFlags(f *pflag.FlagSet, why string) {
	f.StringVar(&o.by, "by", "", "who decides: a name (needed)")
	f.StringVar(&o.why, "why", "", why)
}

// act returns what is kept of a decision; otherwise stands for a reason that wasn't given.
func (o actFlags) act(otherwise string) (store.Act, error) {
	why := o.why
	if strings.TrimSpace(why) == "" {
		why = otherwise
	}
	switch {
	case strings.TrimSpace(o.by) == "":
		return store.Act{}, usagef("who decides? Give --by NAME")
	case strings.TrimSpace(why) == "":
		return store.Act{}, usagef(`why? Give --why "a reason that somebody understands a year from now"`)
	}
	return store.Act{By: strings.TrimSpace(o.by), At: time.Now(), Why: strings.TrimSpace(why)}, nil
}

// spanFlags choose a stretch of time.
type spanFlags struct{ since, until string }

func (o *spanFlags) addFlags(f *pflag.FlagSet, what string) {
	f.StringVar(&o.since, "since", "", what+" then or later: a time such as 2031-03-05 or 2031-03-05T06:00:00Z (UTC)")
	f.StringVar(&o.until, "until", "", what+" before then")
}

func (o spanFlags) times() (since, until time.Time, err error) {
	if since, err = timeFlag("--since", o.since); err == nil {
		until, err = timeFlag("--until", o.until)
	}
	if err == nil && !since.IsZero() && !until.IsZero() && !since.Before(until) {
		err = usagef("--since %s isn't before --until %s", o.since, o.until)
	}
	return since, until, err
}

// timeFlag reads a time; an empty text is the zero time.
func timeFlag(flag, text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	at, ok := series.ParseTime(text)
	if !ok {
		return at, usagef("%s: want a time such as 2031-03-05 or 2031-03-05T06:00:00Z, got %q", flag, text)
	}
	return at, nil
}

// ids reads numbers of what, such as signals, that the command lister shows.
func ids(what, lister string, args []string) (list []int64, err error) {
	for _, a := range args {
		n, err := strconv.ParseInt(a, 10, 64)
		if err != nil || n < 1 {
			return nil, usagef("want the number of a %s, as inspect %s shows it, got %q", what, lister, a)
		}
		list = append(list, n)
	}
	return list, nil
}

// minute writes a time for people, in UTC as all times of a store.
func minute(t time.Time) string { return t.UTC().Format("2006-01-02 15:04") }

// writeTable writes rows under a heading, in columns.
func writeTable(w io.Writer, heading string, rows [][]string) error {
	t := newColumns(w)
	fmt.Fprintln(t, heading)
	for _, r := range rows {
		fmt.Fprintln(t, strings.Join(r, "\t"))
	}
	return t.Flush()
}

// listed prints what list finds in the store, as a table or as JSON.
func listed[T any](cmd *cobra.Command, st storeFlags, asJSON bool, table func(io.Writer, []T) error, list func(context.Context, *store.Store) ([]T, error)) error {
	return st.with(cmd, func(ctx context.Context, s *store.Store) error {
		all, err := list(ctx, s)
		if err != nil {
			return err
		}
		if asJSON {
			return printJSON(cmd.OutOrStdout(), all)
		}
		return table(cmd.OutOrStdout(), all)
	})
}

// printJSON writes one JSON object a line.
func printJSON[T any](w io.Writer, all []T) error {
	enc := json.NewEncoder(w)
	for _, v := range all {
		if err := enc.Encode(v); err != nil {
			return err
		}
	}
	return nil
}

// group makes a command that only holds others.
func group(use, short, long, example string, commands ...*cobra.Command) *cobra.Command {
	cmd := &cobra.Command{
		Use: use, Short: short, Long: long, Example: example, Args: subcommandOnly,
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(commands...)
	return cmd
}

// orDash shows that there is nothing.
func orDash(s string) string {
	if s == "" {
		return "–"
	}
	return s
}
