package spc

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

// testdata/nonnormal_percentile.json: percentile method of ISO 22514-2 on known distributions,
// computed independently with scipy, checked with R.
func TestQuantileCapabilityReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			Distribution string
			Parameters   struct{ Mu, Sigma, Shape, Scale float64 }
			LSL, USL     *float64
			Result       struct {
				Quantiles          []float64 `json:"quantiles_00135_50_99865"`
				Pp, PpkU, PpkL     *float64
				Ppk                float64
				Below              float64 `json:"fraction_below"`
				Above              float64 `json:"fraction_above"`
				EquivalentPpkValue float64 `json:"equivalent_Ppk"`
			}
		}
	}
	readReference(t, "nonnormal_percentile.json", &ref)
	for _, c := range ref.Cases {
		f := Family(strings.ReplaceAll(c.Distribution, "_", " "))
		d := Distribution{f, c.Parameters.Mu, c.Parameters.Scale, c.Parameters.Shape}
		if c.Parameters.Sigma > 0 {
			d.Scale = c.Parameters.Sigma
		}
		tol := Tolerance{math.Inf(-1), math.Inf(1)}
		if c.LSL != nil {
			tol.Lower = *c.LSL
		}
		if c.USL != nil {
			tol.Upper = *c.USL
		}
		q, err := d.Capability(tol)
		if err != nil {
			t.Fatal(err)
		}
		for i, got := range []float64{q.Low, q.Median, q.High} {
			wantRel(t, string(f)+" quantile", got, c.Result.Quantiles[i], 1e-9)
		}
		for _, v := range []struct{ got, want *float64 }{{q.P, c.Result.Pp}, {q.Upper, c.Result.PpkU}, {q.Lower, c.Result.PpkL}} {
			if (v.got == nil) != (v.want == nil) {
				t.Errorf("%s: index there or not: %v %v", f, v.got, v.want)
			} else if v.got != nil {
				wantRel(t, string(f)+" index", *v.got, *v.want, 1e-9)
			}
		}
		wantRel(t, string(f)+" Ppk", q.K, c.Result.Ppk, 1e-9)
		wantRel(t, string(f)+" below", q.FractionBelow, c.Result.Below, 1e-9)
		wantRel(t, string(f)+" above", q.FractionAbove, c.Result.Above, 1e-9)
		wantRel(t, string(f)+" equivalent", q.Equivalent, c.Result.EquivalentPpkValue, 1e-9)
	}
}

