package spc

import (
	"fmt"
	"math"
	"strconv"

	"gonum.org/v1/gonum/stat/distuv"
)

// An attribute is a chart of counts: what it plots and by which law counts vary.
type attribute struct {
	statistic string
	binomial  bool // at most one count for each of size units; otherwise Poisson
	asCount   bool // plots the count (np, c), not the count over its size
	laney     bool // limits widened (or narrowed) by the spread of z scores beyond the law's
}

// PChart returns the chart of the fraction nonconforming: counts of sizes units, subgroup by
// subgroup. Limits are p̄ ± 3√(p̄(1−p̄)/nᵢ), cut at 0 and 1, with p̄ = Σcounts/Σsizes of the baseline
// (ISO 7870-2; ±[Options.Width] in general). A stated centre of a phase is p itself; a stated
// sigma is refused, for the law gives it. With [Options.Robust], subgroups beyond their limits are left
// out of the baseline and the limits drawn anew until none is. [PhaseLimits.Sigma] is 1: what the
// law's standard deviation is multiplied by.
//
// It returns an error when nothing is given, a count is negative, not whole or above its size, a
// size is not positive, or a phase or rule doesn't fit.
func PChart(counts, sizes []float64, opt Options) (Chart, error) {
	return attribute{statistic: "p", binomial: true}.chart(counts, sizes, opt)
}

// NPChart returns the chart of the number nonconforming: as [PChart] with counts plotted.
func NPChart(counts, sizes []float64, opt Options) (Chart, error) {
	return attribute{statistic: "np", binomial: true, asCount: true}.chart(counts, sizes, opt)
}

// UChart returns the chart of counts per unit of opportunity, such as missing columns per site:
// ū ± 3√(ū/nᵢ), cut at 0 (ISO 7870-2). Opportunities may differ and need not be whole. A stated
// centre of a phase is the rate; otherwise as [PChart].
func UChart(counts, opportunities []float64, opt Options) (Chart, error) {
	return attribute{statistic: "u"}.chart(counts, opportunities, opt)
}

// CChart returns the chart of counts of equal opportunity: c̄ ± 3√c̄, cut at 0 (ISO 7870-2).
func CChart(counts []float64, opt Options) (Chart, error) {
	ones := make([]float64, len(counts))
	for i := range ones {
		ones[i] = 1
	}
	return attribute{statistic: "c", asCount: true}.chart(counts, ones, opt)
}

// LaneyP returns the p′ chart, for large subgroups whose fraction varies more than a binomial law
// says: limits p̄ ± 3σᵢσz, where σz is the mean moving range of the z scores over d2(2)
// (Laney 2002, Quality Engineering 14, 531–537). A phase may state σz as its sigma. Otherwise as
// [PChart]; the baseline needs two subgroups in a row.
func LaneyP(counts, sizes []float64, opt Options) (Chart, error) {
	return attribute{statistic: "p′", binomial: true, laney: true}.chart(counts, sizes, opt)
}

// LaneyU returns the u′ chart: as [LaneyP] with a Poisson law, see [UChart].
func LaneyU(counts, opportunities []float64, opt Options) (Chart, error) {
	return attribute{statistic: "u′", laney: true}.chart(counts, opportunities, opt)
}

func (a attribute) chart(counts, sizes []float64, opt Options) (Chart, error) {
	fail := func(err error) (Chart, error) { return Chart{}, fmt.Errorf("%s chart: %w", a.statistic, err) }
	if err := a.check(counts, sizes); err != nil {
		return fail(err)
	}
	c := Chart{Statistic: a.statistic, Rules: rulesOr(opt.Rules), Points: make([]Point, len(counts))}
	if err := knownRules(c.Rules); err != nil {
		return fail(err)
	}
	width := opt.width()
	if !(width > 0) || math.IsInf(width, 0) {
		return fail(fmt.Errorf("limits at ± %v sigma: want a number above zero", width))
	}
	ss, err := stretches(len(counts), opt.Phases)
	if err != nil {
		return fail(err)
	}
	for i, s := range ss {
		ph, err := a.estimate(s, counts, sizes, opt.Robust, width)
		if err != nil {
			return fail(fmt.Errorf("phase %s: %w", phaseName(s.Phase, i), err))
		}
		for j := s.Start; j < s.end; j++ {
			c.Points[j] = a.point(j, counts[j], sizes[j], ph, width)
		}
		c.Phases = append(c.Phases, ph)
		c.Warnings = append(c.Warnings, a.doubts(s, ph, counts, sizes)...)
	}
	c.findHits()
	return c, nil
}

