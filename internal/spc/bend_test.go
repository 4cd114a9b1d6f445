package spc_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"plumbsquare/internal/spc"
)

// bendRSS is the least sum of squares of a level that bends at c, by an ordinary QR solution.
func bendRSS(x, y []float64, c float64) (rss float64, coefficients [2]float64) {
	a := mat.NewDense(len(x), 2, nil)
	for i, v := range x {
		a.Set(i, 0, 1)
		a.Set(i, 1, math.Max(0, v-c))
	}
	var beta mat.VecDense
	if err := beta.SolveVec(a, mat.NewVecDense(len(y), y)); err != nil {
		return math.Inf(1), coefficients
	}
	for i, v := range x {
		r := y[i] - beta.AtVec(0) - beta.AtVec(1)*math.Max(0, v-c)
		rss += r * r
	}
	return rss, [2]float64{beta.AtVec(0), beta.AtVec(1)}
}

// The bend must be the best of all places, and its interval end where the F test draws the line
// (Hinkley 1971): both looked for on a fine grid, by another solution of the least-squares problem.
func TestFindBendAgainstGrid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(7, 40).Draw(t, "n")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		slope := rapid.Float64Range(-3, 3).Draw(t, "slope")
		start := rapid.Float64Range(-5, 45).Draw(t, "start")
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i] = float64(i) + 0.8*rng.Float64()
			y[i] = 12 + slope*math.Max(0, x[i]-start) + rng.NormFloat64()
		}
		b, err := spc.FindBend(x, y, spc.BreakOptions{Permutations: 1}, rng)
		if err != nil {
			t.Fatal(err)
		}
		rss, beta := bendRSS(x, y, b.At)
		if math.Abs(rss-b.RSSBend) > 1e-9*b.RSSNone || math.Abs(beta[0]-b.Level) > 1e-7 || math.Abs(beta[1]-b.Slope) > 1e-7 {
			t.Errorf("at %v: sum of squares %v, level %v, slope %v; by QR %v, %v", b.At, b.RSSBend, b.Level, b.Slope, rss, beta)
		}
		limit := b.RSSBend * (1 + distuv.F{D1: 1, D2: float64(n - 3)}.Quantile(0.95)/float64(n-3))
		const steps = 400
		last := x[n-4]
		for k := range steps + 1 {
			c := x[0] + (last-x[0])*float64(k)/steps
			rss, _ := bendRSS(x, y, c)
			if rss < b.RSSBend-1e-9*b.RSSNone {
				t.Errorf("a bend at %v has a sum of squares of %v, less than %v at %v", c, rss, b.RSSBend, b.At)
			}
			if rss < limit*(1-1e-9) && (c < b.Low-(last-x[0])/steps || c > b.High+(last-x[0])/steps) {
				t.Errorf("%v isn't excluded (%v of %v), but the interval is %v to %v", c, rss, limit, b.Low, b.High)
			}
		}
		for _, end := range []float64{b.Low, b.High} {
			rss, _ := bendRSS(x, y, end)
			if end > x[0]+1e-9 && end < last-1e-9 && math.Abs(rss/limit-1) > 1e-6 {
				t.Errorf("the interval ends at %v with %v, want %v", end, rss, limit)
			}
		}
	})
}

// Shifting and scaling values and places must shift and scale what is found.
func TestFindBendFollowsUnits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seed := rapid.Uint64().Draw(t, "seed")
		scaleX := rapid.Float64Range(0.001, 1000).Draw(t, "x")
		scaleY := rapid.Float64Range(-100, 100).Filter(func(v float64) bool { return math.Abs(v) > 0.01 }).Draw(t, "y")
		rng := rand.New(rand.NewPCG(seed, 1))
		var x, y, u, v []float64
		for i := range 25 {
			x, y = append(x, float64(i)), append(y, 0.4*math.Max(0, float64(i)-12)+rng.NormFloat64())
			u, v = append(u, 1000+scaleX*x[i]), append(v, 7+scaleY*y[i])
		}
		a, err1 := spc.FindBend(x, y, spc.BreakOptions{Permutations: 99}, rand.New(rand.NewPCG(seed, 2)))
		b, err2 := spc.FindBend(u, v, spc.BreakOptions{Permutations: 99}, rand.New(rand.NewPCG(seed, 2)))
		if err1 != nil || err2 != nil {
			t.Fatal(err1, err2)
		}
		for _, c := range []struct {
			what      string
			got, want float64
		}{
			{"at", b.At, 1000 + scaleX*a.At}, {"low", b.Low, 1000 + scaleX*a.Low}, {"high", b.High, 1000 + scaleX*a.High},
			{"level", b.Level, 7 + scaleY*a.Level}, {"slope", b.Slope, a.Slope * scaleY / scaleX},
			{"its error", b.SESlope, a.SESlope * math.Abs(scaleY) / scaleX}, {"end", b.End, 7 + scaleY*a.End}, {"p", b.P, a.P},
		} {
			if math.Abs(c.got-c.want) > 1e-6*math.Max(1, math.Abs(c.want)) {
				t.Errorf("%s: got %v, want %v", c.what, c.got, c.want)
			}
		}
	})
}

