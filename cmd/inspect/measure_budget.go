package main

import (
	"fmt"
	"io"
	"math"

	"plumbsquare/internal/reading"
)

// writeBudget prints where the uncertainty of an offset comes from, in the form of the budgets in
// JCGM 100:2008, annex H: each component as a standard uncertainty of the result, their root sum
// of squares, and the expanded uncertainty.
func writeBudget(out io.Writer, r *reading.Reading) error {
	o := r.Offset
	if o == nil {
		return nil
	}
	fmt.Fprintf(out, "\n%s: %s, standard uncertainties\n", r.PictureName(), o.Of)
	w := newRightColumns(out)
	fmt.Fprintln(w, "component\tu(X), µm\tu(Y), µm\tu(θ), °\tshare of u²(X)\t")
	for _, t := range o.Budget {
		fmt.Fprintf(w, "%s\t%.3f\t%.3f\t%.5f\t%.0f %%\t\n", t.Name, t.XUm, t.YUm, t.ThetaDeg, 100*math.Pow(t.XUm/o.UXUm, 2))
	}
	fmt.Fprintf(w, "combined\t%.3f\t%.3f\t%.5f\t100 %%\t\n", o.UXUm, o.UYUm, o.UTheta)
	fmt.Fprintf(w, "expanded, k = 2\t%.3f\t%.3f\t%.5f\t\t\n", 2*o.UXUm, 2*o.UYUm, 2*o.UTheta)
	fmt.Fprintf(w, "result\t%.3f\t%.3f\t%.5f\t\t\n", o.XUm, o.YUm, o.ThetaDeg)
	return w.Flush()
}
