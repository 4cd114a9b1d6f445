package fiducial

import (
	"cmp"
	"math"
	"slices"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/scope"
)

const (
	featurePx = 5.0 // the narrowest part of a mark in the shrunk picture
	marginPx  = 3   // ground around the mark in its template
	minScore  = 0.4

	// At half of the shrunk size: narrowest part and margin that still do, and by how much a mark may
	// score less there.
	halfFeaturePx = 2.4
	halfMarginPx  = 1
	halfSlack     = 0.1

	sureScore = 0.6
	maxPeaks  = 80

	scaleSlack = 0.02 // how far a pair of marks may be from its drawn distance
	turnSlack  = 1.5 * geom.Degree
)

// A view is a shrunk picture with its maps.
type view struct {
	full   *picture.Gray
	small  *picture.Gray
	factor int
	plane  scope.Plane
}

func newView(g *picture.Gray, plane scope.Plane, m *part.Marks) view {
	narrow := narrowestMm(m) * 1000 / plane.UmPerPx()
	f := min(max(int(narrow/featurePx), 1), 8)
	return view{g, cv.Shrink(g, f), f, plane}
}

// holds reports whether a mark fits into the picture.
func (v view) holds(m *part.Marks) bool {
	side := 2*v.templateHalf(m) + 1
	return side <= v.small.W && side <= v.small.H
}

// templateHalf is how many pixels a mark's template reaches to each side of its middle.
func (v view) templateHalf(m *part.Marks) int {
	return v.halfMark(m) + marginPx
}

// halfMark is how many pixels a mark reaches to each side of its middle.
func (v view) halfMark(m *part.Marks) int { return int(math.Ceil(sizeMm(m) * 500 / v.umPerPx())) }

func narrowestMm(m *part.Marks) float64 {
	switch m.Shape {
	case part.Cross:
		return m.ArmWidthMm
	case part.Ring:
		return min((m.DiameterMm-m.InnerMm)/2, m.InnerMm)
	case part.Disc:
		return m.DiameterMm
	}
	return m.LengthMm
}

// sizeMm returns the full width of a mark.
func sizeMm(m *part.Marks) float64 {
	if m.Shape == part.Disc || m.Shape == part.Ring {
		return m.DiameterMm
	}
	return m.LengthMm
}

func (v view) umPerPx() float64 { return v.plane.UmPerPx() * float64(v.factor) }

// toFull turns a place of the shrunk picture into one of the whole.
func (v view) toFull(x, y float64) geom.ImagePoint {
	f := float64(v.factor)
	return geom.ImagePoint{X: f*x + (f-1)/2, Y: f*y + (f-1)/2}
}

func (v view) toSmall(p geom.ImagePoint) (x, y float64) {
	f := float64(v.factor)
	return (p.X - (f-1)/2) / f, (p.Y - (f-1)/2) / f
}

// template draws a mark upright at the shrunk picture's scale, 8 × 8 samples a pixel.
func (v view) template(m *part.Marks) *picture.Gray { return v.drawn(m, marginPx) }

func (v view) drawn(m *part.Marks, margin int) *picture.Gray {
	const samples = 8
	um := v.umPerPx()
	half := v.halfMark(m) + margin
	t := picture.New(2*half+1, 2*half+1, 255)
	covered := func(x, y int, dx, dy float64) int {
		if covers(m, (float64(x-half)+dx)*um/1000, (float64(y-half)+dy)*um/1000) {
			return 1
		}
		return 0
	}
	for y := range t.H {
		for x := range t.W {
			// Only a pixel that the outline crosses is covered in part.
			n := covered(x, y, -0.5, -0.5) + covered(x, y, 0.5, -0.5) + covered(x, y, -0.5, 0.5) + covered(x, y, 0.5, 0.5)
			if n *= samples * samples / 4; n > 0 && n < samples*samples {
				n = 0
				for i := range samples * samples {
					n += covered(x, y, (float64(i%samples)+0.5)/samples-0.5, (float64(i/samples)+0.5)/samples-0.5)
				}
			}
			t.Pix[y*t.W+x] = uint16(40 + 160*n/(samples*samples))
		}
	}
	return t
}

func covers(m *part.Marks, xMm, yMm float64) bool {
	x, y := math.Abs(xMm), math.Abs(yMm)
	switch m.Shape {
	case part.Cross:
		l, w := m.LengthMm/2, m.ArmWidthMm/2
		return x < l && y < w || x < w && y < l
	case part.Square:
		return x < m.LengthMm/2 && y < m.LengthMm/2
	case part.Ring:
		r := math.Hypot(x, y)
		return r < m.DiameterMm/2 && r > m.InnerMm/2
	}
	return math.Hypot(x, y) < m.DiameterMm/2
}

// A candidate is a place that looks like a mark.
type candidate struct {
	at    geom.ScopePoint
	score float64 // signed: negative is dark on bright
}