// testdata/nist_boxcox.json: the microwave radiation data of Johnson & Wichern in NIST's own data
// file for e-Handbook 6.5.2; likelihoods computed with scipy. About 0.28 is the published power
// (from memory).
func TestBoxCoxReference(t *testing.T) {
	var ref struct {
		Data   []float64
		Lambda float64 `json:"lambda_max_likelihood"`
		Log    struct {
			Half float64 `json:"0.5"`
			One  float64 `json:"1"`
		} `json:"log_likelihood"`
		Skewness float64 `json:"skewness_at_optimum"`
		Ppk      struct {
			Normal     float64
			Percentile float64 `json:"lognormal_percentile_method"`
			Transform  float64 `json:"lognormal_transform_method"`
		} `json:"ppk_upper_limit_0_5"`
	}
	readReference(t, "nist_boxcox.json", &ref)
	b, err := FitBoxCox(ref.Data)
	if err != nil {
		t.Fatal(err)
	}
	wantAbs(t, "lambda", b.Lambda, ref.Lambda, 1e-5)
	// By the file's likelihoods 0 (1.70 below the top) and 0.5 (1.03) lie inside, -0.5 and 1 outside.
	if !(-0.5 < b.Low && b.Low < 0 && 0.5 < b.High && b.High < 1) {
		t.Errorf("interval %v to %v", b.Low, b.High)
	}
	if !(b.LogLikelihood > 106.50483953 && b.LogLikelihood < 106.53) { // at 0.25, from the file; the top is flat
		t.Errorf("likelihood %v at the optimum", b.LogLikelihood)
	}
	// The interval ends where the likelihood has dropped by half the 95 % point of chi-square, 3.841.
	y := make([]float64, len(ref.Data))
	var logs float64
	for i, v := range ref.Data {
		y[i] = BoxCoxOf(v, b.High)
		logs += math.Log(v)
	}
	n := float64(len(y))
	atHigh := (b.High-1)*logs - n/2*math.Log(stat.Variance(y, nil)*(n-1)/n)
	wantAbs(t, "drop at the end", b.LogLikelihood-atHigh, 3.841/2, 5e-4)
	for i, v := range ref.Data {
		y[i] = BoxCoxOf(v, b.Lambda)
	}
	m, v := stat.PopMeanVariance(y, nil)
	var third float64
	for _, q := range y {
		third += (q - m) * (q - m) * (q - m) / n
	}
	wantAbs(t, "skewness of the transformed", third/math.Pow(v, 1.5), ref.Skewness, 1e-4)

	// Three answers to one question: each must be the one its method gives.
	c, err := AssessCapability(Singles(ref.Data), AtMost(0.5), CapabilityOptions{})
	if err != nil {
		t.Fatal(err)
	}
	wantRel(t, "normal Ppk", c.Overall.K.Value, ref.Ppk.Normal, 1e-9)
	l, err := FitDistribution(ref.Data, Lognormal)
	if err != nil {
		t.Fatal(err)
	}
	// By the power the law is the normal one of the transformed values, read back through the power.
	pw, err := FitDistribution(ref.Data, PowerNormal)
	if err != nil {
		t.Fatal(err)
	}
	wantAbs(t, "power", pw.Shape, ref.Lambda, 1e-5)
	sd := math.Sqrt(v * n / (n - 1))
	for _, p := range []float64{0.00135, 0.5, 0.99865} {
		wantRel(t, "percentile by the power", pw.Quantile(p), math.Pow(1+b.Lambda*(m+sd*normalQuantile(p)), 1/b.Lambda), 1e-9)
		wantRel(t, "and back", pw.CDF(pw.Quantile(p)), p, 1e-9)
	}
	wantRel(t, "beyond 0.5 by the power", pw.Survival(0.5), upperTail((BoxCoxOf(0.5, b.Lambda)-m)/sd), 1e-9)
	// The density's logarithm, summed, is the likelihood less the normal law's constant, at its maximum but
	// for the divisor n−1.
	wantAbs(t, "likelihood", pw.LogLikelihood+n/2*(1+math.Log(2*math.Pi)), b.LogLikelihood, 0.02)

	transformed := (math.Log(0.5) - l.Location) / (3 * l.Scale)
	wantRel(t, "lognormal Ppk by transformation", transformed, ref.Ppk.Transform, 1e-9)
	q, err := l.Capability(AtMost(0.5))
	if err != nil {
		t.Fatal(err)
	}
	// The file takes the upper point at exactly 3 sigma, 99.865 % is at 2.99998.
	wantRel(t, "lognormal Ppk by percentiles", q.K, ref.Ppk.Percentile, 2e-4)
}

// Fitting a sample of plotting positions must find the distribution they come from, and quantile
// and distribution function must be inverses.
func TestFitsFindTheirDistribution(t *testing.T) {
	for _, d := range []Distribution{
		{Normal, -4, 2.5, 0}, {Lognormal, 1, 0.4, 0}, {Weibull, 0, 8, 1.5}, {Weibull, 0, 1e-3, 20},
		{Gamma, 0, 2, 3}, {Gamma, 0, 50, 0.7}, {Rayleigh, 0, 4, 0}, {FoldedNormal, 3, 2, 0}, {Exponential, 0, 2, 0},
	} {
		const n = 8000
		x := make([]float64, n)
		for i := range x {
			p := (float64(i) + 0.5) / n
			x[i] = d.Quantile(p)
			wantAbs(t, string(d.Family)+" round trip", d.CDF(x[i]), p, 1e-12)
			wantRel(t, string(d.Family)+" survival", d.Survival(x[i]), 1-p, 1e-9)
		}
		f, err := FitDistribution(x, d.Family)
		if err != nil {
			t.Fatal(err)
		}
		wantAbs(t, string(d.Family)+" location", f.Location, d.Location, 5e-3*d.Scale)
		wantRel(t, string(d.Family)+" scale", f.Scale, d.Scale, 5e-3)
		wantRel(t, string(d.Family)+" shape", f.Shape, d.Shape, 5e-3)
		if d.Family == Weibull || d.Family == Gamma || d.Family == Exponential || d.Family == Normal {
			best, err := BestFits(x)
			if err != nil {
				t.Fatal(err)
			}
			// An exponential is also a Weibull and a gamma of shape 1, dearer by a parameter.
			if best[0].Family != d.Family {
				t.Errorf("%v looks like %s", d, best[0].Family)
			}
		}
	}
}

