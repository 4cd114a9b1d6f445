package spc

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

// The tables of operating characteristics in Montgomery, Introduction to Statistical Quality Control, 6th
// edition: a p chart of 50 units at 0.20 (limits 0.0303 and 0.3697) and a c chart with limits 6.48 and
// 33.22, the chance β that a point stays inside. From memory; each is a sum that the test's author made
// anew in exact arithmetic. A chart of single points runs 1/(1−β) points.
func TestCountsPublished(t *testing.T) {
	p, c := Counts{Law: Binomial, Mean: 10, N: 50}, Counts{Law: Poisson, Mean: 19.85}
	for _, r := range []struct {
		chart  Counts
		rate   float64
		inside float64
		within float64
	}{
		{p, 0.01, 0.0894, 5e-5}, {p, 0.03, 0.4447, 5e-5}, {p, 0.05, 0.7206, 5e-5}, {p, 0.10, 0.9662, 5e-5}, {p, 0.25, 0.9713, 5e-5},
		{p, 0.30, 0.8594, 5e-5}, {p, 0.35, 0.6216, 5e-5}, {p, 0.40, 0.3356, 5e-5}, {p, 0.45, 0.1273, 5e-5}, {p, 0.50, 0.0325, 5e-5}, {p, 0.55, 0.0053, 5e-5},
		{c, 3, 0.034, 5e-4}, {c, 5, 0.238, 5e-4}, {c, 7, 0.550, 5e-4}, {c, 10, 0.870, 5e-4}, {c, 25, 0.950, 5e-4}, {c, 30, 0.744, 5e-4},
		{c, 33, 0.546, 5e-4}, {c, 35, 0.410, 5e-4}, {c, 40, 0.151, 5e-4}, {c, 45, 0.038, 5e-4},
	} {
		centre := r.chart.Mean
		if r.chart.Law == Binomial {
			centre /= float64(r.chart.N)
		}
		run, err := r.chart.RunLength(r.rate/centre, nil, 0)
		if err != nil || run.SE != 0 || math.Abs(1-1/run.Mean-r.inside) > r.within {
			t.Errorf("%s at %v: %v, %v; inside %.5f, want %v", r.chart.Law, r.rate, run, err, 1-1/run.Mean, r.inside)
		}
	}
}

