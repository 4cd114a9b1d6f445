package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"

	"github.com/spf13/cobra"

	"plumbsquare/internal/store"
)

func newChangesCmd() *cobra.Command {
	var st storeFlags
	var span spanFlags
	var q store.ChangeQuery
	var what string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "changes [flags]",
		Short: "Show who decided what, when and why",
		Long: `Changes prints the record of all that people decided, oldest first: who, when, why, and with --json
how the thing was before and is after. Nothing in it is ever overwritten or removed.

Things are signal, phase, event, review (its number is that of the shot) and check sample.`,
		Example: `  inspect changes --store line.db --since 2031-03-05
  inspect changes --what signal --number 12 --json`,
		Args: usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			things := []store.Thing{store.SignalThing, store.PhaseThing, store.EventThing, store.ReviewThing, store.CheckSampleThing}
			if q.What = store.Thing(what); what != "" && !slices.Contains(things, q.What) {
				return usagef("--what: want one of %s, got %q", inWords(things), what)
			}
			var err error
			if q.Since, q.Until, err = span.times(); err != nil {
				return err
			}
			return listed(cmd, st, asJSON, printChanges, func(ctx context.Context, s *store.Store) ([]store.Change, error) {
				return s.Changes(ctx, q)
			})
		},
	}
	f := cmd.Flags()
	st.addFlags(f)
	f.StringVar(&what, "what", "", "changes of such things only")
	f.Int64Var(&q.Subject, "number", 0, "of the thing with this number")
	f.StringVar(&q.By, "by", "", "by this person")
	span.addFlags(f, "decided")
	f.IntVarP(&q.Limit, "limit", "n", 0, "the newest so many")
	f.BoolVar(&asJSON, "json", false, "print one JSON object a change")
	return cmd
}

func printChanges(w io.Writer, changes []store.Change) error {
	if len(changes) == 0 {
		_, err := fmt.Fprintln(w, "nothing was decided")
		return err
	}
	var rows [][]string
	for _, c := range changes {
		what := string(c.What)
		if c.What == store.ReviewThing {
			what = "review of shot"
		}
		rows = append(rows, []string{minute(c.At), c.By, what + " " + strconv.FormatInt(c.Subject, 10), c.Did, c.Why})
	}
	return writeTable(w, "when\tby\twhat\twas\twhy", rows)
}