// candidates correlates the picture at half of its shrunk size, which costs a fourth, and holds the
// template against the shrunk picture where that shows something. A mark of thin arms is correlated at
// once.
func (v view) candidates(m *part.Marks) ([]candidate, error) {
	half := view{v.full, cv.Shrink(v.small, 2), 2 * v.factor, v.plane}
	var peaks []cv.Peak
	var err error
	if narrowestMm(m)*1000/half.umPerPx() < halfFeaturePx {
		peaks, err = cv.Peaks(v.small, v.template(m), cv.PeakOptions{Max: maxPeaks, MinScore: minScore})
	} else if peaks, err = cv.Peaks(half.small, half.drawn(m, halfMarginPx), cv.PeakOptions{Max: maxPeaks, MinScore: minScore - halfSlack}); err == nil {
		peaks = v.again(peaks, m)
	}
	if err != nil {
		return nil, err
	}
	c := make([]candidate, len(peaks))
	for i, p := range peaks {
		c[i] = candidate{v.plane.ToObject(v.toFull(p.X, p.Y)), p.Score}
	}
	return c, nil
}

// again scores peaks of the picture at half of its shrunk size on the shrunk picture itself, and
// returns those that are peaks there, best first.
func (v view) again(peaks []cv.Peak, m *part.Marks) []cv.Peak {
	g := v.template(m)
	t := cv.NewTemplate(g)
	apart := float64(g.W) / 2
	var sure []cv.Peak
	for _, p := range peaks {
		if p, ok := t.Near(v.small, 2*p.X+0.5, 2*p.Y+0.5, 2, p.Score); ok && math.Abs(p.Score) >= minScore {
			sure = append(sure, p)
		}
	}
	slices.SortStableFunc(sure, func(a, b cv.Peak) int { return cmp.Compare(math.Abs(b.Score), math.Abs(a.Score)) })
	var out []cv.Peak
	for _, p := range sure {
		beside := func(q cv.Peak) bool { return math.Hypot(p.X-q.X, p.Y-q.Y) < apart }
		if len(out) < maxPeaks && !slices.ContainsFunc(out, beside) {
			out = append(out, p)
		}
	}
	return out
}

// A guess is a pose with the candidates that it explains.
type guess struct {
	pose    geom.Pose
	seen    []int // candidate of each mark, -1 for none
	count   int
	score   float64
	quarter int // how many quarter turns counter-clockwise the sample lies from how it was put
}

// assign finds the pose that explains the drawing's marks best: each pair of candidates at the
// distance of a pair of marks proposes one. Poses near each quarter turn are tried, so that a
// sample that lies the wrong way round is known as such.
func assign(places []part.Place, cand []candidate, turnLimit geom.Angle, tolerance geom.Length) []guess {
	var all []guess
	for i := range places {
		for j := range places {
			if i == j {
				continue
			}
			pi, pj := places[i].Point(), places[j].Point()
			drawn := math.Hypot(float64(pj.X-pi.X), float64(pj.Y-pi.Y))
			heading := math.Atan2(float64(pj.Y-pi.Y), float64(pj.X-pi.X))
			for a := range cand {
				for b := a + 1; b < len(cand); b++ {
					if cand[a].score*cand[b].score < 0 {
						continue
					}
					dx, dy := float64(cand[b].at.X-cand[a].at.X), float64(cand[b].at.Y-cand[a].at.Y)
					if math.Abs(math.Sqrt(dx*dx+dy*dy)/drawn-1) > scaleSlack {
						continue
					}
					turn := geom.Wrap(geom.Angle(math.Atan2(dy, dx) - heading))
					quarter := math.Round(turn.Rad() / (math.Pi / 2))
					if math.Abs(turn.Rad()-quarter*math.Pi/2) > (turnLimit + turnSlack).Rad() {
						continue
					}
					g := explain(places, cand, i, a, turn, cand[a].score > 0, tolerance)
					g.quarter = (int(quarter) + 4) % 4
					all = append(all, g)
				}
			}
		}
	}
	slices.SortStableFunc(all, func(p, q guess) int { return cmp.Compare(q.score, p.score) })
	return all
}

func explain(places []part.Place, cand []candidate, mark, at int, turn geom.Angle, bright bool, tolerance geom.Length) guess {
	pose := geom.Pose{Turn: turn, Scale: 1}
	anchor := pose.ToScope(places[mark].Point())
	pose.Origin = geom.ScopePoint{X: cand[at].at.X - anchor.X, Y: cand[at].at.Y - anchor.Y}
	g := guess{pose: pose, seen: make([]int, len(places))}
	for k, pl := range places {
		want := pose.ToScope(pl.Point())
		g.seen[k] = -1
		best := 0.0
		for c := range cand {
			if (cand[c].score > 0) != bright {
				continue
			}
			if s := math.Abs(cand[c].score); s > best {
				dx, dy := float64(cand[c].at.X-want.X), float64(cand[c].at.Y-want.Y)
				if dx*dx+dy*dy <= float64(tolerance)*float64(tolerance) {
					best, g.seen[k] = s, c
				}
			}
		}
		if g.seen[k] >= 0 {
			g.count++
			g.score += best
		}
	}
	return g
}