// Closed forms: a geometric count lies above the limit U with (1−p)^(⌊U⌋+1), and the first run of r points
// on one side comes after 1/Σ 1/μ points, μ = (1−q^r)/(q^r(1−q)) for points of chance q (Feller 1968, An
// Introduction to Probability Theory, volume 1, XIII.7; for two kinds of runs by the same argument, since
// neither begins with the end of the other).
func TestCountsClosedForms(t *testing.T) {
	for _, mean := range []float64{0.3, 1.7, 20, 457.3, 25000, 1e9} {
		for _, factor := range []float64{0.2, 1, 1.2} {
			p := factor / (mean + 1)
			g := Counts{Law: Geometric, Mean: mean}
			got, err := g.RunLength(factor, nil, 0)
			if err != nil {
				t.Fatal(err)
			}
			upper := mean + 3*math.Sqrt(mean*(mean+1))
			wantRel(t, "beyond the limit", got.Mean, math.Exp(-(math.Floor(upper)+1)*math.Log1p(-p)), 1e-9)

			g.Rules = []Rule{Nelson2}
			if got, err = g.RunLength(factor, nil, 0); err != nil {
				t.Fatal(err)
			}
			below := -math.Expm1(math.Ceil(mean) * math.Log1p(-p))
			above := math.Exp((math.Floor(mean) + 1) * math.Log1p(-p))
			wantRel(t, "a run on one side", got.Mean, 1/(perRun(above, 9)+perRun(below, 9)), 1e-9)
		}
	}
	for _, mean := range []float64{0.4, 3, 3.5, 900} {
		c := Counts{Law: Poisson, Mean: mean, Rules: []Rule{Nelson2}}
		got, err := c.RunLength(1, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		law := distuv.Poisson{Lambda: mean}
		wantRel(t, "a run on one side", got.Mean, 1/(perRun(1-law.CDF(math.Floor(mean)), 9)+perRun(law.CDF(math.Ceil(mean)-1), 9)), 1e-8) // the library's digits
	}
	// A t chart at three sigma: powers of exponential times, by their survival exp(−y^3.6).
	got, err := TRunLength(nil, 0, 1, nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	mean := math.Gamma(1 + 1/3.6)
	sd := math.Sqrt(math.Gamma(1+2/3.6) - mean*mean)
	wantRel(t, "mean time", MeanTimeOf(mean*math.Pow(17, 1/3.6)), 17, 1e-12)
	outside := math.Exp(-math.Pow(mean+3*sd, 3.6)) - math.Expm1(-math.Pow(mean-3*sd, 3.6))
	wantRel(t, "t chart", got.Mean, 1/outside, 1e-9)
}

// perRun is 1/μ of the first run of r points that each come with chance q.
func perRun(q float64, r int) float64 {
	run := math.Pow(q, float64(r))
	return run * (1 - q) / (1 - run)
}

// What is computed is what charts of drawn counts do, with rules of every kind.
func TestCountsMeetTheirCharts(t *testing.T) {
	rng := rand.New(rand.NewPCG(41, 42))
	rules := []Rule{Nelson1, Nelson2, Nelson5, Nelson6}
	options := func(centre float64) Options { return Options{Rules: rules, Phases: []Phase{{Center: &centre}}} }
	const length, runs = 3000, 400
	for _, c := range []struct {
		name   string
		counts Counts
		factor float64
		draw   func() float64
		chart  func(x []float64) (Chart, error)
	}{
		{"c", Counts{Law: Poisson, Mean: 5.5}, 1, distuv.Poisson{Lambda: 5.5, Src: rng}.Rand, func(x []float64) (Chart, error) { return CChart(x, options(5.5)) }},
		{"np", Counts{Law: Binomial, Mean: 8, N: 80}, 1.5, distuv.Binomial{N: 80, P: 0.15, Src: rng}.Rand, func(x []float64) (Chart, error) {
			sizes := make([]float64, len(x))
			for i := range sizes {
				sizes[i] = 80
			}
			return NPChart(x, sizes, options(0.1))
		}},
		{"g", Counts{Law: Geometric, Mean: 30}, 1, func() float64 { return math.Floor(rng.ExpFloat64() / -math.Log1p(-1.0/31)) }, func(x []float64) (Chart, error) { return GChart(x, options(30)) }},
	} {
		c.counts.Rules = rules
		want, err := c.counts.RunLength(c.factor, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		var sum, squares float64
		for range runs {
			x := make([]float64, length)
			for i := range x {
				x[i] = c.draw()
			}
			got, err := c.chart(x)
			if err != nil {
				t.Fatal(err)
			}
			if len(got.Hits) == 0 {
				t.Fatalf("%s: no signal in %d points", c.name, length)
			}
			first := float64(got.Hits[0].At + 1)
			sum += first
			squares += first * first
		}
		mean := sum / runs
		if se := math.Sqrt((squares/runs - mean*mean) / (runs - 1)); math.Abs(mean-want.Mean) > 4*se {
			t.Errorf("%s: charts signal after %.1f ± %.1f points, computed %v", c.name, mean, se, want)
		}
	}
	// Rules that compare values are simulated from the same law.
	exact, err1 := Counts{Law: Poisson, Mean: 4, Rules: []Rule{Nelson1}}.RunLength(2, nil, 0)
	both, err2 := Counts{Law: Poisson, Mean: 4, Rules: []Rule{Nelson1, Nelson3}}.RunLength(2, rng, 4000)
	if err1 != nil || err2 != nil || both.SE == 0 || both.Mean > exact.Mean+4*both.SE || both.Mean < exact.Mean/2 {
		t.Errorf("with a trend rule %v, without %v (%v, %v)", both, exact, err1, err2)
	}
}

func TestCountsErrors(t *testing.T) {
	for _, c := range []struct {
		name   string
		counts Counts
		factor float64
		want   string
	}{
		{"mean", Counts{Law: Poisson}, 1, "mean 0"},
		{"factor", Counts{Law: Poisson, Mean: 1}, 0, "times 0"},
		{"all", Counts{Law: Binomial, Mean: 3, N: 5}, 2, "none above 1"},
		{"no units", Counts{Law: Binomial, Mean: 3, N: 3}, 1, "below the number of units"},
		{"each", Counts{Law: Geometric, Mean: 1}, 2, "none more often"},
		{"many", Counts{Law: Poisson, Mean: 1e9}, 1, "too many to sum"},
		{"rules", Counts{Law: Poisson, Mean: 1, Rules: []Rule{Nelson3}}, 1, "source of random numbers"},
		{"width", Counts{Law: Poisson, Mean: 1, Width: -1}, 1, "above zero"},
	} {
		if _, err := c.counts.RunLength(c.factor, nil, 0); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v, want an error that says %q", c.name, err, c.want)
		}
	}
	if _, err := TRunLength(nil, 0, math.NaN(), nil, 0); err == nil {
		t.Error("a rate that is no number: want an error")
	}
}
