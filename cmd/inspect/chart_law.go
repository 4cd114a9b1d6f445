package main

import (
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"

	"plumbsquare/internal/spc"
)

// bestLaw asks for the family that fits best.
const bestLaw = "best"

// checkLaw refuses a law that there isn't.
func checkLaw(name string) error {
	_, err := familyNamed(name)
	return err
}

// familyNamed reads the name of a law: "" for the normal one, which is judged as ever, and for the best.
func familyNamed(name string) (spc.Family, error) {
	if name == "" || name == "normal" || name == bestLaw {
		return "", nil
	}
	var names []string
	for _, f := range spc.Families() {
		if strings.ReplaceAll(name, "-", " ") == string(f) {
			return f, nil
		}
		names = append(names, strings.ReplaceAll(string(f), " ", "-"))
	}
	return "", usagef("--law: want %s or one of %s, got %q", bestLaw, strings.Join(names, ", "), name)
}

// family is the law that was asked for, as familyNamed gives it; the best one of the values.
func (o chartOptions) family(values []float64) (spc.Family, error) {
	if o.law != bestLaw {
		return familyNamed(o.law)
	}
	fits, err := spc.BestFits(values)
	if err != nil {
		return "", err
	}
	return fits[0].Family, nil
}

// byLaw judges values that follow another law than the normal. Without a law asked for it is nil.
func (o chartOptions) byLaw(values []float64, tol spc.Tolerance) (*spc.Nonnormal, error) {
	f, err := o.family(values)
	if err != nil || f == "" {
		return nil, err
	}
	found, err := spc.AssessNonnormal(values, f, tol, spc.NonnormalOptions{}, rand.New(rand.NewPCG(1, 1)))
	return &found, err
}

// fitText says how well a law fits.
func fitText(n *spc.Nonnormal) string {
	if n.FitP <= 0.05 {
		return fmt.Sprintf("the %s law does not fit (Anderson–Darling %.2f, p %.2g): trust the tails little", n.Fit.Family, n.Fit.AD, n.FitP)
	}
	return fmt.Sprintf("the %s law fits (Anderson–Darling %.2f, p %.2g)", n.Fit.Family, n.Fit.AD, n.FitP)
}

// partsText writes a fraction of units in words.
func partsText(fraction float64) string {
	switch {
	case fraction >= 0.001:
		return twoDigits(100*fraction) + " %"
	case fraction > 0 && fraction*1e6 < 0.01:
		return "fewer than 0.01 in a million"
	}
	return twoDigits(1e6*fraction) + " in a million"
}

// twoDigits writes a number with two digits that count, without an exponent.
func twoDigits(v float64) string {
	if v == 0 {
		return "0"
	}
	unit := math.Pow10(int(math.Floor(math.Log10(math.Abs(v)))) - 1)
	return strconv.FormatFloat(math.Round(v/unit)*unit, 'f', max(0, -int(math.Round(math.Log10(unit)))), 64)
}

// writeLaw prints capability by percentiles.
func writeLaw(w io.Writer, n *spc.Nonnormal, tol spc.Tolerance) {
	fmt.Fprintf(w, "\ncapability against %s by percentiles, with %.0f %% intervals:\n", toleranceText(tol), 100*n.Confidence)
	if n.Indices.P != nil {
		fmt.Fprintf(w, "  Pp %.2f  ", *n.Indices.P)
	} else {
		fmt.Fprint(w, "  ")
	}
	fmt.Fprintf(w, "Ppk %.2f (%.2f to %.2f); outside, by this law: %s\n", n.Indices.K, n.KLow, n.KHigh, partsText(n.Indices.FractionBelow+n.Indices.FractionAbove))
	fmt.Fprintf(w, "  %s\n", fitText(n))
}

// The JSON form of capability by percentiles.
type lawJSON struct {
	Family   string   `json:"law"`
	AD       number   `json:"anderson_darling"`
	FitP     number   `json:"fit_p"`
	Low      number   `json:"percentile_0_135"`
	Median   number   `json:"median"`
	High     number   `json:"percentile_99_865"`
	Pp       *float64 `json:"pp,omitempty"`
	Ppk      number   `json:"ppk"`
	PpkLow   number   `json:"ppk_low"`
	PpkHigh  number   `json:"ppk_high"`
	AtLeast  number   `json:"ppk_at_least"`
	Outside  number   `json:"fraction_outside"`
	Sentence string   `json:"summary"`
}

func lawOf(n *spc.Nonnormal) *lawJSON {
	if n == nil {
		return nil
	}
	q := n.Indices
	return &lawJSON{
		Family: string(n.Fit.Family), AD: number(n.Fit.AD), FitP: number(n.FitP), Low: number(q.Low), Median: number(q.Median), High: number(q.High),
		Pp: q.P, Ppk: number(q.K), PpkLow: number(n.KLow), PpkHigh: number(n.KHigh), AtLeast: number(n.KAtLeast),
		Outside: number(q.FractionBelow + q.FractionAbove), Sentence: fitText(n),
	}
}
