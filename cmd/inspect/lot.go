package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/store"
)

func newLotCmd() *cobra.Command {
	return group("lot", "List lots with their verdicts, show what came of one",
		`A lot is what a traveler calls so. Its shots count by their measured verdicts; what people decided
about those in review stands beside.`,
		`  inspect lot list --store line.db --since 2031-03-05
  inspect lot show L3101`,
		newLotListCmd(), newLotShowCmd())
}

func newLotListCmd() *cobra.Command {
	var st storeFlags
	var span spanFlags
	var q store.LotQuery
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "list [flags]",
		Short: "List lots in the order of their last shots",
		Example: `  inspect lot list --store line.db --since 2031-03-05
  inspect lot list --part tern -n 20`,
		Args: usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			var err error
			if q.Since, q.Until, err = span.times(); err != nil {
				return err
			}
			return listed(cmd, st, asJSON, printLots, func(ctx context.Context, s *store.Store) ([]store.Lot, error) {
				return s.Lots(ctx, q)
			})
		},
	}
	f := cmd.Flags()
	st.addFlags(f)
	f.StringVar(&q.Part, "part", "", "of a part")
	f.StringVar(&q.Line, "line", "", "of a line")
	span.addFlags(f, "shot")
	f.IntVarP(&q.Limit, "limit", "n", 0, "the newest so many")
	f.BoolVar(&asJSON, "json", false, "print one JSON object a lot")
	return cmd
}

func printLots(w io.Writer, lots []store.Lot) error {
	if len(lots) == 0 {
		_, err := fmt.Fprintln(w, "no lots")
		return err
	}
	var rows [][]string
	for _, l := range lots {
		review := strconv.Itoa(l.Review)
		if l.Review > 0 {
			review += fmt.Sprintf(" (%d waiting)", l.Undecided())
		}
		rows = append(rows, []string{l.Name, l.Part, orDash(l.Line), minute(l.First), minute(l.Last), strconv.Itoa(l.Samples), strconv.Itoa(l.Shots),
			strconv.Itoa(l.Accept), strconv.Itoa(l.Reject), review, strconv.Itoa(l.Retake)})
	}
	return writeTable(w, "lot\tpart\tline\tfirst shot\tlast shot\tsamples\tshots\taccept\treject\treview\tretake", rows)
}

// The JSON form of one lot.
type (
	lotShowJSON struct {
		store.Lot
		List []lotShotJSON `json:"list"`
	}
	lotShotJSON struct {
		Shot     int64            `json:"shot"`
		TakenAt  time.Time        `json:"taken_at"`
		View     reading.View     `json:"view"`
		Sample   string           `json:"sample,omitempty"`
		Head     string           `json:"head,omitempty"`
		Nozzle   string           `json:"nozzle,omitempty"`
		Operator string           `json:"operator,omitempty"`
		Picture  string           `json:"picture"`
		Verdict  reading.Decision `json:"verdict"`
		Because  string           `json:"because,omitempty"`
		Decided  *store.Review    `json:"decided,omitempty"` // by a person, of a shot in review
	}
)

func newLotShowCmd() *cobra.Command {
	var st storeFlags
	var part string
	var asJSON bool
	cmd := &cobra.Command{
		Use:     "show [flags] LOT",
		Short:   "Show the shots of a lot: verdicts, reasons, who shot and who decided",
		Example: `  inspect lot show L3101 --store line.db`,
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			return st.with(cmd, func(ctx context.Context, s *store.Store) error {
				lots, err := s.Lots(ctx, store.LotQuery{Name: args[0], Part: part})
				if err != nil {
					return err
				}
				if len(lots) == 0 {
					return fmt.Errorf("there is no lot %q; inspect lot list shows those there are", args[0])
				}
				for i, l := range lots {
					shots, err := shotsOf(ctx, s, l)
					if err != nil {
						return err
					}
					if asJSON {
						err = printJSON(cmd.OutOrStdout(), []lotShowJSON{{l, shots}})
					} else {
						if i > 0 {
							fmt.Fprintln(cmd.OutOrStdout())
						}
						err = printLot(cmd.OutOrStdout(), l, shots)
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
	cmd.Flags().StringVar(&part, "part", "", "part of the lot, where several have one of this name")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object a lot")
	return cmd
}

func shotsOf(ctx context.Context, s *store.Store, l store.Lot) (list []lotShotJSON, err error) {
	q := store.Query{Part: l.Part, Lot: l.Name}
	cases, err := s.Cases(ctx, store.CaseQuery{Query: q})
	if err != nil {
		return nil, err
	}
	decided := map[int64]*store.Review{}
	for _, c := range cases {
		decided[c.Shot.ID] = c.Decided()
	}
	for k, err := range s.Kept(ctx, q) {
		if err != nil {
			return nil, err
		}
		j := lotShotJSON{
			Shot: k.Shot.ID, TakenAt: k.Shot.TakenAt, View: k.Shot.View, Sample: k.Shot.Sample, Head: k.Shot.Head, Nozzle: k.Shot.Nozzle, Operator: k.Shot.Operator,
			Picture: k.Reading.Source.Picture, Verdict: k.Shot.Verdict, Decided: decided[k.Shot.ID],
		}
		if k.Reading.Refusal != nil {
			j.Because = k.Reading.Refusal.Instruction
		} else {
			var flagged []reading.Reason
			for _, r := range k.Reading.Verdict.Reasons {
				if r.Decision != reading.Accept {
					flagged = append(flagged, r)
				}
			}
			j.Because = reasonTexts(flagged)
		}
		list = append(list, j)
	}
	return list, nil
}

func printLot(w io.Writer, l store.Lot, shots []lotShotJSON) error {
	if err := printLots(w, []store.Lot{l}); err != nil {
		return err
	}
	fmt.Fprintln(w)
	var rows [][]string
	for _, s := range shots {
		verdict := string(s.Verdict)
		if s.Decided != nil {
			verdict += fmt.Sprintf(", %s by %s: %s", s.Decided.Decision, s.Decided.By, s.Decided.Why)
		}
		rows = append(rows, []string{strconv.FormatInt(s.Shot, 10), minute(s.TakenAt), string(s.View), s.Sample, s.Head, s.Nozzle, s.Operator, verdict, s.Because})
	}
	return writeTable(w, "shot\ttaken\tview\tsample\thead\tnozzle\toperator\tverdict\tbecause", rows)
}
