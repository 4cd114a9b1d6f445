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
	alike float64 // µm, how far all sides that noise alone doesn't explain may be off to one side
}

const (
	// sideSd is how well a saw or a press keeps a side to the drawing: it carries the reading
	// when a side can't be seen.
	sideSd geom.Length = 5
	// sidePx is how far outward or inward sides that noise alone doesn't explain may be off together
	// beyond what their scatter shows, px: a film's rim or a shadow of another shape than the model's
	// is so all around. It makes the plate larger, and moves it only where a side isn't seen. Found
	// on pictures of known truth.
	sidePx = 0.02
	// A side whose level steps now up, now down, or that scatters like the ends of traces, is none.
	// One as straight as calmScatter is one all the same: a die that mirrors its surroundings is
	// brighter than the substrate in one place and darker in another, while what only happens to
	// step where a side would be scatters by 7 µm and more.
	minAgree                = 0.6
	sureAgree               = 0.8
	maxScatter  geom.Length = 10
	calmScatter geom.Length = 3
	// turnOutlier and turnGross say when a side's direction contradicts the others': standard
	// deviations, and its ends' distance from the line that the others expect.
	turnOutlier = 5.0
	turnGrossPx = 0.5
	// turnOtherPx is from where on it is no side of this plate but of another one, under or over it.
	turnOtherPx = 1.0
)

// measurePlate refines a located plate side by side on raw pixels.
func measurePlate(src fit.Source, at located, drawn rectangle, inset, corner geom.Length, searchPx float64, blur geom.Length) (*plate, error) {
	find := func(k int, best bool) ([]*fit.Edge, error) {
		e, err := fit.FitEdges(src, at.side(k), fit.EdgeWindow{
			Half: at.half(k) - inset, Corner: corner, SearchPx: searchPx, Blur: blur, BestOnly: best,
		})
		if err != nil && !errors.Is(err, fit.ErrNoEdge) {
			return nil, fmt.Errorf("side %s: %w", sideNames[k], err)
		}
		return e, nil
	}
	p := &plate{rectangle: at.rectangle}
	wider := [2]geom.Length{drawn.width - at.width, drawn.height - at.height}
	for k := range 2 {
		// Rims give a side several edges; they are worth fitting only where the best two are not
		// as far apart as drawn.
		for _, best := range [2]bool{true, false} {
			plus, err := find(k, best)
			if err != nil {
				return nil, err
			}
			minus, err := find(k+2, best)
			if err != nil {
				return nil, err
			}
			var off float64
			p.edges[k], p.edges[k+2], off = choose(plus, minus, wider[k])
			if off <= 1 {
				break
			}
		}
	}
	fit.Together(p.edges[:])
	p.alike = sidePx * src.Plane.UmPerPx()
	seen, ragged, sure := 0, 0, 0
	for k, e := range p.edges {
		p.used[k] = e != nil
		switch {
		case e == nil:
			continue
		case e.Agree < minAgree && e.Rms > calmScatter || e.Rms > maxScatter:
			ragged++
		case e.Agree >= sureAgree:
			sure++
		}
		seen++
	}
	if ragged > 0 {
		return nil, fewSides(sure)
	}
	for seen >= 3 {
		if err := p.solve(drawn); err != nil {
			return nil, err
		}
		k := p.crooked(src.Plane.UmPerPx())
		if k < 0 {
			return p, nil
		}
		if _, ends := p.slopeOf(k, src.Plane.UmPerPx()); ends > turnOtherPx {
			return nil, fewSides(seen - 1)
		}
		p.used[k] = false
		seen--
	}
	return nil, fewSides(seen)
}

func fewSides(seen int) *reading.Refusal {
	return &reading.Refusal{
		Gate: "die-edges", Got: float64(seen), Limit: 3, Unit: "sides",
		Instruction: "its sides don't show as straight edges: check that this is the right part and nothing lies on it, clean the sample, change the light so that the edges stand out, and take the picture again",
	}
}

