package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/signal"
	"plumbsquare/internal/store"
)

const signalLong = `A signal is a rule that fired on a control chart of the line. It is open until somebody has
acknowledged it with its cause and what was done, and closed once that has worked. A pattern that
goes on after its signal was closed is a new signal. Nothing else takes one off the list but a new
phase, with other limits, from before it on. docs/decisions.md tells the whole life.`

func newSignalCmd() *cobra.Command {
	return group("signal", "List signals of the charts, give them causes, close them", signalLong,
		`  inspect signal list --store line.db
  inspect signal show 12
  inspect signal acknowledge 12 13 --cause "nozzle N3 worn" --action "nozzle N3 changed" --by "E. Early"
  inspect signal close 12 13 --why "ten good lots since" --by "E. Early"`,
		newSignalListCmd(), newSignalShowCmd(), newSignalAcknowledgeCmd(), newSignalCloseCmd(), newSignalReopenCmd(), newSignalUpdateCmd())
}

// chartFlags choose charts of the line.
type chartFlags struct{ part, view, line, head, value string }

func (o *chartFlags) addFlags(f *pflag.FlagSet) {
	f.StringVar(&o.part, "part", "", "name of the part")
	f.StringVar(&o.view, "view", "", "view, such as die-plan")
	f.StringVar(&o.line, "line", "", "line of the plant")
	f.StringVar(&o.head, "head", "", "head, for charts of one")
	f.StringVar(&o.value, "value", "", "quantity, such as x_um")
}

func (o chartFlags) chart() (store.Chart, error) {
	if o.view != "" && !slices.Contains(reading.Views[:], reading.View(o.view)) {
		return store.Chart{}, usagef("--view: want one of %s, got %q", inWords(reading.Views[:]), o.view)
	}
	return store.Chart{Part: o.part, View: reading.View(o.view), Line: o.line, Head: o.head, Value: o.value}, nil
}

func newSignalListCmd() *cobra.Command {
	var st storeFlags
	var ch chartFlags
	var span spanFlags
	var states []string
	var limit int
	var superseded, asJSON bool
	cmd := &cobra.Command{
		Use:   "list [flags]",
		Short: "List signals, those not closed if nothing else is asked for",
		Long: `List prints signals in order of time. Status 0, whatever there is; times are UTC.

States: open, acknowledged, closed, all.`,
		Example: `  inspect signal list --store line.db
  inspect signal list --state all --part tern --since 2031-03-01`,
		Args: usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			q := store.SignalQuery{Superseded: superseded, Limit: limit}
			var err error
			if q.Chart, err = ch.chart(); err != nil {
				return err
			}
			if q.States, err = signalStates(states); err != nil {
				return err
			}
			if q.Since, q.Until, err = span.times(); err != nil {
				return err
			}
			return listed(cmd, st, asJSON, printSignals, func(ctx context.Context, s *store.Store) ([]store.Signal, error) {
				return s.Signals(ctx, q)
			})
		},
	}
	f := cmd.Flags()
	st.addFlags(f)
	ch.addFlags(f)
	f.StringSliceVar(&states, "state", []string{"open", "acknowledged"}, "states")
	span.addFlags(f, "seen")
	f.BoolVar(&superseded, "superseded", false, "also those superseded by a later phase's limits")
	f.IntVarP(&limit, "limit", "n", 0, "the newest so many")
	f.BoolVar(&asJSON, "json", false, "print one JSON object a signal")
	return cmd
}

func signalStates(words []string) (states []store.SignalState, err error) {
	for _, w := range words {
		s := store.SignalState(w)
		switch {
		case w == "all":
			return nil, nil
		case !slices.Contains(store.SignalStates[:], s):
			return nil, usagef("--state: want %s or all, got %q", inWords(store.SignalStates[:]), w)
		}
		states = append(states, s)
	}
	return states, nil
}

func printSignals(w io.Writer, signals []store.Signal) error {
	if len(signals) == 0 {
		_, err := fmt.Fprintln(w, "no signals")
		return err
	}
	var rows [][]string
	for _, s := range signals {
		what, _, _ := strings.Cut(s.Text, "; ")
		if s.Cause != "" {
			what += "; cause: " + s.Cause
		}
		rows = append(rows, []string{strconv.FormatInt(s.ID, 10), lifeText(s), minute(s.First.At), minute(s.Last.At), strconv.Itoa(s.Times), s.Chart.String(), what})
	}
	return writeTable(w, "signal\tstate\tfirst\tlast\tpoints\tchart\twhat", rows)
}

