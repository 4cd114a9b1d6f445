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
	fmt.Fprintln(w, "component\tu(X), µm\tu(Y), µm\tu(θ), °\tof u²(X)\tof u²(Y)\tof u²(θ)\t")
	share := func(u, of float64) string { return fmt.Sprintf("%.0f %%", 100*math.Pow(u/of, 2)) }
	for _, t := range o.Budget {
		fmt.Fprintf(w, "%s\t%.3f\t%.3f\t%.5f\t%s\t%s\t%s\t\n", t.Name, t.XUm, t.YUm, t.ThetaDeg,
			share(t.XUm, o.UXUm), share(t.YUm, o.UYUm), share(t.ThetaDeg, o.UTheta))
	}
	fmt.Fprintf(w, "combined\t%.3f\t%.3f\t%.5f\t100 %%\t100 %%\t100 %%\t\n", o.UXUm, o.UYUm, o.UTheta)
	fmt.Fprintf(w, "expanded, k = 2\t%.3f\t%.3f\t%.5f\t\t\t\t\n", 2*o.UXUm, 2*o.UYUm, 2*o.UTheta)
	fmt.Fprintf(w, "result\t%.3f\t%.3f\t%.5f\t\t\t\t\n", o.XUm, o.YUm, o.ThetaDeg)
	return w.Flush()
}