// choose takes of two opposite sides' edges the pair that makes the plate as large as it is
// drawn; among pairs that do, the best seen. wider is by how much the drawing is larger than the
// rectangle whose sides the edges are counted from. It returns how far off the pair's distance is,
// in what a side may vary.
func choose(plus, minus []*fit.Edge, wider geom.Length) (p, m *fit.Edge, off float64) {
	off = math.Inf(1)
	if len(plus) > 0 {
		p = plus[0]
	}
	if len(minus) > 0 {
		m = minus[0]
	}
	best := math.Inf(1)
	for i, a := range plus {
		for k, b := range minus {
			d := math.Abs((a.Offset + b.Offset - wider).Um()) / (2 * sideSd.Um())
			if cost := max(d, 1) + 0.2*float64(i+k); cost < best {
				best, p, m, off = cost, a, b, d
			}
		}
	}
	return p, m, off
}

// sizeLimit is how far a side may be from the drawing, unless the part file allows more, for the
// plate to be what was drawn; saws and presses keep to a few µm.
const sizeLimit geom.Length = 20

// otherSize refuses a plate that isn't as large as drawn: either it is another one, or an edge
// was taken for what lies beside it, and then the offset is wrong by as much.
func (p *plate) otherSize(drawn rectangle, limitUm float64) *reading.Refusal {
	limit := max(sizeLimit.Um(), limitUm)
	for i, d := range [2]geom.Length{p.width - drawn.width, p.height - drawn.height} {
		off := math.Abs(d.Um())
		if off <= max(limit, 4*math.Sqrt(p.cov[3+i][3+i])) {
			continue
		}
		return &reading.Refusal{
			Gate: "die-size", Got: off, Limit: limit, Unit: "µm",
			Instruction: fmt.Sprintf("it measures %.3f × %.3f mm and is drawn %.3f × %.3f mm: check that this is the right part; if it is, clean flux off the edges or change the light, and take the picture again",
				p.width.Mm(), p.height.Mm(), drawn.width.Mm(), drawn.height.Mm()),
		}
	}
	return nil
}

// solve computes the pose from the used sides by weighted least squares. Drawn sides enter as
// weak prior knowledge.
func (p *plate) solve(drawn rectangle) error {
	var inv mat.SymDense
	together := mat.NewVecDense(5, nil)
	for range 3 {
		together.Zero()
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
			w := 1 / (v[0][0] - v[0][1]*v[0][1]/v[1][1])
			add(size, w, z)
			if !e.Clean {
				together.AddScaledVec(together, w*p.alike, mat.NewVecDense(5, size[:]))
			}
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
	together.MulVec(&inv, mat.VecDenseCopyOf(together)) // what an error alike of all sides does
	for i := range 5 {
		for j := range 5 {
			p.cov[i][j] = inv.At(i, j) + together.AtVec(i)*together.AtVec(j)
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
		slope, ends := p.slopeOf(k, um)
		sd := math.Sqrt(e.Cov[1][1] + p.cov[2][2])
		if r := min(math.Abs(slope)/sd/turnOutlier, ends/turnGrossPx); r > worst {
			worst, at = r, k
		}
	}
	return at
}

// slopeOf returns the slope of a side's edge against the plate, and by how many px that puts its
// ends off.
func (p *plate) slopeOf(k int, um float64) (slope, endsPx float64) {
	_, slope = p.edges[k].Line.In(p.side(k))
	return slope, math.Abs(slope) * p.half(k).Um() / um
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
		r := readEdge(k, e, a, b)
		if !p.used[k] {
			r.Used = 0
		}
		out = append(out, r)
	}
	return out
}

// readEdge reports a fitted side from a to b in the reading's form.
func readEdge(side int, e *fit.Edge, a, b geom.ImagePoint) reading.Edge {
	r := reading.Edge{
		Side: sideNames[side], X1Px: a.X, Y1Px: a.Y, X2Px: b.X, Y2Px: b.Y,
		Used: e.Used, RmsUm: e.Rms.Um(), UUm: math.Sqrt(e.Cov[0][0]),
	}
	for _, pt := range e.Profile {
		if !pt.Used {
			r.Profile = append(r.Profile, nil)
			continue
		}
		u := pt.U.Um()
		r.Profile = append(r.Profile, &u)
	}
	return r
}