func lifeText(s store.Signal) string {
	if s.Superseded {
		return string(s.State) + ", superseded"
	}
	return string(s.State)
}

func newSignalShowCmd() *cobra.Command {
	var st storeFlags
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "show [flags] SIGNAL...",
		Short:   "Show signals with all that was decided about them",
		Example: `  inspect signal show 12 --store line.db`,
		Args:    usageArgs(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			list, err := ids("signal", "signal list", args)
			if err != nil {
				return err
			}
			return st.with(cmd, func(ctx context.Context, s *store.Store) error {
				for i, id := range list {
					sig, err := s.Signal(ctx, id)
					if err != nil {
						return err
					}
					changes, err := s.Changes(ctx, store.ChangeQuery{What: store.SignalThing, Subject: id})
					if err != nil {
						return err
					}
					if asJSON {
						err = printJSON(cmd.OutOrStdout(), []signalJSON{{sig, changes}})
					} else {
						if i > 0 {
							fmt.Fprintln(cmd.OutOrStdout())
						}
						err = showSignal(cmd.OutOrStdout(), sig, changes)
					}
					if err != nil {
						return err
					}
				}
				return nil
			})
		},
	}
	st.addFlags(cmd.Flags())
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object a signal")
	return cmd
}

// A signalJSON is a signal with what was decided about it.
type signalJSON struct {
	store.Signal
	Changes []store.Change `json:"changes"`
}

func showSignal(w io.Writer, s store.Signal, changes []store.Change) error {
	fmt.Fprintf(w, "signal %d, %s: %v\n%s\n", s.ID, lifeText(s), s.Chart, s.Text)
	when := minute(s.First.At)
	if s.Times > 1 {
		when = fmt.Sprintf("%s and again up to %s, at %d points in all", when, minute(s.Last.At), s.Times)
	}
	fmt.Fprintf(w, "%s, complete at %s (UTC); limits of phase %d\n", s.Rule, when, s.Phase)
	if s.Cause != "" {
		fmt.Fprintf(w, "cause: %s\naction: %s\n", s.Cause, s.Action)
	}
	fmt.Fprintln(w)
	var points [][]string
	for _, p := range s.Pattern {
		points = append(points, []string{p.Name, minute(p.At), strconv.FormatInt(p.Shot, 10), strconv.FormatFloat(p.Value, 'g', 6, 64)})
	}
	if err := writeTable(w, "point\ttaken\tshot\tvalue", points); err != nil {
		return err
	}
	fmt.Fprintln(w)
	return printChanges(w, changes)
}

// A signalChange does something about one signal.
type signalChange func(ctx context.Context, s *store.Store, id int64, act store.Act) error

// changeSignals does something about several signals, each on its own.
func changeSignals(cmd *cobra.Command, st storeFlags, args []string, act store.Act, did string, change signalChange) error {
	list, err := ids("signal", "signal list", args)
	if err != nil {
		return err
	}
	return st.with(cmd, func(ctx context.Context, s *store.Store) error {
		var result error
		for _, id := range list {
			if err := change(ctx, s, id, act); err != nil {
				result = errReported
				fmt.Fprintf(cmd.ErrOrStderr(), "inspect: %v\n", err)
				continue
			}
			fmt.Fprintf(cmd.OutOrStdout(), "signal %d %s\n", id, did)
		}
		return result
	})
}

func newSignalAcknowledgeCmd() *cobra.Command {
	var st storeFlags
	var who actFlags
	var cause, action string
	cmd := &cobra.Command{
		Use:   "acknowledge [flags] --cause WHAT --action WHAT --by NAME SIGNAL...",
		Short: "Give signals their cause and what was done about it",
		Long: `Acknowledge keeps what somebody found behind signals and what was done. Of one acknowledged
already it changes cause and action; what they were stays in the record.`,
		Example: `  inspect signal acknowledge 12 13 --cause "nozzle N3 worn" --action "nozzle N3 changed" --by "E. Early"`,
		Args:    usageArgs(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if strings.TrimSpace(cause) == "" || strings.TrimSpace(action) == "" {
				return usagef("what was behind it, and what was done? Give --cause and --action")
			}
			act, err := who.act(cause)
			if err != nil {
				return err
			}
			return changeSignals(cmd, st, args, act, "acknowledged", func(ctx context.Context, s *store.Store, id int64, act store.Act) error {
				return s.AcknowledgeSignal(ctx, id, cause, action, act)
			})
		},
	}
	f := cmd.Flags()
	st.addFlags(f)
	f.StringVar(&cause, "cause", "", "what was behind it (needed)")
	f.StringVar(&action, "action", "", "what was done about it (needed)")
	who.addFlags(f, "how that was found; otherwise the cause says it")
	return cmd
}