// Intervals must hold the truth as often as they say, and P must be even where nothing happens.
func TestFindBendCoverage(t *testing.T) {
	const n, runs = 60, 400
	x := make([]float64, n)
	for i := range x {
		x[i] = float64(i)
	}
	rng := rand.New(rand.NewPCG(11, 5))
	var at, slope, end, alarms int
	for range runs {
		y, quiet := make([]float64, n), make([]float64, n)
		for i := range x {
			y[i] = 3 + 0.2*math.Max(0, x[i]-27.4) + rng.NormFloat64()
			quiet[i] = rng.NormFloat64()
		}
		b, err := spc.FindBend(x, y, spc.BreakOptions{Permutations: 1}, rng)
		if err != nil {
			t.Fatal(err)
		}
		in := func(low, v, high float64) int {
			if low <= v && v <= high {
				return 1
			}
			return 0
		}
		at += in(b.Low, 27.4, b.High)
		slope += in(b.SlopeCI.Low, 0.2, b.SlopeCI.High)
		end += in(b.EndCI.Low, 3+0.2*(59-27.4), b.EndCI.High)
		q, err := spc.FindBend(x, quiet, spc.BreakOptions{Permutations: 99}, rng)
		if err != nil {
			t.Fatal(err)
		}
		if q.P <= 0.05 {
			alarms++
		}
	}
	// Four standard errors of a fraction of 400; the intervals are those of a linearised model.
	for _, c := range []struct {
		what      string
		got, want float64
		error     float64
	}{
		{"onset", float64(at) / runs, 0.95, 0.044}, {"slope", float64(slope) / runs, 0.95, 0.044},
		{"end", float64(end) / runs, 0.95, 0.044}, {"false alarms", float64(alarms) / runs, 0.05, 0.044},
	} {
		if math.Abs(c.got-c.want) > c.error {
			t.Errorf("%s: %v, want %v", c.what, c.got, c.want)
		}
	}
	t.Logf("coverage: onset %d, slope %d, end %d of %d; false alarms %d", at, slope, end, runs, alarms)
}

func TestFindBendRefuses(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	six := []float64{1, 2, 3, 4, 5, 6}
	for _, c := range []struct {
		name string
		x, y []float64
	}{
		{"few", six[:5], six[:5]}, {"lengths", six, six[:5]}, {"not finite", six, []float64{1, 2, math.NaN(), 4, 5, 6}},
		{"order", []float64{1, 3, 2, 4, 5, 6}, six}, {"alike", six, slices.Repeat([]float64{2}, 6)},
		{"two places", []float64{1, 1, 1, 2, 2, 2}, six},
	} {
		if b, err := spc.FindBend(c.x, c.y, spc.BreakOptions{}, rng); err == nil {
			t.Errorf("%s: got %+v, want an error", c.name, b)
		}
	}
	// A drift without noise is found exactly.
	b, err := spc.FindBend([]float64{0, 1, 2, 3, 4, 5, 6, 7}, []float64{5, 5, 5, 5, 7, 9, 11, 13}, spc.BreakOptions{}, rng)
	if err != nil || math.Abs(b.At-3) > 1e-9 || math.Abs(b.Slope-2) > 1e-9 || math.Abs(b.End-13) > 1e-9 || b.Low > 3+1e-9 || b.High < 3-1e-9 {
		t.Errorf("got %+v, %v", b, err)
	}
}
