package fit

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// spread returns AAᵀ for a random n × n matrix A, whose rows differ in size by up to 1e3.
func spread(rng *rand.Rand, n int) []float64 {
	a := mat.NewDense(n, n, nil)
	for i := range n {
		size := math.Pow(10, 3*rng.Float64())
		for j := range n {
			a.Set(i, j, size*rng.NormFloat64())
		}
	}
	var h mat.Dense
	h.Mul(a, a.T())
	return h.RawMatrix().Data
}

// Solutions and inverses are gonum's.
func TestCholesky(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 1))
	for n := 1; n <= 11; n++ {
		h := spread(rng, n)
		var want mat.Cholesky
		if !want.Factorize(mat.NewSymDense(n, append([]float64(nil), h...))) {
			t.Fatal("gonum finds it not positive definite")
		}
		b := make([]float64, n)
		for i := range b {
			b[i] = rng.NormFloat64()
		}
		var x mat.VecDense
		if err := want.SolveVecTo(&x, mat.NewVecDense(n, append([]float64(nil), b...))); err != nil {
			t.Fatal(err)
		}
		var inverse mat.SymDense
		if err := want.InverseTo(&inverse); err != nil {
			t.Fatal(err)
		}
		if !cholesky(h, n) {
			t.Fatalf("n = %d: not positive definite", n)
		}
		inv := make([]float64, n*n)
		choleskyInverse(h, n, inv)
		choleskySolve(h, n, b)
		for i := range n {
			if d := math.Abs(b[i] - x.AtVec(i)); d > 1e-8*mat.Norm(&x, 2) {
				t.Errorf("n = %d: x[%d] is %g, want %g", n, i, b[i], x.AtVec(i))
			}
			for j := range n {
				if got, want := inv[i*n+j], inverse.At(i, j); math.Abs(got-want) > 1e-8*mat.Norm(&inverse, 2) {
					t.Errorf("n = %d: inverse (%d, %d) is %g, want %g", n, i, j, got, want)
				}
			}
		}
	}
}

func TestCholeskyRefuses(t *testing.T) {
	for name, h := range map[string][]float64{
		"indefinite": {1, 2, 2, 1},
		"singular":   {1, 1, 1, 1},
		"zero":       {0, 0, 0, 0},
		"no number":  {math.NaN(), 0, 0, 1},
	} {
		if cholesky(h, 2) {
			t.Errorf("%s: taken for positive definite", name)
		}
	}
}

// A gram's sums are those of its rows one by one, over several batches, and what is left of them
// after elimination is the Schur complement by gonum.
func TestGram(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 2))
	const columns, own = 4, 2
	as := []column{{0, 1}, {1, 1}, {2, 1}, {2, -3}, {3, 0.5}} // two parameters share the third column
	n := len(as)
	want, right := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	var m gram
	m.reset(columns)
	for range 2*gramRows + 17 {
		r := rng.NormFloat64()
		m.rest[m.n] = r
		d := mat.NewVecDense(n, nil)
		for c := range columns {
			m.col[c][m.n] = rng.NormFloat64()
		}
		for p, a := range as {
			d.SetVec(p, a.by*m.col[a.of][m.n])
		}
		want.RankOne(want, 1, d, d)
		right.AddScaledVec(right, r, d)
		if m.n++; m.n == gramRows {
			m.flush()
		}
	}
	m.flush()
	h, g := make([]float64, n*n), make([]float64, n)
	m.expand(as, h, g)
	for p := range n {
		if d := math.Abs(g[p] - right.AtVec(p)); d > 1e-9 {
			t.Errorf("g[%d] is %g, want %g", p, g[p], right.AtVec(p))
		}
		for q := p; q < n; q++ {
			if d := math.Abs(h[p*n+q] - want.At(p, q)); d > 1e-9 {
				t.Errorf("h[%d][%d] is %g, want %g", p, q, h[p*n+q], want.At(p, q))
			}
		}
	}

	eliminate(h, g, own, n)
	var inv, schur, solved mat.Dense
	if err := inv.Inverse(want.Slice(0, own, 0, own)); err != nil {
		t.Fatal(err)
	}
	schur.Product(want.Slice(own, n, 0, own), &inv, want.Slice(0, own, own, n))
	schur.Sub(want.Slice(own, n, own, n), &schur)
	solved.Product(&inv, right.SliceVec(0, own))
	var score mat.VecDense
	score.MulVec(want.Slice(own, n, 0, own), solved.ColView(0))
	score.SubVec(right.SliceVec(own, n), &score)
	for p := own; p < n; p++ {
		if d := math.Abs(g[p] - score.AtVec(p-own)); d > 1e-9 {
			t.Errorf("score %d is %g, want %g", p, g[p], score.AtVec(p-own))
		}
		for q := p; q < n; q++ {
			if d := math.Abs(h[p*n+q] - schur.At(p-own, q-own)); d > 1e-9 {
				t.Errorf("reduced (%d, %d) is %g, want %g", p, q, h[p*n+q], schur.At(p-own, q-own))
			}
		}
	}
	step := make([]float64, own)
	backSubstitute(h, g, n, step)
	for p, v := range step {
		if d := math.Abs(v - solved.At(p, 0)); d > 1e-9 {
			t.Errorf("own %d is %g, want %g", p, v, solved.At(p, 0))
		}
	}
}

// The covariance of a score that runs on is, term by term, Newey & West's equation 5 (1987).
func TestMeatIsNeweyWest(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 3))
	const n, k, lags = 9, 2, 3
	for _, around := range []bool{false, true} {
		c := newChain(n, k)
		for i := range c.score {
			c.score[i] = rng.NormFloat64()
		}
		for i := range c.weight {
			c.weight[i] = rng.Float64()
		}
		c.weight[4] = 0
		want := mat.NewDense(k, k, nil)
		vector := func(i int) *mat.VecDense {
			v := mat.NewVecDense(k, nil)
			v.ScaleVec(c.weight[i], mat.NewVecDense(k, c.scoreOf(i)))
			return v
		}
		for i := range n {
			want.RankOne(want, 1, vector(i), vector(i))
			for lag := 1; lag <= lags; lag++ {
				j := i - lag
				if j < 0 && !around {
					continue
				}
				a, b, w := vector(i), vector((j+n)%n), 1-float64(lag)/(lags+1)
				want.RankOne(want, w, a, b)
				want.RankOne(want, w, b, a)
			}
		}
		for p, got := range c.meat(lags, around) {
			if w := want.At(p/k, p%k); math.Abs(got-w) > 1e-12 {
				t.Errorf("around %v: meat %d is %g, want %g", around, p, got, w)
			}
		}
	}
}
