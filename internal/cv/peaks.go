package cv

import (
	"cmp"
	"errors"
	"fmt"
	"image"
	"math"
	"slices"

	"gocv.io/x/gocv"

	"plumbsquare/internal/picture"
)

// A Peak is a place where a template fits a picture.
type Peak struct {
	X, Y float64 // centre of the template in the picture, image frame, px

	// Score is the correlation coefficient there, -1 to 1: 1 where the picture is the template
	// at some gain and offset of brightness, -1 where it is its negative.
	Score float64
}

// PeakOptions says which peaks are wanted. The zero value asks for all, anywhere.
type PeakOptions struct {
	Max      int     // most peaks returned; 0 means no limit
	MinScore float64 // smallest |Score|, 0 to 1

	// SeparationPx is the smallest distance between two peaks, px, of either sign; of a closer
	// pair the better is kept. 0 means half of the template's shorter side.
	SeparationPx float64

	// Within is the part of the picture to search, which the whole template must fit into;
	// it is clipped to the picture. Empty means all of it.
	Within image.Rectangle
}

// Peaks correlates template with img at every place and returns the local extremes of either
// sign, best |score| first, refined to a fraction of a pixel by a parabola through the
// neighbouring scores in x and in y.
//
// Flat stretches of the picture score 0. It returns an error when the template is flat, for it
// then fits nothing, and when it is larger than the picture or what of it is searched.
func Peaks(img, template *picture.Gray, o PeakOptions) ([]Peak, error) {
	in := image.Rect(0, 0, img.W, img.H)
	if !o.Within.Empty() {
		in = in.Intersect(o.Within)
	}
	tw, th := template.W, template.H
	switch {
	case tw == 0 || th == 0:
		return nil, errors.New("cv: the template is empty")
	case tw > in.Dx() || th > in.Dy(): // OpenCV would swap the two without a word
		return nil, fmt.Errorf("cv: template of %d×%d px is larger than the %d×%d px to search", tw, th, in.Dx(), in.Dy())
	case flat(template, image.Rect(0, 0, tw, th)):
		return nil, errors.New("cv: the template is flat: every pixel has the same grey level")
	case flat(img, in):
		return nil, nil
	}

	var s mats
	defer s.close()
	im, err := s.picture(img, in)
	if err != nil {
		return nil, err
	}
	tm, err := s.picture(template, image.Rect(0, 0, tw, th))
	if err != nil {
		return nil, err
	}
	res := s.empty()
	if err := matchCCoeff(im, tm, res); err != nil {
		return nil, err
	}
	m := scores{w: in.Dx() - tw + 1, h: in.Dy() - th + 1}
	if m.v, err = pixelsOf(res, m.w, m.h); err != nil {
		return nil, err
	}

	if o.SeparationPx == 0 {
		o.SeparationPx = float64(min(tw, th)) / 2
	}
	peaks := m.best(o)
	// From the template's top left pixel in the searched part to its centre in the picture.
	dx, dy := float64(in.Min.X)+float64(tw-1)/2, float64(in.Min.Y)+float64(th-1)/2
	for i := range peaks {
		peaks[i].X += dx
		peaks[i].Y += dy
	}
	return peaks, nil
}

// scores is a map of correlation coefficients, row by row.
type scores struct {
	w, h int
	v    []float32
}

