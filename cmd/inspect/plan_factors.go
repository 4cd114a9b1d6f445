package main

import (
	"encoding/json"
	"fmt"
	"io"
	"strconv"

	"github.com/spf13/cobra"

	"plumbsquare/internal/spc"
)

func newPlanFactorsCmd() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "factors N...",
		Short: "Print the factors of control charts for subgroups of N",
		Long: `Prints the factors of control charts for subgroups of N values, such as d2, c4, A2 and D4, under the
names of the published tables (ASTM MNL 7). They are computed from their definitions, not looked up.`,
		Example: `  inspect plan factors 5
  inspect plan factors 2 3 4 5 --json`,
		Args: usageArgs(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			var all []spc.Constants
			for _, a := range args {
				const most = 1000
				n, err := strconv.Atoi(a)
				if err != nil || n < 2 || n > most {
					return usagef("want sizes of subgroups from 2 to %d, got %q", most, a)
				}
				c, err := spc.ConstantsFor(n)
				if err != nil {
					return err
				}
				all = append(all, c)
			}
			if asJSON {
				enc := json.NewEncoder(cmd.OutOrStdout())
				for _, c := range all {
					if err := enc.Encode(factorsOf(c)); err != nil {
						return err
					}
				}
				return nil
			}
			return writeFactors(cmd.OutOrStdout(), all)
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print one JSON object a size, to all digits")
	return cmd
}

// A chartFactor is one of the factors with its name in the tables.
type chartFactor struct {
	name  string
	about string
	of    func(spc.Constants) float64
}

var chartFactors = [...]chartFactor{
	{"d2", "mean of the range, in sigma", func(c spc.Constants) float64 { return c.D2 }},
	{"d3", "standard deviation of the range, in sigma", func(c spc.Constants) float64 { return c.D3 }},
	{"d4", "median of the range, in sigma", func(c spc.Constants) float64 { return c.MedianRange }},
	{"c4", "mean of the standard deviation, in sigma", func(c spc.Constants) float64 { return c.C4 }},
	{"c5", "standard deviation of that, in sigma", func(c spc.Constants) float64 { return c.C5 }},
	{"A", "limits of means from sigma", func(c spc.Constants) float64 { return c.A }},
	{"A2", "limits of means from R̄", func(c spc.Constants) float64 { return c.A2 }},
	{"A3", "limits of means from s̄", func(c spc.Constants) float64 { return c.A3 }},
	{"B3", "lower limit of s from s̄", func(c spc.Constants) float64 { return c.B3 }},
	{"B4", "upper limit of s from s̄", func(c spc.Constants) float64 { return c.B4 }},
	{"B5", "lower limit of s from sigma", func(c spc.Constants) float64 { return c.B5 }},
	{"B6", "upper limit of s from sigma", func(c spc.Constants) float64 { return c.B6 }},
	{"D1", "lower limit of R from sigma", func(c spc.Constants) float64 { return c.RangeD1 }},
	{"D2", "upper limit of R from sigma", func(c spc.Constants) float64 { return c.RangeD2 }},
	{"D3", "lower limit of R from R̄", func(c spc.Constants) float64 { return c.RangeD3 }},
	{"D4", "upper limit of R from R̄", func(c spc.Constants) float64 { return c.RangeD4 }},
	{"E2", "limits of single values from R̄", func(c spc.Constants) float64 { return c.E2 }},
	{"E3", "limits of single values from s̄", func(c spc.Constants) float64 { return c.E3 }},
}

func factorsOf(c spc.Constants) map[string]number {
	out := map[string]number{"n": number(c.N)}
	for _, f := range chartFactors {
		out[f.name] = number(f.of(c))
	}
	return out
}

func writeFactors(w io.Writer, all []spc.Constants) error {
	t := newColumns(w)
	fmt.Fprint(t, "factor\t")
	for _, c := range all {
		fmt.Fprintf(t, "n = %d\t", c.N)
	}
	fmt.Fprintln(t, "is")
	for _, f := range chartFactors {
		fmt.Fprintf(t, "%s\t", f.name)
		for _, c := range all {
			fmt.Fprintf(t, "%.4f\t", f.of(c))
		}
		fmt.Fprintln(t, f.about)
	}
	return t.Flush()
}
