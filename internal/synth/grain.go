package synth

import (
	"math"
	"math/rand/v2"
)

const grainSide = 256 // cells of the tile that repeats

// A grain is a smooth random surface of mean 0 and standard deviation 1 that repeats.
type grain struct {
	tile []float32
	perU float64 // cells a µm
}

// newGrain returns a surface whose finest features are about sizeUm wide, with coarser ones
// added on top: each twice as wide adds as much again, as ceramic and laminate look. blurUm is the
// sigma of the point spread it is seen with.
func newGrain(rng *rand.Rand, sizeUm, blurUm float64) *grain {
	const n = grainSide
	sum := make([]float64, n*n)
	for cell := 2; cell <= 64; cell *= 2 {
		m := n / cell
		nodes := make([]float64, m*m)
		for i := range nodes {
			nodes[i] = rng.NormFloat64()
		}
		for y := range n {
			j, fy := y/cell, smooth(float64(y%cell)/float64(cell))
			for x := range n {
				i, fx := x/cell, smooth(float64(x%cell)/float64(cell))
				a, b := nodes[j*m+i], nodes[j*m+(i+1)%m]
				c, d := nodes[(j+1)%m*m+i], nodes[(j+1)%m*m+(i+1)%m]
				sum[y*n+x] += (a+(b-a)*fx)*(1-fy) + (c+(d-c)*fx)*fy
			}
		}
	}
	g := &grain{standardised(sum), 2 / sizeUm}
	if sigma := blurUm * g.perU; sigma > softest {
		for k := range n {
			soften(g.tile[k*n:], 1, n, sigma)
		}
		for k := range n {
			soften(g.tile[k:], n, n, sigma)
		}
	}
	return g
}

func smooth(t float64) float64 { return t * t * (3 - 2*t) }

// standardised returns values with mean 0 and standard deviation 1.
func standardised(v []float64) []float32 {
	var s, s2 float64
	for _, x := range v {
		s += x
		s2 += x * x
	}
	mean := s / float64(len(v))
	sd := math.Sqrt(s2/float64(len(v)) - mean*mean)
	out := make([]float32, len(v))
	for i, x := range v {
		out[i] = float32((x - mean) / sd)
	}
	return out
}

// softest is the blur, in cells, that a texture's own smoothness hides.
const softest = 0.5

// soften blurs n values step apart, which repeat, with a Gaussian.
func soften(v []float32, step, n int, sigma float64) {
	reach := min(int(math.Ceil(3*sigma)), n/2-1)
	weights := make([]float64, 2*reach+1)
	sum := 0.0
	for k := range weights {
		d := float64(k-reach) / sigma
		weights[k] = math.Exp(-d * d / 2)
		sum += weights[k]
	}
	out := make([]float32, n)
	for i := range n {
		z := 0.0
		for k, w := range weights {
			z += w * float64(v[(i+k-reach+n)%n*step])
		}
		out[i] = float32(z / sum)
	}
	for i, z := range out {
		v[i*step] = z
	}
}

// at returns the surface at a point, µm.
func (g *grain) at(p, q float64) float64 {
	const mask = grainSide - 1
	p, q = p*g.perU+1<<20, q*g.perU+1<<20 // far from 0, so that int rounds down
	i, j := int(p), int(q)
	fp, fq := float32(p-float64(i)), float32(q-float64(j))
	i0, i1, j0, j1 := i&mask, (i+1)&mask, (j&mask)*grainSide, ((j+1)&mask)*grainSide
	a, b, c, d := g.tile[j0+i0], g.tile[j0+i1], g.tile[j1+i0], g.tile[j1+i1]
	a += (b - a) * fp
	c += (d - c) * fp
	return float64(a + (c-a)*fq)
}

// texture returns 1 + contrast × the surface, for [ink.texture].
func (g *grain) texture(contrast float64) func(p, q float64) float64 {
	if contrast == 0 {
		return nil
	}
	return func(p, q float64) float64 { return 1 + contrast*g.at(p, q) }
}

// A streak is a random profile across grinding or machining marks, seen as blurred as all else.
type streak struct {
	line     []float32
	perU     float64
	cos, sin float64
	bow      float64 // 1/µm: machining marks are arcs
}

func newStreak(rng *rand.Rand, sizeUm, blurUm, turn, bow float64) *streak {
	line := make([]float64, 2048)
	for cell := 1; cell <= 64; cell *= 4 {
		nodes := make([]float64, len(line)/cell)
		for i := range nodes {
			nodes[i] = rng.NormFloat64()
		}
		for i := range line {
			t := smooth(float64(i%cell) / float64(cell))
			a, b := nodes[i/cell], nodes[(i/cell+1)%len(nodes)]
			line[i] += a + (b-a)*t
		}
	}
	sin, cos := math.Sincos(turn)
	s := &streak{standardised(line), 1 / sizeUm, cos, sin, bow}
	if sigma := blurUm * s.perU; sigma > softest {
		soften(s.line, 1, len(s.line), sigma)
	}
	return s
}

func (s *streak) at(p, q float64) float64 {
	along := s.cos*p + s.sin*q
	t := (s.cos*q-s.sin*p+s.bow*along*along)*s.perU + 1<<20
	i := int(t)
	f := float32(t - float64(i))
	a, b := s.line[i%len(s.line)], s.line[(i+1)%len(s.line)]
	return float64(a + (b-a)*f)
}
