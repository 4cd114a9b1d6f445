package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/store"
)

func newReviewCmd() *cobra.Command {
	return group("review", "Decide about shots whose uncertainty straddles a limit",
		`A shot is in review when its value lies so close to a limit that the measurement can't tell on
which side. Somebody has to decide, and say why. The measured verdict stays what it is; of several
decisions about a shot the newest holds, and the record keeps them all.`,
		`  inspect review list --store line.db
  inspect review decide 1042 --accept --why "measured 24.6 µm on the reference bench" --by "E. Early"`,
		newReviewListCmd(), newReviewDecideCmd())
}

// A caseJSON is a shot in review.
type caseJSON struct {
	Shot      int64            `json:"shot"`
	TakenAt   time.Time        `json:"taken_at"`
	Part      string           `json:"part"`
	View      reading.View     `json:"view"`
	Line      string           `json:"line,omitempty"`
	Lot       string           `json:"lot,omitempty"`
	Sample    string           `json:"sample,omitempty"`
	Operator  string           `json:"operator,omitempty"`
	Picture   string           `json:"picture"`
	Reasons   []reading.Reason `json:"reasons"` // why it is in review
	Decided   *store.Review    `json:"decided,omitempty"`
	Decisions []store.Review   `json:"decisions"` // all, oldest first
}

func newReviewListCmd() *cobra.Command {
	var st storeFlags
	var span spanFlags
	var q store.CaseQuery
	var all, asJSON bool
	cmd := &cobra.Command{
		Use:   "list [flags]",
		Short: "List shots in review, those that wait for a decision if nothing else is asked for",
		Example: `  inspect review list --store line.db
  inspect review list --all --lot L3101`,
		Args: usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			q.Undecided = !all
			var err error
			if q.Since, q.Until, err = span.times(); err != nil {
				return err
			}
			return listed(cmd, st, asJSON, printCases, func(ctx context.Context, s *store.Store) ([]caseJSON, error) {
				return casesOf(ctx, s, q)
			})
		},
	}
	f := cmd.Flags()
	st.addFlags(f)
	f.StringVar(&q.Part, "part", "", "of a part")
	f.StringVar(&q.Line, "line", "", "of a line")
	f.StringVar(&q.Lot, "lot", "", "of a lot")
	span.addFlags(f, "taken")
	f.BoolVar(&all, "all", false, "also those decided")
	f.IntVarP(&q.Limit, "limit", "n", 0, "the newest so many")
	f.BoolVar(&asJSON, "json", false, "print one JSON object a shot")
	return cmd
}

func casesOf(ctx context.Context, s *store.Store, q store.CaseQuery) ([]caseJSON, error) {
	cases, err := s.Cases(ctx, q)
	if err != nil {
		return nil, err
	}
	var list []caseJSON
	for _, c := range cases {
		kept, err := s.Get(ctx, c.Shot.ID)
		if err != nil {
			return nil, err
		}
		j := caseJSON{
			Shot: c.Shot.ID, TakenAt: c.Shot.TakenAt, Part: c.Shot.Part, View: c.Shot.View, Line: c.Shot.Line, Lot: c.Shot.Lot, Sample: c.Shot.Sample,
			Operator: c.Shot.Operator, Picture: kept.Reading.Source.Picture, Decided: c.Decided(), Decisions: append([]store.Review{}, c.Reviews...),
		}
		for _, r := range kept.Reading.Verdict.Reasons {
			if r.Decision != reading.Accept {
				j.Reasons = append(j.Reasons, r)
			}
		}
		list = append(list, j)
	}
	return list, nil
}

func printCases(w io.Writer, cases []caseJSON) error {
	if len(cases) == 0 {
		_, err := fmt.Fprintln(w, "no shots in review")
		return err
	}
	var rows [][]string
	for _, c := range cases {
		decided := "waits"
		if d := c.Decided; d != nil {
			decided = fmt.Sprintf("%s, %s: %s", d.Decision, d.By, d.Why)
		}
		rows = append(rows, []string{strconv.FormatInt(c.Shot, 10), minute(c.TakenAt), c.Part, string(c.View), c.Lot, c.Sample, decided, reasonTexts(c.Reasons)})
	}
	return writeTable(w, "shot\ttaken\tpart\tview\tlot\tsample\tdecision\tbecause", rows)
}

func reasonTexts(reasons []reading.Reason) string {
	var texts []string
	for _, r := range reasons {
		texts = append(texts, r.Text)
	}
	return strings.Join(texts, "; ")
}

func newReviewDecideCmd() *cobra.Command {
	var st storeFlags
	var who actFlags
	var accept, reject bool
	cmd := &cobra.Command{
		Use:     "decide [flags] --accept|--reject --by NAME --why REASON SHOT...",
		Short:   "Accept or reject shots in review",
		Example: `  inspect review decide 1042 --reject --why "edge chipped at +x" --by "E. Early"`,
		Args:    usageArgs(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			if accept == reject {
				return usagef("which way? Give --accept or --reject")
			}
			decision, did := reading.Accept, "accepted"
			if reject {
				decision, did = reading.Reject, "rejected"
			}
			act, err := who.act("")
			if err != nil {
				return err
			}
			list, err := ids("shot in review", "review list", args)
			if err != nil {
				return err
			}
			return st.with(cmd, func(ctx context.Context, s *store.Store) error {
				var result error
				for _, shot := range list {
					if _, err := s.Decide(ctx, shot, decision, act); err != nil {
						result = errReported
						fmt.Fprintf(cmd.ErrOrStderr(), "inspect: %v\n", err)
						continue
					}
					fmt.Fprintf(cmd.OutOrStdout(), "shot %d %s by %s\n", shot, did, act.By)
				}
				return result
			})
		},
	}
	f := cmd.Flags()
	st.addFlags(f)
	f.BoolVar(&accept, "accept", false, "accept the shot")
	f.BoolVar(&reject, "reject", false, "reject it")
	who.addFlags(f, "on what grounds (needed)")
	return cmd
}
