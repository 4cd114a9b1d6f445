package column

import (
	"fmt"
	"math"
	"slices"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// A side is one edge of the substrate: its outward normal in the drawing frame and its distance
// from the drawing's origin.
type side struct {
	name   string
	nx, ny float64 // outward normal
	halfUm float64 // distance from the origin along the normal
	spanUm float64 // half of its length
	found  bool    // seen in the picture
}

func sides(s part.Substrate) [4]side {
	w, h := 500*s.WidthMm, 500*s.HeightMm
	return [4]side{
		{name: "+x", nx: 1, halfUm: w, spanUm: h},
		{name: "+y", ny: 1, halfUm: h, spanUm: w},
		{name: "-x", nx: -1, halfUm: w, spanUm: h},
		{name: "-y", ny: -1, halfUm: h, spanUm: w},
	}
}

// How far the outline found may differ from the drawing before it is another part: fired
// ceramic keeps its size to about one percent (common practice, no source).
const sizeTolerance = 0.015

// coarseFactor is how much the picture is shrunk to find the outline: edges a pixel or two
// wide stay sharp, and dust shrinks to a spot.
const coarseFactor = 8

// A crossing is a place where the light steps from the surroundings to the substrate.
type crossing struct {
	x, y float64 // scope frame, µm
	s    int     // index of the side
}

// coarseOutline finds the substrate in the picture: pose good to a pixel or two.
func coarseOutline(g *picture.Gray, p *part.Part, plane scope.Plane) (geom.Pose, [4]side, error) {
	ss := sides(p.Substrate)
	small := cv.Shrink(g, coarseFactor)
	if small.W < 16 || small.H < 16 {
		return geom.Pose{}, ss, &reading.Refusal{Gate: "field", Got: float64(g.W), Limit: 16 * coarseFactor, Unit: "px",
			Instruction: "the picture is too small to hold the substrate; take it at full size"}
	}
	outside, inside, spread := levels(small)
	step := inside - outside
	if math.Abs(step) < max(0.004*float64(g.FullScale), 0.15*max(outside, 1)) {
		if spread > 0.1*float64(g.FullScale) {
			return geom.Pose{}, ss, &reading.Refusal{Gate: "outline-out",
				Instruction: "the substrate's edges can't be told from what surrounds them; see that all of the substrate is in the picture, on a ground that is darker or brighter"}
		}
		return geom.Pose{}, ss, &reading.Refusal{Gate: "empty-fixture", Got: math.Abs(step) / float64(g.FullScale) * 100, Limit: 0.4, Unit: "% of full scale",
			Instruction: "no substrate stands out from its surroundings; put the sample in the fixture, check the light and take the picture again"}
	}
	points := crossings(small, outside+step/2, step > 0, plane)

	// Each side by itself: a line through the median of slopes, which a third of strays can't move.
	var pose geom.Pose
	var line [4]struct{ at, slope float64 }
	turn, n := 0.0, 0.0
	for k := range ss {
		at, slope, count := medianLine(points, k)
		lines := small.H
		if ss[k].nx == 0 {
			lines = small.W
		}
		ss[k].found = count > lines/4
		if !ss[k].found {
			continue
		}
		line[k].at, line[k].slope = at, slope
		turn += math.Atan(slope)
		n++
	}
	if !ss[0].found && !ss[2].found || !ss[1].found && !ss[3].found {
		return pose, ss, &reading.Refusal{Gate: "outline-out", Instruction: "the substrate's edges lie outside the picture; move the sample to the middle"}
	}
	pose.Turn = geom.Angle(turn / n)

	// The sizes, where both sides of a pair are seen.
	cos := math.Cos(turn / n)
	size := func(a, b int, drawnUm float64) (float64, bool) {
		if !ss[a].found || !ss[b].found {
			return drawnUm, false
		}
		return (line[a].at - line[b].at) * cos, true
	}
	w, both := size(0, 2, 2*ss[0].halfUm)
	h, bothY := size(1, 3, 2*ss[1].halfUm)
	if math.Abs(w/(2*ss[0].halfUm)-1) > sizeTolerance || math.Abs(h/(2*ss[1].halfUm)-1) > sizeTolerance {
		return pose, ss, wrongSize(g, plane, p, w, h)
	}
	scale, m := 0.0, 0.0
	if both {
		scale, m = scale+w/(2*ss[0].halfUm), m+1
	}
	if bothY {
		scale, m = scale+h/(2*ss[1].halfUm), m+1
	}
	if m > 0 {
		pose.Scale = scale / m
	} else {
		pose.Scale = 1
	}
	// The centre: where the middle lines cross.
	mid := func(a, b int) (float64, float64) {
		switch {
		case ss[a].found && ss[b].found:
			return (line[a].at + line[b].at) / 2, (line[a].slope + line[b].slope) / 2
		case ss[a].found:
			return line[a].at - pose.Scale*ss[a].halfUm/cos, line[a].slope
		}
		return line[b].at + pose.Scale*ss[b].halfUm/cos, line[b].slope
	}
	ax, bx := mid(0, 2) // x = ax - bx y
	ay, by := mid(1, 3) // y = ay + by x
	x := (ax - bx*ay) / (1 + bx*by)
	pose.Origin = geom.ScopePoint{X: geom.Length(x), Y: geom.Length(ay + by*x)}
	return pose, ss, nil
}

// wrongSize says what a substrate of another size means: a part of it is dark or hidden, or it
// is another part.
func wrongSize(g *picture.Gray, plane scope.Plane, p *part.Part, wUm, hUm float64) *reading.Refusal {
	if wUm < 2000*p.Substrate.WidthMm*0.7 || hUm < 2000*p.Substrate.HeightMm*0.7 {
		if part := emptyShare(g); part > 0.1 {
			return &reading.Refusal{Gate: "half-missing", Got: 100 * part, Limit: 10, Unit: "% of the picture",
				Instruction: "a part of the picture is empty: it was cut off while it was saved or sent; take or copy it again"}
		}
	}
	return &reading.Refusal{Gate: "other-part", Got: wUm / 1000, Limit: p.Substrate.WidthMm, Unit: "mm wide",
		Instruction: fmt.Sprintf("the substrate in the picture measures %.2f × %.2f mm, part %s is %g × %g mm; check part, side and scope",
			wUm/1000, hUm/1000, p.Name, p.Substrate.WidthMm, p.Substrate.HeightMm)}
}

// emptyShare returns the share of the picture's rows, or of its columns, that hold one grey
// level only, which no camera delivers.
func emptyShare(g *picture.Gray) float64 {
	rows, cols := 0, 0
	for y := range g.H {
		r := g.Pix[y*g.W : (y+1)*g.W]
		if !slices.ContainsFunc(r, func(v uint16) bool { return v != r[0] }) {
			rows++
		}
	}
	for x := range g.W {
		same := true
		for y := 1; y < g.H && same; y++ {
			same = g.Pix[y*g.W+x] == g.Pix[x]
		}
		if same {
			cols++
		}
	}
	return max(float64(rows)/float64(g.H), float64(cols)/float64(g.W))
}

// levels returns the level of the surroundings, the median along the picture's border, and of
// the substrate, the median of the picture's middle, and how far the levels of the middle lie
// apart: from the 5th percentile to the 95th.
func levels(g *picture.Gray) (outside, inside, spread float64) {
	var border, middle []uint16
	for y := range g.H {
		for x := range g.W {
			v := g.Pix[y*g.W+x]
			switch {
			case x == 0 || y == 0 || x == g.W-1 || y == g.H-1:
				border = append(border, v)
			case 4*x > g.W && 4*x < 3*g.W && 4*y > g.H && 4*y < 3*g.H:
				middle = append(middle, v)
			}
		}
	}
	slices.Sort(border)
	slices.Sort(middle)
	n := len(middle)
	return float64(border[len(border)/2]), float64(middle[n/2]), float64(middle[n*95/100]) - float64(middle[n/20])
}

// crossings walks in from the picture's border along each row and column of the shrunk picture
// until two pixels running lie on the substrate's side of the threshold.
func crossings(g *picture.Gray, threshold float64, brighter bool, plane scope.Plane) []crossing {
	var out []crossing
	walk := func(s, n int, at func(i int) (float64, float64, float64)) {
		_, _, before := at(0)
		in := func(v float64) bool { return (v > threshold) == brighter }
		if in(before) {
			return // the substrate reaches the border here
		}
		for i := 1; i+1 < n; i++ {
			x, y, v := at(i)
			if in(v) {
				_, _, next := at(i + 1)
				if !in(next) {
					before = v
					continue
				}
				f := (threshold - before) / (v - before)
				px, py, _ := at(i - 1)
				q := geom.ImagePoint{
					X: coarseFactor*(px+f*(x-px)) + (coarseFactor-1)/2.0,
					Y: coarseFactor*(py+f*(y-py)) + (coarseFactor-1)/2.0,
				}
				o := plane.ToObject(q)
				out = append(out, crossing{float64(o.X), float64(o.Y), s})
				return
			}
			before = v
		}
	}
	for y := range g.H {
		row := g.Pix[y*g.W:]
		walk(2, g.W, func(i int) (float64, float64, float64) { return float64(i), float64(y), float64(row[i]) })
		walk(0, g.W, func(i int) (float64, float64, float64) {
			return float64(g.W - 1 - i), float64(y), float64(row[g.W-1-i])
		})
	}
	for x := range g.W {
		walk(1, g.H, func(i int) (float64, float64, float64) { return float64(x), float64(i), float64(g.Pix[i*g.W+x]) })
		walk(3, g.H, func(i int) (float64, float64, float64) {
			return float64(x), float64(g.H - 1 - i), float64(g.Pix[(g.H-1-i)*g.W+x])
		})
	}
	return out
}

// medianLine fits a line to the crossings of side k: for the sides ±x, x = at - slope·y; for ±y,
// y = at + slope·x, so that slope is the tangent of the turn for all. The slope is the median over
// pairs half the side apart (Theil & Sen's estimator thinned out).
func medianLine(points []crossing, k int) (at, slope float64, count int) {
	var u, v []float64
	for _, p := range points {
		if p.s != k {
			continue
		}
		if k%2 == 0 {
			u, v = append(u, -p.y), append(v, p.x)
		} else {
			u, v = append(u, p.x), append(v, p.y)
		}
	}
	n := len(u)
	if n < 8 {
		return 0, 0, n
	}
	var slopes []float64
	for _, gap := range []int{n / 2, n / 3} {
		for i := range n - gap {
			slopes = append(slopes, (v[i+gap]-v[i])/(u[i+gap]-u[i]))
		}
	}
	slope = median(slopes)
	rest := make([]float64, n)
	for i := range rest {
		rest[i] = v[i] - slope*u[i]
	}
	at = median(rest)
	// Count what lies on it, by the scatter of honest crossings.
	spread := make([]float64, n)
	for i := range rest {
		spread[i] = math.Abs(rest[i] - at)
	}
	tolerance := max(6*median(spread), 1e-3*math.Abs(u[n-1]-u[0]))
	for i := range rest {
		if math.Abs(rest[i]-at) < tolerance {
			count++
		}
	}
	return at, slope, count
}

// median returns the middle value of v, which it reorders.
func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return v[len(v)/2]
}