// point plots one subgroup with its limits.
func (a attribute) point(i int, count, size float64, ph PhaseLimits, width float64) Point {
	sigma := a.sigma(ph.Center, size) * ph.Sigma
	l := nonNegative(ph.Center, sigma, width)
	if a.binomial {
		l.UCL = math.Min(1, l.UCL)
	}
	p := Point{Value: count / size, Limits: l, Index: i, Size: max(1, int(math.Round(size)))}
	if a.asCount {
		p.Value = count
		p.Limits = Limits{Center: l.Center * size, LCL: l.LCL * size, UCL: l.UCL * size, Sigma: l.Sigma * size}
	}
	return p
}

// sigma gives the standard deviation of count/size by the law.
func (a attribute) sigma(rate, size float64) float64 {
	if a.binomial {
		return math.Sqrt(rate * (1 - rate) / size)
	}
	return math.Sqrt(rate / size)
}

func (a attribute) check(counts, sizes []float64) error {
	if len(counts) != len(sizes) {
		return fmt.Errorf("%d counts but %d sizes: want one size for each count", len(counts), len(sizes))
	}
	if err := needFinite("counts", counts, 1); err != nil {
		return err
	}
	if err := needFinite("sizes", sizes, 1); err != nil {
		return err
	}
	for i, n := range sizes {
		c := counts[i]
		switch {
		case c < 0 || c != math.Trunc(c):
			return fmt.Errorf("count %d is %v, want a whole number of at least 0", i+1, c)
		case n <= 0:
			return fmt.Errorf("size %d is %v, want it above 0", i+1, n)
		case a.binomial && n != math.Trunc(n):
			return fmt.Errorf("size %d is %v, want a whole number of units", i+1, n)
		case a.binomial && c > n:
			return fmt.Errorf("count %d is %v, above its %v units", i+1, c, n)
		}
	}
	return nil
}

// estimate learns the centre, and the widening σz, of one stretch.
func (a attribute) estimate(s stretch, counts, sizes []float64, robust bool, width float64) (PhaseLimits, error) {
	ph := PhaseLimits{Name: s.Name, From: s.Start, To: s.end, Sigma: 1, Lag1P: 1}
	if s.Sigma != nil && !a.laney {
		return ph, fmt.Errorf("states a sigma, but counts have the one their law gives: state the centre only, or use Laney's chart")
	}
	if s.Center != nil && (*s.Center < 0 || a.binomial && *s.Center > 1) {
		return ph, fmt.Errorf("states the centre %v: want a rate of at least 0 (and at most 1 for a fraction)", *s.Center)
	}
	var use []int
	for i := s.Baseline.From; i < s.Baseline.To; i++ {
		if s.used(i) {
			use = append(use, i)
		}
	}
	if len(use) == 0 && !(s.Center != nil && (!a.laney || s.Sigma != nil)) {
		return ph, fmt.Errorf("the baseline is empty: every subgroup is excluded")
	}
	for all := len(use); ; {
		if err := a.fit(&ph, s, use, counts, sizes); err != nil {
			return ph, err
		}
		ph.Baseline = len(use)
		kept := use[:0:0]
		for _, i := range use {
			if p := a.point(i, counts[i], sizes[i], ph, width); p.Outside() == 0 {
				kept = append(kept, i)
			}
		}
		if !robust || len(kept) == len(use) || len(kept) == 0 {
			if out := all - len(use); out > 0 {
				ph.Source += fmt.Sprintf("; %d beyond the limits left out", out)
			}
			return ph, nil
		}
		use = kept
	}
}

