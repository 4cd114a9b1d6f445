package spc

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// testdata/circular.json: roulette data of Mardia & Jupp (2000), example 1.1, mean 51°, R̄ 0.711
// (published); further cases computed with numpy and mpmath, checked with R. The file's exact p is
// reliable to 1e-4 by its own note; below that any p below 1e-4 agrees.
func TestDirectionsReference(t *testing.T) {
	var ref struct {
		Cases []struct {
			Angles []float64
			Axial  int
			Result struct {
				R, Rbar  float64
				Mean     float64 `json:"mean_direction"`
				Variance float64 `json:"circular_variance"`
				SD       float64 `json:"circular_sd_in_units"`
				Z        float64 `json:"rayleigh_z"`
				Exact    float64 `json:"rayleigh_p_exact"`
				Kappa    float64 `json:"kappa_mle"`
			}
		}
	}
	readReference(t, "circular.json", &ref)
	for _, c := range ref.Cases {
		got, err := Directions(c.Angles, CircularOptions{Fold: c.Axial})
		if err != nil {
			t.Fatal(err)
		}
		wantRel(t, "length", got.Length, c.Result.Rbar, 1e-9)
		wantRel(t, "mean", got.MeanDeg, c.Result.Mean, 1e-9)
		wantRel(t, "variance", got.Variance, c.Result.Variance, 1e-9)
		wantRel(t, "sd", got.SDDeg, c.Result.SD, 1e-9)
		wantRel(t, "z", got.RayleighZ, c.Result.Z, 1e-9)
		wantRel(t, "kappa", got.Kappa, c.Result.Kappa, 1e-9)
		wantAbs(t, "p", got.RayleighP, c.Result.Exact, 1e-4)
		if c.Result.Exact > 1e-5 {
			wantRel(t, "p", got.RayleighP, c.Result.Exact, 1e-3)
		} else if got.RayleighP > 1e-4 {
			t.Errorf("p = %v, want it below 1e-4", got.RayleighP)
		}
	}
	roulette, err := Directions(ref.Cases[0].Angles, CircularOptions{})
	if err != nil {
		t.Fatal(err)
	}
	wantAbs(t, "printed mean", roulette.MeanDeg, 51, 0.1)
	wantAbs(t, "printed length", roulette.Length, 0.711, 5e-4)
}

// P(R > r) of uniform directions in closed form or by simulation: two: (2/π)acos(r/2); three: 1/4
// of the time R < 1 (Pearson's walk, Rayleigh 1905: P(Rₙ < 1) = 1/(n+1), Kluyver 1906).
func TestRayleighExact(t *testing.T) {
	for n := 2; n <= 30; n++ {
		tolerance := math.Pow(10, math.Max(-10, -1-math.Max(4, float64(n))))
		wantAbs(t, "Kluyver", rayleighP(n, 1), 1-1/float64(n+1), tolerance)
	}
	// The series of large n against the integral of moderate n.
	for _, z := range []float64{0.5, 1, 2, 4, 7} {
		wantRel(t, "series", rayleighSeries(300, z), rayleighP(300, math.Sqrt(300*z)), 2e-4)
	}
	// The saddlepoint approximation where the integral still has digits.
	for _, n := range []float64{5, 10, 40} {
		r := math.Sqrt(n * math.Min(6.5, 0.85*n))
		wantRel(t, "saddlepoint", rayleighSaddle(n, r), rayleighP(int(n), r), 0.1)
	}
}

func TestRayleighLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(15, 16))
	for _, n := range []int{4, 12} {
		const runs = 300
		rejected := 0
		for range runs {
			a := make([]float64, n)
			for i := range a {
				a[i] = 360 * rng.Float64()
			}
			c, err := Directions(a, CircularOptions{})
			if err != nil {
				t.Fatal(err)
			}
			if c.RayleighP < 0.1 {
				rejected++
			}
		}
		// Four standard errors of 0.1 among 300: 0.07.
		wantAbs(t, "rejected", float64(rejected)/runs, 0.1, 0.07)
	}
}

// Turning all directions turns the mean and nothing else; whole turns change nothing.
func TestDirectionsProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		fold := rapid.SampledFrom([]int{1, 2, 4}).Draw(t, "fold")
		a := rapid.SliceOfN(rapid.Float64Range(-50, 40), 8, 30).Draw(t, "deg")
		turn := rapid.Float64Range(-720, 720).Draw(t, "turn")
		b := make([]float64, len(a))
		for i := range a {
			a[i] /= float64(fold)
			b[i] = a[i] + turn + 360*float64(i%3-1)
		}
		p, err := Directions(a, CircularOptions{Fold: fold})
		if err != nil {
			t.Fatal(err)
		}
		q, err := Directions(b, CircularOptions{Fold: fold})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(p.Length-q.Length) > 1e-10 {
			t.Errorf("length %v became %v", p.Length, q.Length)
		}
		period := 360 / float64(fold)
		d := math.Mod(q.MeanDeg-p.MeanDeg-turn, period)
		if d = math.Min(math.Abs(d), period-math.Abs(d)); d > 1e-8 {
			t.Errorf("mean %v became %v by %v", p.MeanDeg, q.MeanDeg, turn)
		}
		if q.MeanDeg < 0 || q.MeanDeg >= period {
			t.Errorf("mean %v outside 0 to %v", q.MeanDeg, period)
		}
	})
}

func TestDirectionsEdges(t *testing.T) {
	for _, c := range []struct {
		deg  []float64
		opt  CircularOptions
		want string
	}{
		{nil, CircularOptions{}, "at least 1 values"},
		{[]float64{1, math.Inf(1)}, CircularOptions{}, "value 2 of 2 is +Inf"},
		{[]float64{1}, CircularOptions{Fold: -1}, "fold -1"},
	} {
		if _, err := Directions(c.deg, c.opt); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%v: got error %v, want one that says %q", c.deg, err, c.want)
		}
	}
	one, err := Directions([]float64{-30}, CircularOptions{})
	if err != nil || one.MeanDeg != 330 || one.RayleighP != 1 || !one.MeanIsShaky {
		t.Errorf("one direction: %+v, %v", one, err)
	}
	alike, err := Directions([]float64{10, 10, 10, 10, 10, 10}, CircularOptions{})
	if err != nil || !(alike.RayleighP < 1e-4) || !(alike.Kappa > 1e6) {
		t.Errorf("all alike: %+v, %v", alike, err)
	}
	none, err := Directions([]float64{0, 90, 180, 270}, CircularOptions{})
	if err != nil || !(none.RayleighP > 0.999) || !(none.Kappa < 1e-6) {
		t.Errorf("no direction: %+v, %v", none, err)
	}
}