// The likelihood must fall on either side of every parameter.
func TestFitIsMaximum(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, d := range []Distribution{
		{Weibull, 0, 8, 1.5}, {Gamma, 0, 2, 3}, {Rayleigh, 0, 4, 0}, {FoldedNormal, 3, 2, 0}, {Exponential, 0, 2, 0},
	} {
		x := make([]float64, 60)
		d.draw(x, rng)
		f, err := FitDistribution(x, d.Family)
		if err != nil {
			t.Fatal(err)
		}
		for _, by := range []float64{0.999, 1.001} {
			for _, moved := range []Distribution{
				{d.Family, f.Location * by, f.Scale, f.Shape}, {d.Family, f.Location, f.Scale * by, f.Shape}, {d.Family, f.Location, f.Scale, f.Shape * by},
			} {
				var l float64
				for _, v := range x {
					l += moved.logDensity(v)
				}
				if l > f.LogLikelihood+1e-9 {
					t.Errorf("%v is likelier than the fit %v by %g", moved, f.Distribution, l-f.LogLikelihood)
				}
			}
		}
	}
}

// The bootstrap p of the normal law against the formula of D'Agostino & Stephens (1986), table
// 4.9 (from memory): with A* = A²(1+0.75/n+2.25/n²), p = exp(1.2937−5.709A*+0.0186A*²) for
// A* ≥ 0.6, and for 0.34 < A* < 0.6 exp(0.9177−4.279A*−1.38A*²).
func TestAndersonDarlingPValue(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for range 4 {
		x := make([]float64, 40)
		for i := range x {
			x[i] = math.Exp(0.35 * rng.NormFloat64()) // skewed a little
		}
		r, err := AssessNonnormal(x, Normal, AtMost(5), NonnormalOptions{}, rng)
		if err != nil {
			t.Fatal(err)
		}
		a := r.Fit.AD * (1 + 0.75/40 + 2.25/1600)
		var p float64
		switch {
		case a >= 0.6:
			p = math.Exp(1.2937 - 5.709*a + 0.0186*a*a)
		case a > 0.34:
			p = math.Exp(0.9177 - 4.279*a - 1.38*a*a)
		default:
			continue
		}
		// Four standard errors of a share among 999, and the formula's own 0.005.
		wantAbs(t, "p of A²", r.FitP, p, 4*math.Sqrt(p*(1-p)/999)+0.005)
	}
}

// The test must accept what is true, about as often as it says, and find what is not.
func TestFitTestLevelAndPower(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	const runs = 150
	var falseAlarms, found, covered int
	truth := Distribution{Rayleigh, 0, 4, 0}
	want, _ := truth.Capability(AtMost(20))
	for range runs {
		x := make([]float64, 40)
		truth.draw(x, rng)
		o := NonnormalOptions{Replicates: 199, Confidence: 0.9}
		r, err := AssessNonnormal(x, Rayleigh, AtMost(20), o, rng)
		if err != nil {
			t.Fatal(err)
		}
		if r.FitP < 0.1 {
			falseAlarms++
		}
		if r.KLow <= want.K && want.K <= r.KHigh {
			covered++
		}
		e, err := AssessNonnormal(x, Exponential, AtMost(20), o, rng)
		if err != nil {
			t.Fatal(err)
		}
		if e.FitP < 0.1 {
			found++
		}
	}
	// Four standard errors of 0.1 among 150: 0.1.
	wantAbs(t, "false alarms", float64(falseAlarms)/runs, 0.1, 0.1)
	wantAbs(t, "interval holds the truth", float64(covered)/runs, 0.9, 0.1)
	if found < runs*9/10 {
		t.Errorf("Rayleigh values taken for exponential: found %d of %d", found, runs)
	}
}

func TestFitProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(0.1, 50), 5, 40).Draw(t, "x")
		x[0], x[1] = 0.05, 60
		k := rapid.Float64Range(0.01, 100).Draw(t, "unit")
		y := make([]float64, len(x))
		for i := range x {
			y[i] = x[i] * k
		}
		for _, f := range Families() {
			a, err := FitDistribution(x, f)
			tol, scale := 1e-6, 0.0
			if f == PowerNormal {
				tol, scale = 1e-4, 1 // its power comes from a search by values alone
				if err != nil && strings.Contains(err.Error(), "heavy a tail") {
					continue
				}
			}
			if err != nil {
				t.Fatal(err)
			}
			b, err := FitDistribution(y, f)
			if err != nil {
				t.Fatal(err)
			}
			qa, err := a.Capability(AtMost(100))
			if err != nil {
				t.Fatal(err)
			}
			qb, err := b.Capability(AtMost(100 * k))
			if err != nil {
				t.Fatal(err)
			}
			// The folded normal's location comes from a search by values alone.
			if math.Abs(qa.K-qb.K) > tol*(math.Abs(qa.K)+scale) {
				t.Errorf("%s: index %v became %v in another unit", f, qa.K, qb.K)
			}
			if math.Abs(a.AD-b.AD) > 10*tol*(1+a.AD) {
				t.Errorf("%s: A² %v became %v", f, a.AD, b.AD)
			}
		}
		l := rapid.Float64Range(-3, 3).Draw(t, "lambda")
		if p, q := BoxCoxOf(1.5, l), BoxCoxOf(2.5, l); !(p < q) {
			t.Errorf("order lost at λ = %v: %v, %v", l, p, q)
		}
	})
}

func TestNonnormalErrors(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	ok := []float64{1, 2, 3, 4}
	for _, c := range []struct {
		name string
		do   func() error
		want string
	}{
		{"family", func() error { _, err := FitDistribution(ok, "uniform"); return err }, "no such family"},
		{"few", func() error { _, err := FitDistribution(ok[:2], Weibull); return err }, "at least 3 values"},
		{"NaN", func() error { _, err := FitDistribution([]float64{1, math.NaN(), 2}, Weibull); return err }, "value 2 of 3 is NaN"},
		{"alike", func() error { _, err := FitDistribution([]float64{2, 2, 2}, Gamma); return err }, "all 3 values equal 2"},
		{"negative", func() error { _, err := FitDistribution([]float64{2, -1, 2}, Rayleigh); return err }, "value 2 of 3 is -1"},
		{"zero", func() error { _, err := FitDistribution([]float64{2, 1, 0}, Lognormal); return err }, "value 3 of 3 is 0"},
		{"tolerance", func() error { _, err := Distribution{Normal, 0, 1, 0}.Capability(Tolerance{1, 0}); return err }, "not below"},
		{"no spread", func() error { _, err := Distribution{Family: Normal}.Capability(AtMost(1)); return err }, "no spread"},
		{"replicates", func() error {
			_, err := AssessNonnormal(ok, Normal, AtMost(9), NonnormalOptions{Replicates: 5}, rng)
			return err
		}, "at least 99"},
		{"Box–Cox zero", func() error { _, err := FitBoxCox([]float64{1, 0, 2}); return err }, "value 2 of 3 is 0"},
		{"Box–Cox alike", func() error { _, err := FitBoxCox([]float64{1, 1, 1}); return err }, "all 3 values equal 1"},
		{"Box–Cox few", func() error { _, err := FitBoxCox([]float64{1, 2}); return err }, "at least 3"},
	} {
		if err := c.do(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got error %v, want one that says %q", c.name, err, c.want)
		}
	}
}
