package offset

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/reading"
)

// A plate is a measured rectangle with the covariance of (centre X µm, centre Y µm, turn rad,
// width µm, height µm) in the scope frame, in that order.
type plate struct {
	rectangle
	cov   [5][5]float64
	edges [4]*fit.Edge // nil where a side wasn't seen; in the order of sideNames
	used  [4]bool
	blur  geom.Length
}

const (
	// sideSd is how well a saw or a press keeps a side to the drawing: it carries the reading
	// when a side can't be seen.
	sideSd geom.Length = 5
	// turnOutlier and turnGross say when a side's direction contradicts the others': standard
	// deviations, and its ends' distance from the line that the others expect.
	turnOutlier = 5.0
	turnGrossPx = 0.5
)

// measurePlate refines a located plate side by side on raw pixels.
func measurePlate(src fit.Source, at located, drawn rectangle, inset, corner geom.Length, searchPx float64, blur geom.Length) (*plate, error) {
	var choices [4][]*fit.Edge
	for k := range 4 {
		e, err := fit.FitEdges(src, at.side(k), fit.EdgeWindow{Half: at.half(k) - inset, Corner: corner, SearchPx: searchPx, Blur: blur})
		if err != nil && !errors.Is(err, fit.ErrNoEdge) {
			return nil, fmt.Errorf("side %s: %w", sideNames[k], err)
		}
		choices[k] = e
	}
	p := &plate{rectangle: at.rectangle}
	p.edges[0], p.edges[2] = choose(choices[0], choices[2], drawn.width-at.width)
	p.edges[1], p.edges[3] = choose(choices[1], choices[3], drawn.height-at.height)
	seen := 0
	for k, e := range p.edges {
		if p.used[k] = e != nil; p.used[k] {
			seen++
		}
	}
	for seen >= 3 {
		if err := p.solve(drawn); err != nil {
			return nil, err
		}
		k := p.crooked(src.Plane.UmPerPx())
		if k < 0 {
			return p, nil
		}
		p.used[k] = false
		seen--
	}
	return nil, &reading.Refusal{
		Gate: "die-edges", Got: float64(seen), Limit: 3, Unit: "sides",
		Instruction: fmt.Sprintf("only %d of its four sides can be seen: change the light so that the edges stand out, clean the sample, and take the picture again", seen),
	}
}

// choose takes of two opposite sides' edges the pair that makes the plate as large as it is
// drawn; among pairs that do, the best seen. wider is by how much the drawing is larger than the
// rectangle whose sides the edges are counted from.
func choose(plus, minus []*fit.Edge, wider geom.Length) (p, m *fit.Edge) {
	switch {
	case len(plus) == 0 && len(minus) == 0:
		return nil, nil
	case len(plus) == 0:
		return nil, minus[0]
	case len(minus) == 0:
		return plus[0], nil
	}
	best := math.Inf(1)
	for i, a := range plus {
		for k, b := range minus {
			off := math.Abs((a.Offset + b.Offset - wider).Um()) / (2 * sideSd.Um())
			if cost := max(off, 1) + 0.2*float64(i+k); cost < best {
				best, p, m = cost, a, b
			}
		}
	}
	return p, m
}

// solve computes the pose from the used sides by weighted least squares. Drawn sides enter as
// weak prior knowledge.
func (p *plate) solve(drawn rectangle) error {
	var inv mat.SymDense
	for range 3 {
		h := mat.NewSymDense(5, nil)
		g := mat.NewVecDense(5, nil)
		add := func(row [5]float64, w, z float64) {
			for i := range 5 {
				g.SetVec(i, g.AtVec(i)+w*row[i]*z)
				for j := i; j < 5; j++ {
					h.SetSym(i, j, h.At(i, j)+w*row[i]*row[j])
				}
			}
		}
		sd2 := float64(sideSd * sideSd)
		add([5]float64{3: 1}, 1/sd2, float64(drawn.width-p.width))
		add([5]float64{4: 1}, 1/sd2, float64(drawn.height-p.height))
		for k, e := range p.edges {
			if !p.used[k] {
				continue
			}
			line := p.side(k)
			offset, slope := e.Line.In(line)
			sin, cos := math.Sincos((p.turn + geom.Angle(k)*90*geom.Degree).Rad())
			size := [5]float64{cos, sin, 0, 0.5, 0}
			if k%2 == 1 {
				size = [5]float64{cos, sin, 0, 0, 0.5}
			}
			// Offset and slope are correlated where an edge is seen on one end only: take the
			// offset at the place where they aren't.
			v := e.Cov
			s0 := -v[0][1] / v[1][1]
			z := offset.Um() + slope*s0
			size[2] = -s0
			add(size, 1/(v[0][0]-v[0][1]*v[0][1]/v[1][1]), z)
			add([5]float64{2: -1}, 1/v[1][1], slope)
		}
		var chol mat.Cholesky
		d := mat.NewVecDense(5, nil)
		if !chol.Factorize(h) || chol.SolveVecTo(d, g) != nil || chol.InverseTo(&inv) != nil {
			return errors.New("the sides don't determine the plate")
		}
		p.centre.X += geom.Length(d.AtVec(0))
		p.centre.Y += geom.Length(d.AtVec(1))
		p.turn += geom.Angle(d.AtVec(2))
		p.width += geom.Length(d.AtVec(3))
		p.height += geom.Length(d.AtVec(4))
	}
	for i := range 5 {
		for j := range 5 {
			p.cov[i][j] = inv.At(i, j)
		}
	}
	var sum, n float64
	for k, e := range p.edges {
		if p.used[k] {
			sum += e.Blur.Um()
			n++
		}
	}
	p.blur = geom.Length(sum / n)
	return nil
}

// crooked returns the side whose direction contradicts the others' most, -1 if none does.
func (p *plate) crooked(um float64) int {
	worst, at := 1.0, -1
	for k, e := range p.edges {
		if !p.used[k] {
			continue
		}
		_, slope := e.Line.In(p.side(k))
		sd := math.Sqrt(e.Cov[1][1] + p.cov[2][2])
		ends := math.Abs(slope) * p.half(k).Um() / um
		if r := min(math.Abs(slope)/sd/turnOutlier, ends/turnGrossPx); r > worst {
			worst, at = r, k
		}
	}
	return at
}

// readEdges reports the sides in the reading's form.
func (p *plate) readEdges(src fit.Source) []reading.Edge {
	var out []reading.Edge
	for k, e := range p.edges {
		if e == nil {
			continue
		}
		a := src.Plane.ToImage(p.side(k).At(-p.half(k), 0))
		b := src.Plane.ToImage(p.side(k).At(p.half(k), 0))
		r := reading.Edge{
			Side: sideNames[k], X1Px: a.X, Y1Px: a.Y, X2Px: b.X, Y2Px: b.Y,
			Used: e.Used, RmsUm: e.Rms.Um(), UUm: math.Sqrt(e.Cov[0][0]),
		}
		if !p.used[k] {
			r.Used = 0
		}
		for _, pt := range e.Profile {
			if !pt.Used {
				r.Profile = append(r.Profile, nil)
				continue
			}
			u := pt.U.Um()
			r.Profile = append(r.Profile, &u)
		}
		out = append(out, r)
	}
	return out
}
