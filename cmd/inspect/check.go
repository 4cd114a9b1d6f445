package main

import (
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/signal"
	"plumbsquare/internal/store"
)

func newCheckCmd() *cobra.Command {
	return group("check", "Watch the scopes with samples of known dimensions",
		`A check sample is a sample whose dimensions are known, from a better instrument or from many
measurements, and which is shot again and again, say at the start of each shift. Its shots bear its
name as their sample, go through everything as all others do, and are left out of the line's charts.
When they stop agreeing with what is known, the scope can't be trusted.`,
		`  inspect check add --part tern --sample CS-1 --view die-plan --value x_um --reference 12.3 --u 0.15 --by "E. Early" --why "certificate 7/2031"
  inspect check list --store line.db
  inspect chart --store line.db --part tern --value x_um --where sample=CS-1 --kind individuals`,
		newCheckListCmd(), newCheckAddCmd(),
		newWithdrawCmd("check sample", `  inspect check withdraw 2 --why "dropped" --by "E. Early"`, (*store.Store).WithdrawCheckSample))
}

func newCheckAddCmd() *cobra.Command {
	var st storeFlags
	var who actFlags
	var c store.CheckSample
	var view, reference, u string
	cmd := &cobra.Command{
		Use:     "add [flags] --part NAME --sample NAME --view VIEW --value NAME --reference NUMBER --u NUMBER --by NAME --why REASON",
		Short:   "Add what is known of a check sample in one value",
		Example: `  inspect check add --part tern --sample CS-1 --view die-plan --value x_um --reference 12.3 --u 0.15 --by "E. Early" --why "certificate 7/2031"`,
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			for flag, text := range map[string]string{"--part": c.Part, "--sample": c.Sample, "--view": view, "--value": c.Value, "--reference": reference, "--u": u} {
				if text == "" {
					return usagef("what is known, and of what? Give --part, --sample, --view, --value, --reference and --u; %s is missing", flag)
				}
			}
			if !slices.Contains(reading.Views[:], reading.View(view)) {
				return usagef("--view: want one of %s, got %q", inWords(reading.Views[:]), view)
			}
			ref, err := optional("--reference", reference)
			if err != nil {
				return err
			}
			uRef, err := optional("--u", u)
			if err != nil {
				return err
			}
			if c.Act, err = who.act(""); err != nil {
				return err
			}
			c.View, c.Reference, c.UReference = reading.View(view), *ref, *uRef
			return st.with(cmd, func(ctx context.Context, s *store.Store) error {
				id, err := s.AddCheckSample(ctx, c)
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "check sample %d added: %s of %s is %s (k = 2)\n", id, c.Value, c.Sample, expanded(c.Reference, c.UReference))
				return err
			})
		},
	}
	f := cmd.Flags()
	st.addFlags(f)
	f.StringVar(&c.Part, "part", "", "name of the part (needed)")
	f.StringVar(&c.Sample, "sample", "", "what its shots bear as sample (needed)")
	f.StringVar(&view, "view", "", "view, such as die-plan (needed)")
	f.StringVar(&c.Value, "value", "", "quantity, such as x_um (needed)")
	f.StringVar(&reference, "reference", "", "its known value, in the quantity's unit (needed)")
	f.StringVar(&u, "u", "", "the standard uncertainty (k = 1) of that (needed)")
	who.addFlags(f, "where that is known from (needed)")
	return cmd
}

// A checkJSON is a check sample and how its shots agree with it.
type checkJSON struct {
	store.CheckSample
	Shots  int        `json:"shots"`
	LastAt *time.Time `json:"last_taken_at"`
	Last   number     `json:"last"`
	U      number     `json:"u_last"`
	Mean   number     `json:"mean"`
	En     number     `json:"en"`
	Agrees bool       `json:"agrees"` // false also when there is no shot
}

func newCheckListCmd() *cobra.Command {
	var st storeFlags
	var part, since string
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "list [flags]",
		Short: "List check samples and whether their newest shots agree with what is known",
		Long: `List prints what is known of each check sample, its newest shot, and their difference over its
expanded uncertainty, the number Eₙ of ISO/IEC 17043: beyond ±1 the uncertainties don't explain it.

It ends with status 1 when the newest shot of one doesn't agree.`,
		Example: `  inspect check list --store line.db --since 2031-03-01`,
		Args:    usageArgs(cobra.NoArgs),
		RunE: func(cmd *cobra.Command, _ []string) error {
			from, err := timeFlag("--since", since)
			if err != nil {
				return err
			}
			return st.with(cmd, func(ctx context.Context, s *store.Store) error {
				checks, err := signal.Checks(ctx, s, part, from)
				if err != nil {
					return err
				}
				return printChecks(cmd.OutOrStdout(), checks, asJSON)
			})
		},
	}
	f := cmd.Flags()
	st.addFlags(f)
	f.StringVar(&part, "part", "", "of a part")
	f.StringVar(&since, "since", "", "count shots taken then or later")
	f.BoolVar(&asJSON, "json", false, "print one JSON object a check sample")
	return cmd
}

func printChecks(w io.Writer, checks []signal.Check, asJSON bool) error {
	var result error
	var rows [][]string
	var list []checkJSON
	for _, c := range checks {
		if c.Shots > 0 && !c.Agrees() {
			result = errNotAccepted
		}
		j := checkJSON{CheckSample: c.CheckSample, Shots: c.Shots, Last: number(c.Measured), U: number(c.U), Mean: number(c.Mean), En: number(c.En), Agrees: c.Agrees()}
		row := []string{strconv.FormatInt(c.ID, 10), c.Sample, c.Part, string(c.View), c.Value, expanded(c.Reference, c.UReference), strconv.Itoa(c.Shots), "–", "–", "–", "not shot"}
		if c.Shots > 0 {
			j.LastAt = &c.Last
			row = append(row[:7], minute(c.Last), expanded(c.Measured, c.U), strings.Replace(fmt.Sprintf("%.2f", c.En), "-", "−", 1), agreement(c))
		}
		list, rows = append(list, j), append(rows, row)
	}
	var err error
	switch {
	case asJSON:
		err = printJSON(w, list)
	case rows == nil:
		_, err = fmt.Fprintln(w, "no check sample")
	default:
		err = writeTable(w, "check sample\tsample\tpart\tview\tvalue\tknown ± U\tshots\tnewest\tmeasured ± U\tEn\t", rows)
	}
	if err != nil {
		return err
	}
	return result
}

func agreement(c signal.Check) string {
	switch {
	case math.IsNaN(c.En):
		return "no uncertainty to judge by"
	case c.Agrees():
		return "agrees"
	}
	return "does not agree"
}

// expanded writes a value with its expanded uncertainty, k = 2.
func expanded(v, u float64) string {
	if math.IsNaN(u) {
		u = 0
	}
	return reading.PlusMinus(v, 2*u)
}