// fit estimates from the subgroups in use what the phase doesn't state.
func (a attribute) fit(ph *PhaseLimits, s stretch, use []int, counts, sizes []float64) error {
	if s.Center != nil {
		ph.Center, ph.Source = *s.Center, "centre stated"
	} else {
		var sum, total float64
		for _, i := range use {
			sum += counts[i]
			total += sizes[i]
		}
		ph.Center, ph.Source = sum/total, fmt.Sprintf("centre: %s in %s", amount(sum), amount(total))
	}
	switch {
	case !a.laney:
		return nil
	case s.Sigma != nil:
		ph.Sigma = *s.Sigma
		ph.Source += ", sigma z stated"
		return nil
	}
	var ranges, pairs float64
	score := func(i int) float64 { return (counts[i]/sizes[i] - ph.Center) / a.sigma(ph.Center, sizes[i]) }
	for k := 1; k < len(use); k++ {
		if use[k] == use[k-1]+1 {
			ranges += math.Abs(score(use[k]) - score(use[k-1]))
			pairs++
		}
	}
	if pairs == 0 {
		return fmt.Errorf("the baseline has no moving range: want at least two subgroups in a row (or a stated sigma z)")
	}
	ph.Sigma = ranges / pairs / D2(2)
	if !(ph.Sigma > 0) {
		return fmt.Errorf("the z scores of the baseline don't vary: sigma z can't be estimated, use the plain chart")
	}
	ph.Source += fmt.Sprintf(", sigma z %.3g from %v moving ranges", ph.Sigma, pairs)
	return nil
}

// doubts says what makes the limits of a stretch doubtful.
func (a attribute) doubts(s stretch, ph PhaseLimits, counts, sizes []float64) []string {
	var out []string
	var c, n []float64
	var events, total float64
	for i := s.Baseline.From; i < s.Baseline.To; i++ {
		if s.used(i) {
			c, n = append(c, counts[i]), append(n, sizes[i])
			events += counts[i]
			total += sizes[i]
		}
	}
	name := ""
	if s.Name != "" {
		name = fmt.Sprintf("phase %q: ", s.Name)
	}
	switch expected := ph.Center * total / float64(max(1, len(c))); {
	case len(c) > 0 && events == 0 && s.Center == nil:
		// With no event in n opportunities the rate is below −ln(0.05)/n with 95 % confidence.
		out = append(out, fmt.Sprintf("%sno event in %s opportunities: the rate is below %.2g with 95 %% confidence, limits of zero judge nothing; use a chart of the counts between events", name, amount(total), -math.Log(0.05)/total))
	case len(c) > 0 && expected < 1:
		// Below one expected event a single one may lie beyond the limit; common practice, no source.
		out = append(out, fmt.Sprintf("%sonly %.2g events expected in a subgroup: limits at three sigma mislead; use larger subgroups or a chart of the counts between events", name, expected))
	}
	if !a.laney && len(c) >= 5 && s.Center == nil && events > 0 {
		test := PoissonDispersion
		if a.binomial {
			test = BinomialDispersion
		}
		if d, err := test(c, n); err == nil && d.P < 0.001 {
			out = append(out, fmt.Sprintf("%scounts vary more than their law allows (dispersion %.3g, p = %.1g): limits are too narrow; look for what differs between subgroups, or use Laney's chart", name, d.ChiSquare/d.DF, d.P))
		}
	}
	return out
}

// A Dispersion compares the spread of counts with that of their law.
type Dispersion struct {
	ChiSquare, DF float64 // Σ(observed−expected)²/variance; its ratio to DF is 1 under the law
	P             float64 // probability of at least this spread under the law
}

// PoissonDispersion tests whether counts vary more than Poisson counts of one rate do
// (Fisher's index of dispersion).
func PoissonDispersion(counts, opportunities []float64) (Dispersion, error) {
	return attribute{}.dispersion(counts, opportunities)
}

// BinomialDispersion does it for counts of units, each of which counts at most once.
func BinomialDispersion(counts, sizes []float64) (Dispersion, error) {
	return attribute{binomial: true}.dispersion(counts, sizes)
}

func (a attribute) dispersion(counts, sizes []float64) (Dispersion, error) {
	if err := a.check(counts, sizes); err != nil {
		return Dispersion{}, fmt.Errorf("dispersion: %w", err)
	}
	var events, total float64
	for i := range counts {
		events += counts[i]
		total += sizes[i]
	}
	rate := events / total
	if len(counts) < 2 || rate == 0 || a.binomial && rate == 1 {
		return Dispersion{}, fmt.Errorf("dispersion: %v events in %d subgroups say nothing about spread", events, len(counts))
	}
	d := Dispersion{DF: float64(len(counts) - 1)}
	for i, n := range sizes {
		z := (counts[i]/n - rate) / a.sigma(rate, n)
		d.ChiSquare += z * z
	}
	d.P = distuv.ChiSquared{K: d.DF}.Survival(d.ChiSquare)
	return d, nil
}

// amount writes a sum without the digits that adding up leaves behind.
func amount(v float64) string {
	return strconv.FormatFloat(math.Round(v*1e6)/1e6, 'f', -1, 64)
}
