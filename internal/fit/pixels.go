package fit

import (
	"slices"

	"plumbsquare/internal/geom"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/scope"
)

// Pixels are raw pixels with their places on an object plane, relative to Origin.
type Pixels struct {
	Origin geom.ScopePoint
	X, Y   []float64 // µm from Origin, y up
	Z      []float64 // grey level, DN
	Weight []float64 // 1/variance of the noise, 1/DN²
	Block  []int32   // pixels of one block may err together
}

// Len returns the number of pixels.
func (p *Pixels) Len() int { return len(p.X) }

// Reset empties p, keeping its memory, for pixels around a new origin.
func (p *Pixels) Reset(origin geom.ScopePoint) {
	p.Origin = origin
	p.X, p.Y, p.Z, p.Weight, p.Block = p.X[:0], p.Y[:0], p.Z[:0], p.Weight[:0], p.Block[:0]
}

// where returns the pixels that keep, called in order, says yes to.
func (p *Pixels) where(keep func(x, y float64) bool) *Pixels {
	at := make([]int32, 0, len(p.X))
	for i := range p.X {
		if keep(p.X[i], p.Y[i]) {
			at = append(at, int32(i))
		}
	}
	n := len(at)
	all := make([]float64, 4*n)
	q := &Pixels{
		Origin: p.Origin, X: all[:n:n], Y: all[n : 2*n : 2*n], Z: all[2*n : 3*n : 3*n], Weight: all[3*n:],
		Block: make([]int32, n),
	}
	for k, i := range at {
		q.X[k], q.Y[k], q.Z[k], q.Weight[k], q.Block[k] = p.X[i], p.Y[i], p.Z[i], p.Weight[i], p.Block[i]
	}
	return q
}

// every returns each nth pixel.
func (p *Pixels) every(n int) *Pixels {
	i := -1
	return p.where(func(float64, float64) bool { i++; return i%n == 0 })
}

// A Source is a picture with what is needed to place and weigh its pixels.
type Source struct {
	Gray  *picture.Gray
	Plane scope.Plane
	Noise picture.Noise
}

// blockPx is the side of the blocks into which AddWindow sorts pixels: texture of ceramic and
// metal is correlated over less than this.
const blockPx = 12

// AddWindow appends the pixels within half µm of centre along each image axis, each nth of every nth
// row, in blocks of blockPx × blockPx pixels of the picture. It reports whether the whole window lies
// inside the picture.
func (p *Pixels) AddWindow(s Source, centre geom.ScopePoint, half geom.Length, nth int) bool {
	c := s.Plane.ToImage(centre)
	r := half.Um() / s.Plane.UmPerPx()
	x0, x1, y0, y1 := int(c.X-r), int(c.X+r)+2, int(c.Y-r), int(c.Y+r)+2
	across := (x1-x0)/blockPx + 1
	p.grow((x1 - x0) * (y1 - y0) / (nth * nth))
	for y := y0; y < y1; y += nth {
		if y < 0 || y >= s.Gray.H {
			continue
		}
		row := s.Gray.Pix[y*s.Gray.W:][:s.Gray.W]
		blocks := (y - y0) / blockPx * across
		for x := x0; x < min(x1, len(row)); x += nth {
			if x < 0 {
				continue
			}
			at := s.Plane.ToObject(geom.ImagePoint{X: float64(x), Y: float64(y)})
			z := float64(row[x])
			p.X = append(p.X, float64(at.X-p.Origin.X))
			p.Y = append(p.Y, float64(at.Y-p.Origin.Y))
			p.Z = append(p.Z, z)
			p.Weight = append(p.Weight, 1/s.Noise.Var(z))
			p.Block = append(p.Block, int32(blocks+(x-x0)/blockPx))
		}
	}
	return x0 >= 0 && y0 >= 0 && x1 <= s.Gray.W && y1 <= s.Gray.H
}

// grow makes room for n more pixels.
func (p *Pixels) grow(n int) {
	p.X, p.Y, p.Z, p.Weight = slices.Grow(p.X, n), slices.Grow(p.Y, n), slices.Grow(p.Z, n), slices.Grow(p.Weight, n)
	p.Block = slices.Grow(p.Block, n)
}
