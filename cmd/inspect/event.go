package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/store"
)

func newEventCmd() *cobra.Command {
	return group("event", "Note what was done to the line, for the charts",
		`An event is something done to the line: a nozzle changed, an offset entered, a new reel. Charts
draw it where it happened, so that who looks at a step in the values sees what was done.`,
		`  inspect event add "nozzle N3 changed" --at 2031-03-05T09:40:00Z --head H1 --by "E. Early"
  inspect event list --part tern --since 2031-03-01`,
		newEventAddCmd(), newEventListCmd(), newEventWithdrawCmd())
}

func newEventAddCmd() *cobra.Command {
	var st storeFlags
	var who actFlags
	var e store.Event
	var at string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "add [flags] --by NAME WORDS",
		Short: "Add an event",
		Long: `Add keeps an event. Say the part, line, head and nozzle that it concerns, as far as it doesn't
concern all: it is drawn on the charts that these fit.`,
		Example: `  inspect event add "nozzle N3 changed" --at 2031-03-05T09:40:00Z --head H1 --nozzle N3 --by "E. Early" --why "worn"`,
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if e.Text = strings.TrimSpace(args[0]); e.Text == "" {
				return usagef("what was done? Say it in a few words")
			}
			var err error
			if e.Act, err = who.act(e.Text); err != nil {
				return err
			}
			if e.Happened, err = timeFlag("--at", at); err != nil {
				return err
			}
			if at == "" {
				e.Happened = time.Now()
			}
			return st.with(cmd, func(ctx context.Context, s *store.Store) error {
				if e.ID, err = s.AddEvent(ctx, e); err != nil {
					return err
				}
				if asJSON {
					return printJSON(cmd.OutOrStdout(), []store.Event{e})
				}
				_, err := fmt.Fprintf(cmd.OutOrStdout(), "event %d of %s UTC added: %s\n", e.ID, minute(e.Happened), e.Text)
				return err
			})
		},
	}
	f := cmd.Flags()
	st.addFlags(f)
	f.StringVar(&at, "at", "", "when it happened, such as 2031-03-05T09:40:00Z (UTC where no zone is given); now, if not given")
	f.StringVar(&e.Part, "part", "", "part that it concerns; all, if not given")
	f.StringVar(&e.Line, "line", "", "line that it concerns; all, if not given")
	f.StringVar(&e.Head, "head", "", "head that it concerns; all, if not given")
	f.StringVar(&e.Nozzle, "nozzle", "", "nozzle that it concerns; all, if not given")
	who.addFlags(f, "why it was done")
	f.BoolVar(&asJSON, "json", false, "print the event as JSON")
	return cmd
}

func newEventListCmd() *cobra.Command {
	var st storeFlags
	var span spanFlags
	var q store.EventQuery
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "list [flags]",
		Short:   "List events in the order in which they happened",
		Example: `  inspect event list --part tern --since 2031-03-01`,
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			var err error
			if q.Since, q.Until, err = span.times(); err != nil {
				return err
			}
			return listed(cmd, st, asJSON, printEvents, func(ctx context.Context, s *store.Store) ([]store.Event, error) {
				return s.Events(ctx, q)
			})
		},
	}
	f := cmd.Flags()
	st.addFlags(f)
	f.StringVar(&q.Part, "part", "", "those that concern a part")
	f.StringVar(&q.Line, "line", "", "a line")
	f.StringVar(&q.Head, "head", "", "a head")
	span.addFlags(f, "happened")
	f.BoolVar(&q.Withdrawn, "withdrawn", false, "also those withdrawn as mistakes")
	f.IntVarP(&q.Limit, "limit", "n", 0, "the newest so many")
	f.BoolVar(&asJSON, "json", false, "print one JSON object an event")
	return cmd
}

func printEvents(w io.Writer, events []store.Event) error {
	if len(events) == 0 {
		_, err := fmt.Fprintln(w, "no events")
		return err
	}
	var rows [][]string
	for _, e := range events {
		what := e.Text
		if e.Withdrawn != nil {
			what += " (withdrawn: " + e.Withdrawn.Why + ")"
		}
		rows = append(rows, []string{strconv.FormatInt(e.ID, 10), minute(e.Happened), orAll(e.Part), orAll(e.Line), orAll(e.Head), orAll(e.Nozzle), e.By, what})
	}
	return writeTable(w, "event\thappened\tpart\tline\thead\tnozzle\tby\twhat", rows)
}

func orAll(s string) string {
	if s == "" {
		return "all"
	}
	return s
}

func newEventWithdrawCmd() *cobra.Command {
	return newWithdrawCmd("event", `  inspect event withdraw 3 --why "it was head H2" --by "E. Early"`, (*store.Store).WithdrawEvent)
}

// newWithdrawCmd makes the command that takes back things that were mistakes.
func newWithdrawCmd(what, example string, withdraw func(*store.Store, context.Context, int64, store.Act) error) *cobra.Command {
	var st storeFlags
	var who actFlags
	cmd := &cobra.Command{
		Use:     fmt.Sprintf("withdraw [flags] --by NAME --why REASON %s", strings.ToUpper(strings.ReplaceAll(what, " ", "-"))),
		Short:   "Take back what was a mistake; the record keeps it",
		Example: example,
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			list, err := ids(what, strings.Fields(what)[0]+" list", args)
			if err != nil {
				return err
			}
			act, err := who.act("")
			if err != nil {
				return err
			}
			return st.with(cmd, func(ctx context.Context, s *store.Store) error {
				if err := withdraw(s, ctx, list[0], act); err != nil {
					return err
				}
				_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s %d withdrawn\n", what, list[0])
				return err
			})
		},
	}
	st.addFlags(cmd.Flags())
	who.addFlags(cmd.Flags(), "why (needed)")
	return cmd
}