// best returns the wanted local extremes, best first, at places of the map.
func (m scores) best(o PeakOptions) []Peak {
	var all []Peak
	least := float32(o.MinScore)
	for y := range m.h {
		for x, v := range m.v[y*m.w : (y+1)*m.w] {
			if v >= least && v > 0 || v <= -least && v < 0 { // false for NaN
				if m.extreme(x, y) {
					all = append(all, m.refine(x, y))
				}
			}
		}
	}
	slices.SortStableFunc(all, func(a, b Peak) int { return cmp.Compare(math.Abs(b.Score), math.Abs(a.Score)) })

	// Greedy: a peak is taken unless a better one lies close. The grid of cells as wide as the
	// separation keeps this from being quadratic.
	type cell struct{ x, y int }
	at := func(p Peak) cell { return cell{int(p.X / o.SeparationPx), int(p.Y / o.SeparationPx)} }
	taken := map[cell][]Peak{}
	var out []Peak
candidates:
	for _, p := range all {
		c := at(p)
		for dy := -1; dy <= 1; dy++ {
			for dx := -1; dx <= 1; dx++ {
				for _, q := range taken[cell{c.x + dx, c.y + dy}] {
					if math.Hypot(p.X-q.X, p.Y-q.Y) < o.SeparationPx {
						continue candidates
					}
				}
			}
		}
		if out = append(out, p); len(out) == o.Max {
			break
		}
		taken[c] = append(taken[c], p)
	}
	return out
}

// extreme reports whether no neighbour of (x, y) lies further from zero on the same side; of
// equal neighbours the last in reading order counts.
func (m scores) extreme(x, y int) bool {
	sign := float32(1)
	v := m.v[y*m.w+x]
	if v < 0 {
		sign, v = -1, -v
	}
	for ny := max(y-1, 0); ny <= min(y+1, m.h-1); ny++ {
		for nx := max(x-1, 0); nx <= min(x+1, m.w-1); nx++ {
			n := sign * m.v[ny*m.w+nx]
			later := ny > y || ny == y && nx > x
			if n > v || n == v && later {
				return false
			}
		}
	}
	return true
}

// refine places the extreme at (x, y) to a fraction of a pixel. At the map's border, where a
// neighbour is missing, that coordinate stays whole.
func (m scores) refine(x, y int) Peak {
	at := func(x, y int) float64 { return float64(m.v[y*m.w+x]) }
	p := Peak{X: float64(x), Y: float64(y), Score: at(x, y)}
	if x > 0 && x < m.w-1 {
		p.X += vertex(at(x-1, y), p.Score, at(x+1, y))
	}
	if y > 0 && y < m.h-1 {
		p.Y += vertex(at(x, y-1), p.Score, at(x, y+1))
	}
	return p
}

// vertex is where the parabola through (-1, a), (0, b) and (1, c), b the extreme, turns.
func vertex(a, b, c float64) float64 {
	bend := a - 2*b + c
	if bend == 0 || math.IsNaN(bend) {
		return 0
	}
	return max(-0.5, min(0.5, (a-c)/(2*bend)))
}

// picture copies part of a picture into a Mat. Levels are taken from the part's mean, which
// leaves the correlation as it is and keeps 32-bit floats exact enough; the mean is a whole
// number, so that flat stretches stay exactly flat.
func (s *mats) picture(g *picture.Gray, r image.Rectangle) (*gocv.Mat, error) {
	m, pix, err := s.float(r.Dx(), r.Dy())
	if err != nil {
		return nil, err
	}
	var sum uint64
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for _, v := range g.Pix[y*g.W+r.Min.X : y*g.W+r.Max.X] {
			sum += uint64(v)
		}
	}
	mean := int32(sum / uint64(len(pix)))
	for y := r.Min.Y; y < r.Max.Y; y++ {
		row := g.Pix[y*g.W+r.Min.X : y*g.W+r.Max.X]
		out := pix[(y-r.Min.Y)*r.Dx():][:len(row)]
		for i, v := range row {
			out[i] = float32(int32(v) - mean)
		}
	}
	return m, nil
}

// flat reports whether all pixels of r have one grey level.
func flat(g *picture.Gray, r image.Rectangle) bool {
	first := g.Pix[r.Min.Y*g.W+r.Min.X]
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for _, v := range g.Pix[y*g.W+r.Min.X : y*g.W+r.Max.X] {
			if v != first {
				return false
			}
		}
	}
	return true
}
