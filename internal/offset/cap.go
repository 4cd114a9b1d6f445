package offset

import (
	"fmt"
	"math"
	"slices"

	"plumbsquare/internal/fiducial"
	"plumbsquare/internal/fit"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

const (
	// capShift and capTurn say how far from nominal a cap is looked for.
	capShift = 1000 * geom.Micrometre
	capTurn  = 4 * geom.Degree
	capSize  = 100 * geom.Micrometre // chamfer and bead have edges of their own

	chamferMax  = 250 * geom.Micrometre
	chamferSame = 3 * geom.Micrometre // how alike one tool cuts the chamfers of the four sides
	blurSame    = 0.05                // how alike the sides are in focus
	blurOff     = 0.2                 // how alike cap and datum are, which lies lower
	// capContrast is the least that the levels at a cap's edge differ, of the brightest: its chamfer
	// or its glue is dark, or it shines.
	capContrast = 0.15
	// misplacedShare is how much of the departure from the drawn size the centre may err by: with
	// sides that err independently it would be a half, but most of what misleads is common to them.
	// Found on pictures of known truth.
	misplacedShare = 0.2
	beadPx         = 20.0 // how far outward of the edge is looked at
	// locatedWithin is how far off a side may be located: at the inner edge of the chamfer while the
	// opposite one is at the outer edge of the glue.
	locatedWithin = 200 * geom.Micrometre
	chamferStepPx = 1.0 // of chamfers tried

	// chamferAlike and glueAlike say how alike chamfer and glue look on opposite sides, standard
	// deviations, of what the levels there differ by: one lamp lights them. A side whose chamfer is taken for
	// face and one whose glue is taken for chamfer are as far apart as drawn, too. unlikeMost lets a
	// picture overrule it, minus the logarithm of the likelihood. Seen on pictures of known truth.
	chamferAlike = 0.1
	glueAlike    = 0.15
	unlikeMost   = 25.0
	// oddContrast and oddScatter are where a side's step from chamfer to glue, of that of the others,
	// and its scatter, of the calmest side's, say that another line was taken for it.
	oddContrast = 0.3
	oddScatter  = 2.5
)

// Cap measures the cap's outline at the height of its top against the datum and returns its
// offset. The line that runs along the edge of a machined cap is its chamfer, which lies inside
// the true edge, and the ragged one outside is glue.
//
// It returns a *reading.Refusal as error when no cap of the drawn size can be seen.
func Cap(src fit.Source, p *part.Part, sc *scope.Scope, datum *fiducial.Found) (*reading.Offset, error) {
	c := p.Cap
	src.Plane = sc.Plane(src.Gray.W, src.Gray.H, c.TopMm)
	nominal, nominalTurn := geom.MmPoint(c.XMm, c.YMm), geom.Angle(c.ThetaDeg)*geom.Degree
	drawn := rectangle{
		centre: datum.Pose.ToScope(nominal), turn: datum.Pose.Turn + nominalTurn,
		width: geom.Length(c.WidthMm) * geom.Millimetre, height: geom.Length(c.HeightMm) * geom.Millimetre,
	}
	inset := geom.Length(c.CornerRadiusMm)*geom.Millimetre*1.1 + 6*datum.Blur + chamferMax
	at := locate(src.Gray, src.Plane, drawn, search{shift: capShift, turn: capTurn, size: capSize, inset: inset})
	seen := 0
	for _, a := range at.agreement {
		if a >= minAgreement {
			seen++
		}
	}
	if seen < 3 {
		return nil, noCap(seen, c)
	}
	pl, err := measureCap(src, at, drawn, c, inset, datum.Blur)
	if err != nil {
		return nil, err
	}
	o := pl.offset(nominal, nominalTurn, sc, c.TopMm, datum, "edges of the cap")
	o.Of = "cap"
	o.Edges = pl.readEdges(src)
	return o, nil
}

func noCap(seen int, c *part.Cap) *reading.Refusal {
	return &reading.Refusal{
		Gate: "no-cap", Got: float64(seen), Limit: 3, Unit: "sides",
		Instruction: fmt.Sprintf("no cap of %g × %g mm can be seen near its place (%d of 4 sides): check that the sample carries a cap, that this is the right part, and the light", c.WidthMm, c.HeightMm, seen),
	}
}

func capEdges(seen int) *reading.Refusal {
	return &reading.Refusal{
		Gate: "cap-edges", Got: float64(seen), Limit: 3, Unit: "sides",
		Instruction: "the cap's sides don't show as straight edges of the drawn size: check that this is the right part, wipe the cap's edges, change the light so that they stand out, and take the picture again",
	}
}

// measureCap refines a located cap on raw pixels: first each side by itself, then all again with
// what they show together of chamfer and blur.
func measureCap(src fit.Source, at located, drawn rectangle, c *part.Cap, inset, blur geom.Length) (*plate, error) {
	um := src.Plane.UmPerPx()
	sides := capSides(src, at, inset)
	at.turn += straighten(sides, at, um)
	sides = capSides(src, at, inset)
	starts, n := startCap(sides, at, drawn, um, blur)
	if n < 3 {
		return nil, capEdges(n)
	}
	if n = standOut(starts); n < 3 {
		return nil, noCap(n, c)
	}
	bevels := fit.FitBevels(sides, starts, fit.Bevelled{
		Ties: []fit.Tie{
			{A: 0, B: 2, Sum: drawn.width - at.width, Sd: sideSd},
			{A: 1, B: 3, Sum: drawn.height - at.height, Sd: sideSd},
		},
		Blur: blur, UBlur: blurOff * blur, SameChamfer: chamferSame, SameBlurPart: blurSame,
	})

	p := &plate{rectangle: at.rectangle}
	seen := 0
	for k, b := range bevels {
		if p.used[k] = b != nil && scatter(&b.Edge) < maxScatter; p.used[k] {
			p.edges[k] = widened(&b.Edge, um)
			p.edges[k].Cov[1][1] += 3 * edgePx * um * edgePx * um / float64(at.half(k)*at.half(k))
			seen++
		}
	}
	for seen >= 3 {
		if err := p.solve(drawn); err != nil {
			return nil, err
		}
		k := p.crooked(um)
		if k < 0 {
			break
		}
		p.used[k] = false
		seen--
	}
	if seen < 3 || p.odd() || p.misplaced(drawn) {
		return nil, capEdges(seen)
	}
	return p, nil
}

// odd reports whether opposite sides can't both be the cap's, or a side without its opposite isn't
// like the others: the cap's own edge, the inner one of its chamfer and the outer one of the glue
// run side by side, and where they are taken one for the other on opposite sides the size is right
// and the place isn't.
func (p *plate) odd() bool {
	calm := geom.Length(math.Inf(1))
	for k, e := range p.edges {
		if p.used[k] {
			calm = min(calm, scatter(e))
		}
	}
	for k := range 2 {
		a, b := p.edges[k], p.edges[k+2]
		if p.used[k] && p.used[k+2] {
			if a.Contrast*b.Contrast < 0 && max(scatter(a), scatter(b)) > oddScatter*calm {
				return true
			}
			continue
		}
		if p.used[k+2] {
			a = b
		}
		if others := (p.edges[1-k].Contrast + p.edges[3-k].Contrast) / 2; a.Contrast/others < oddContrast {
			return true
		}
	}
	return false
}

// standOut returns how many sides show more than the grain of one surface.
func standOut(starts [4]fit.BevelStart) (n int) {
	for _, s := range starts {
		hi := max(s.Face, s.Bevel, s.Glue, s.Ground)
		if hi-min(s.Face, s.Bevel, s.Glue, s.Ground) > capContrast*hi {
			n++
		}
	}
	return n
}

// capSides gathers the pixels along the sides; one that lies outside the picture is nil.
func capSides(src fit.Source, at located, inset geom.Length) (sides [4]*fit.Side) {
	reach := chamferMax.Um()/src.Plane.UmPerPx() + beadPx
	for k := range sides {
		if s, err := fit.NewSide(src, at.side(k), at.half(k)-inset, reach); err == nil {
			sides[k] = s
		}
	}
	return sides
}

// straighten returns by how much the rectangle must turn for its sides to be sharpest.
func straighten(sides [4]*fit.Side, at located, um float64) geom.Angle {
	half := max(at.half(0), at.half(1)).Um()
	best, turn := 0.0, 0.0
	for px := -4.0; px <= 4; px += 0.25 {
		slope, sharp := px*um/half, 0.0
		for _, s := range sides {
			if s != nil {
				sharp += s.Sharpness(slope)
			}
		}
		if sharp > best {
			best, turn = sharp, -slope // a line turned counter-clockwise runs inward, see fit.Line.Moved
		}
	}
	return geom.Angle(turn)
}

// misplaced allows for sides taken for what lies beside them, which shows as a cap of another
// size: unless both sides err alike the centre errs too. It reports whether they are so far off that
// another edge was taken.
func (p *plate) misplaced(drawn rectangle) bool {
	var u [2]float64
	for i, off := range [2]float64{(p.width - drawn.width).Um(), (p.height - drawn.height).Um()} {
		// Drawn sides have pulled a little at what was measured.
		own := p.cov[3+i][3+i]
		off *= 1 / max(1-own/float64(sideSd*sideSd), 0.5)
		if math.Abs(off) > max(sizeLimit.Um(), 4*math.Sqrt(own)) {
			return true
		}
		u[i] = misplacedShare * off
	}
	sin, cos := math.Sincos(p.turn.Rad())
	xx, yy := u[0]*u[0], u[1]*u[1]
	p.cov[0][0] += cos*cos*xx + sin*sin*yy
	p.cov[1][1] += sin*sin*xx + cos*cos*yy
	p.cov[0][1] += sin * cos * (xx - yy)
	p.cov[1][0] = p.cov[0][1]
	return false
}

// startCap chooses the sides' starts together: one chamfer for all, and opposite sides as far
// apart as drawn; roughly first, then finely. It returns how many sides have one.
func startCap(sides [4]*fit.Side, at located, drawn rectangle, um float64, blur geom.Length) (starts [4]fit.BevelStart, n int) {
	wider := [2]geom.Length{drawn.width - at.width, drawn.height - at.height}
	var offsets [4][]geom.Length
	for k, s := range sides {
		offsets[k] = steps(0, max(12*um, locatedWithin.Um()), 0.75*um)
		if s != nil {
			n++
		}
	}
	var chamfers []geom.Length
	for c := 0.0; c <= chamferMax.Um(); c += chamferStepPx * um {
		chamfers = append(chamfers, geom.Length(c))
	}
	best := math.Inf(1)
	choose := func(chamfers []geom.Length) {
		var tables [4][][]fit.BevelStart
		for k, s := range sides {
			if s != nil {
				tables[k] = s.Starts(offsets[k], chamfers, blur)
			}
		}
		for i := range chamfers {
			x, cx := pairStarts(tables[0], tables[2], i, wider[0], um)
			y, cy := pairStarts(tables[1], tables[3], i, wider[1], um)
			if cost := cx + cy; cost < best {
				best = cost
				starts = [4]fit.BevelStart{x[0], y[0], x[1], y[1]}
			}
		}
	}
	choose(chamfers)
	for _, fine := range [2]float64{0.3, 0.1} {
		from := starts
		c := max(from[0].Chamfer, from[1].Chamfer).Um() // of one side at least it is known
		step := fine * um
		for k := range offsets {
			offsets[k] = steps(from[k].Offset.Um(), 4*step, step)
		}
		around := slices.DeleteFunc(steps(c, 4*step, step), func(c geom.Length) bool { return c < 0 })
		choose(around)
	}
	return starts, n
}

// steps returns the values about mid, to each side within reach, a step apart.
func steps(mid, reach, step float64) (v []geom.Length) {
	n := int(math.Round(reach / step))
	for i := -n; i <= n; i++ {
		v = append(v, geom.Length(mid+float64(i)*step))
	}
	return v
}

// pairStarts chooses the starts of two opposite sides for one chamfer.
func pairStarts(plus, minus [][]fit.BevelStart, chamfer int, wider geom.Length, um float64) (best [2]fit.BevelStart, cost float64) {
	one := func(t [][]fit.BevelStart) (fit.BevelStart, float64) {
		if t == nil {
			return fit.BevelStart{}, 0
		}
		s := slices.MinFunc(t[chamfer], func(a, b fit.BevelStart) int {
			if a.Cost < b.Cost {
				return -1
			}
			return 1
		})
		return s, s.Cost
	}
	if plus == nil || minus == nil {
		a, ca := one(plus)
		b, cb := one(minus)
		return [2]fit.BevelStart{a, b}, ca + cb
	}
	sd := math.Hypot(0.1*um, sideSd.Um())
	cost = math.Inf(1)
	for _, a := range plus[chamfer] {
		for _, b := range minus[chamfer] {
			off := (a.Offset + b.Offset - wider).Um() / sd
			if c := a.Cost + b.Cost + off*off/2 + unlike(a, b); c < cost {
				cost, best = c, [2]fit.BevelStart{a, b}
			}
		}
	}
	return best, cost
}

// unlike is what speaks against two starts being opposite sides of one cap under one lamp.
func unlike(a, b fit.BevelStart) float64 {
	hi := max(a.Face, a.Bevel, a.Glue, a.Ground, b.Face, b.Bevel, b.Glue, b.Ground)
	lo := min(a.Face, a.Bevel, a.Glue, a.Ground, b.Face, b.Bevel, b.Glue, b.Ground)
	if !(hi > lo) {
		return 0
	}
	chamfer, glue := (a.Bevel-b.Bevel)/(hi-lo)/chamferAlike, (a.Glue-b.Glue)/(hi-lo)/glueAlike
	return min((chamfer*chamfer+glue*glue)/2, unlikeMost)
}

func middle(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	if n%2 == 1 {
		return v[n/2]
	}
	return (v[n/2-1] + v[n/2]) / 2
}