func newSignalCloseCmd() *cobra.Command {
	var st storeFlags
	var who actFlags
	cmd := &cobra.Command{
		Use:   "close [flags] --by NAME --why REASON SIGNAL...",
		Short: "Close signals whose cause is gone",
		Long: `Close ends acknowledged signals. Should the pattern go on in shots taken later, a new signal
says so.`,
		Example: `  inspect signal close 12 13 --why "ten good lots since" --by "E. Early"`,
		Args:    usageArgs(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			act, err := who.act("")
			if err != nil {
				return err
			}
			return changeSignals(cmd, st, args, act, "closed", func(ctx context.Context, s *store.Store, id int64, act store.Act) error {
				return s.CloseSignal(ctx, id, act)
			})
		},
	}
	st.addFlags(cmd.Flags())
	who.addFlags(cmd.Flags(), "what shows that the cause is gone (needed)")
	return cmd
}

func newSignalReopenCmd() *cobra.Command {
	var st storeFlags
	var who actFlags
	cmd := &cobra.Command{
		Use:     "reopen [flags] --by NAME --why REASON SIGNAL...",
		Short:   "Take back that signals were closed",
		Example: `  inspect signal reopen 12 --why "closed the wrong one" --by "E. Early"`,
		Args:    usageArgs(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			act, err := who.act("")
			if err != nil {
				return err
			}
			return changeSignals(cmd, st, args, act, "reopened", func(ctx context.Context, s *store.Store, id int64, act store.Act) error {
				return s.ReopenSignal(ctx, id, act)
			})
		},
	}
	st.addFlags(cmd.Flags())
	who.addFlags(cmd.Flags(), "why (needed)")
	return cmd
}

func newSignalUpdateCmd() *cobra.Command {
	var st storeFlags
	var all, asJSON bool
	cmd := &cobra.Command{
		Use:   "update [flags]",
		Short: "Look for signals in all that is new",
		Long: `Update holds new shots against the limits in force. inspect watch and inspect report do it by
themselves. A chart that nobody has stated limits for gets its first from its first twenty-five lots,
or shots where a lot gives one.

It ends with status 1 when there are new signals.`,
		Example: `  inspect signal update --store line.db`,
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return st.with(cmd, func(ctx context.Context, s *store.Store) error {
				o := judging()
				if all {
					o.Settle = time.Nanosecond
				}
				r, err := signal.Update(ctx, s, o)
				if err != nil {
					return err
				}
				return printUpdate(cmd, r, asJSON)
			})
		},
	}
	st.addFlags(cmd.Flags())
	cmd.Flags().BoolVar(&all, "all", false, "also judge the newest lot, though more of it may come")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object a new signal")
	return cmd
}

// updateSignals judges all that is new in a store, in this program's name.
func updateSignals(ctx context.Context, s *store.Store) (signal.Result, error) {
	return signal.Update(ctx, s, judging())
}

// judging is in whose name and when this program judges.
func judging() signal.Options {
	return signal.Options{Now: time.Now(), Program: "inspect " + version()}
}

func printUpdate(cmd *cobra.Command, r signal.Result, asJSON bool) error {
	out := cmd.OutOrStdout()
	for _, p := range r.Problems {
		fmt.Fprintf(cmd.ErrOrStderr(), "inspect: %s\n", p)
	}
	if asJSON {
		if err := printJSON(out, r.New); err != nil {
			return err
		}
	} else {
		for _, p := range r.Started {
			fmt.Fprintf(out, "phase %d started: %v, centre %.6g, %s\n", p.ID, p.Chart, p.Centre, p.Source)
		}
		for _, w := range r.Waiting {
			fmt.Fprintf(out, "no limits yet: %v: %s\n", w.Chart, w.Why)
		}
		if len(r.New) > 0 {
			if err := printSignals(out, r.New); err != nil {
				return err
			}
		}
		fmt.Fprintf(out, "%d new %s, %d going on\n", len(r.New), plural(len(r.New), "signal"), r.Extended)
	}
	switch {
	case len(r.Problems) > 0:
		return errReported
	case len(r.New) > 0:
		return errNotAccepted
	}
	return nil
}
