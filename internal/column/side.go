package column

import (
	"math"
	"slices"

	"plumbsquare/internal/cv"
	"plumbsquare/internal/geom"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/scope"
)

// Side measures a backlit picture of a row of columns along an edge: which columns are there, and
// of each the tip's offset along the row, the lean in the picture's plane, diameter, height, bend
// and seating. put is how the sample was put under the scope: at 0 the lens looks along the
// drawing's +Y at the bottom row, at 90° along +X at the first column, see [near].
//
// In its reading a tilt is signed, positive when the column leans toward +X, or +Y for the columns
// at the left and right, which the azimuth says; the offset across the picture is 0, and other
// sites are left out. Errors that are a *reading.Refusal say what the technician should change.
func Side(g *picture.Gray, n picture.Noise, p *part.Part, s *scope.Scope, put geom.Angle) (*Result, error) {
	list, err := sites(p)
	if err != nil {
		return nil, err
	}
	row := near(list, quarters(put))
	laid := *p
	if row.alongY {
		laid.Substrate.WidthMm, laid.Substrate.HeightMm = laid.Substrate.HeightMm, laid.Substrate.WidthMm
	}
	sil, err := newShot(g, n, &laid, s, row.sites, 0).silhouette()
	if err != nil {
		return nil, err
	}
	r, err := sil.measure()
	if err != nil {
		return nil, err
	}
	row.toDrawing(r.Array)
	return r, nil
}

// A silhouette is a backlit picture with its substrate found.
type silhouette struct {
	*shot
	bright, dark float64
	skyline      []float64 // for each column of pixels the row at which the light ends, coming from above

	// The frame: origin at the middle of the upper surface, x along it; scope µm.
	x0, y0, turn float64
	scale        float64
	// uX, uY are standard uncertainties of the origin, µm; uTurn of the turn; uScale of the scale.
	uX, uY, uTurn, uScale float64
}

// silhouette finds levels, skyline and frame.
func (pic *shot) silhouette() (*silhouette, error) {
	s := &silhouette{shot: pic}
	small := cv.Shrink(pic.g, coarseFactor)
	if small.W < 16 || small.H < 8 {
		return nil, &reading.Refusal{Gate: "field", Got: float64(pic.g.H), Limit: 8 * coarseFactor, Unit: "px",
			Instruction: "the picture is too small to hold a row of columns; take it at full size"}
	}
	s.bright, s.dark = backlight(small)
	if s.bright-s.dark < 0.1*float64(pic.g.FullScale) {
		return nil, &reading.Refusal{Gate: "backlight", Got: 100 * (s.bright - s.dark) / float64(pic.g.FullScale), Limit: 10, Unit: "% of full scale",
			Instruction: "columns and backlight hardly differ; switch the backlight on or raise the exposure"}
	}
	s.skyline = s.findSkyline()
	if err := s.findFrame(); err != nil {
		return nil, err
	}
	return s, nil
}

// backlight returns the level of the light, the median of the picture's top rows, and of what is
// dark: the median of its bottom rows, or of the darkest where the light shows below a thin
// substrate.
func backlight(g *picture.Gray) (bright, dark float64) {
	rows := func(from, to int) float64 {
		var v []float64
		for _, p := range g.Pix[from*g.W : to*g.W] {
			v = append(v, float64(p))
		}
		return median(v)
	}
	n := max(1, g.H/20)
	bright, dark = rows(0, n), rows(g.H-n, g.H)
	least := dark
	for y := n; y+n < g.H; y += n {
		least = min(least, rows(y, y+n))
	}
	if dark > (bright+least)/2 {
		dark = least
	}
	return bright, dark
}

// findSkyline walks down each column of pixels to where the light has fallen to half and stays
// so for three pixels; H where it never does.
func (s *silhouette) findSkyline() []float64 {
	g := s.g
	half := (s.bright + s.dark) / 2
	out := make([]float64, g.W)
	run := make([]uint8, g.W)
	for x := range out {
		out[x] = float64(g.H)
	}
	limit := uint16(half)
	for y := 1; y < g.H; y++ {
		row, above := g.Pix[y*g.W:(y+1)*g.W], g.Pix[(y-1)*g.W:y*g.W]
		for x, z := range row {
			if run[x] == 3 {
				continue
			}
			if z > limit {
				run[x] = 0
				continue
			}
			if run[x] == 0 {
				b, c := float64(above[x]), float64(z)
				out[x] = float64(y-1) + min(1, max(0, (b-half)/max(b-c, 1)))
			}
			run[x]++
		}
	}
	for x := range out {
		if run[x] < 3 {
			out[x] = float64(g.H)
		}
	}
	return out
}

// findFrame finds the substrate's flanks and upper surface.
func (s *silhouette) findFrame() error {
	left, right, err := s.flanks()
	if err != nil {
		return err
	}
	widthUm := 1000 * s.part.Substrate.WidthMm
	// The surface: first roughly, as the line below which the skyline seldom lies, then from the
	// stretches between the pads.
	var xs, ys []float64
	for x := int(left.X) + 4; x < int(right.X)-3 && x < s.g.W; x += 4 {
		if s.skyline[x] < float64(s.g.H) {
			q := s.base.ToObject(geom.ImagePoint{X: float64(x), Y: s.skyline[x]})
			xs, ys = append(xs, q.X.Um()), append(ys, q.Y.Um())
		}
	}
	if len(xs) < 32 {
		return &reading.Refusal{Gate: "outline-out", Instruction: "the substrate's upper surface isn't in the picture; lower the sample"}
	}
	at, slope := lowerLine(xs, ys)
	s.turn = math.Atan(slope)
	l, r := s.base.ToObject(left), s.base.ToObject(right)
	seen := (r.X.Um() - l.X.Um()) * math.Cos(s.turn)
	if math.Abs(seen/widthUm-1) > sizeTolerance {
		return &reading.Refusal{Gate: "other-part", Got: seen / 1000, Limit: widthUm / 1000, Unit: "mm wide",
			Instruction: "the substrate's width isn't that of part " + s.part.Name + "; check part, side and scope"}
	}
	s.scale = seen / widthUm
	mid := (l.X.Um() + r.X.Um()) / 2
	midY := at + slope*mid
	// The flanks were taken some way below the surface.
	drop := midY - (l.Y.Um()+r.Y.Um())/2
	s.x0 = mid - drop*math.Sin(s.turn)
	s.y0 = at + slope*s.x0
	return s.refineSurface()
}

// flanks returns where the substrate's left and right flanks are seen: the median over the rows
// between the surface and the picture's lower border, each to a fraction of a pixel.
func (s *silhouette) flanks() (left, right geom.ImagePoint, err error) {
	g := s.g
	low := s.lowest()
	var lx, ly, rx, ry []float64
	for y := low + (g.H-low)/6; y < g.H-2; y++ {
		row := g.Pix[y*g.W : (y+1)*g.W]
		cross := func(x, step int) (float64, bool) {
			before := float64(row[x])
			if before <= s.dark+borderLight*(s.bright-s.dark) {
				return 0, false // the substrate reaches the border
			}
			half := (before + s.dark) / 2 // the light may be weaker here than at the top
			for i := x + step; i > 0 && i < g.W-1; i += step {
				z := float64(row[i])
				if z <= half && float64(row[i+step]) <= half {
					return float64(i-step) + float64(step)*(before-half)/(before-z), true
				}
				before = z
			}
			return 0, false
		}
		if x, ok := cross(0, 1); ok {
			lx, ly = append(lx, x), append(ly, float64(y))
		}
		if x, ok := cross(g.W-1, -1); ok {
			rx, ry = append(rx, x), append(ry, float64(y))
		}
	}
	lx, ly = flank(lx, ly, 0.25)
	rx, ry = flank(rx, ry, 0.75)
	if len(lx) < 8 || len(rx) < 8 {
		return left, right, &reading.Refusal{Gate: "outline-out", Instruction: "the substrate's flanks aren't both in the picture; move the sample to the middle"}
	}
	s.uX = math.Hypot(scatterOfMean(lx), scatterOfMean(rx)) / 2 * s.base.UmPerPx()
	s.uScale = 2 * s.uX / (1000 * s.part.Substrate.WidthMm)
	mid := func(v []float64) float64 { return (v[0] + v[len(v)-1]) / 2 }
	return geom.ImagePoint{X: clippedMean(lx), Y: mid(ly)}, geom.ImagePoint{X: clippedMean(rx), Y: mid(ry)}, nil
}

// borderLight is the share of the backlight from which on a border shows it.
const borderLight = 0.25

// flank keeps the crossings that lie on a flank: below the substrate, or beside a speck, the light
// ends elsewhere. Where they scatter by more than a flank does, the light shows below a substrate that
// lies turned, and along its underside the crossings wander inward: there the flank is what lies
// about the given quantile, the outer quartile.
func flank(x, y []float64, outer float64) (kx, ky []float64) {
	if len(x) == 0 {
		return x, y
	}
	const sigmas, leastPx = 6.0, 2.0
	about := func(mid float64) []float64 {
		off := make([]float64, len(x))
		for i := range x {
			off[i] = math.Abs(x[i] - mid)
		}
		return off
	}
	mid := median(slices.Clone(x))
	scatter := 1.4826 * median(about(mid))
	if scatter > leastPx {
		sorted := slices.Sorted(slices.Values(x))
		mid = sorted[int(outer*float64(len(sorted)-1))]
		off := slices.Sorted(slices.Values(about(mid)))
		scatter = min(scatter, off[len(off)/4]/0.3186) // the quartile of a normal distribution's absolute value
	}
	limit := max(sigmas*scatter, leastPx)
	for i := range x {
		if math.Abs(x[i]-mid) < limit {
			kx, ky = append(kx, x[i]), append(ky, y[i])
		}
	}
	return kx, ky
}

// scatterOfMean is the standard uncertainty of the mean of neighbours that are correlated over
// some 48 rows: a sawn flank is wavy. That the sample lies turned is no scatter: they scatter about a
// line.
func scatterOfMean(v []float64) float64 {
	n := float64(len(v))
	m := clippedMean(v)
	var slope, tt float64
	for i, x := range v {
		t := float64(i) - (n-1)/2
		slope += t * (x - m)
		tt += t * t
	}
	slope /= max(tt, 1)
	var ss float64
	for i, x := range v {
		e := x - m - slope*(float64(i)-(n-1)/2)
		ss += e * e
	}
	return math.Sqrt(ss / n * min(1, 48/n))
}

// lowest is the row below which no skyline lies but for strays.
func (s *silhouette) lowest() int {
	var v []float64
	for x := 0; x < s.g.W; x += 4 {
		if y := s.skyline[x]; y < float64(s.g.H) {
			v = append(v, y)
		}
	}
	if len(v) == 0 {
		return s.g.H / 2
	}
	median(v) // sorts
	return min(int(v[len(v)*98/100]), s.g.H-4)
}

// lowerLine fits a line that lies along the lower rim of points: of many it keeps, again and
// again, those that lie below the line and not far above it.
func lowerLine(xs, ys []float64) (at, slope float64) {
	keep := make([]bool, len(xs))
	for i := range keep {
		keep[i] = true
	}
	for round := range 12 {
		var n, sx, sy, sxx, sxy float64
		for i := range xs {
			if keep[i] {
				n++
				sx += xs[i]
				sy += ys[i]
				sxx += xs[i] * xs[i]
				sxy += xs[i] * ys[i]
			}
		}
		d := n*sxx - sx*sx
		if n < 8 || d == 0 {
			break
		}
		slope = (n*sxy - sx*sy) / d
		at = (sy - slope*sx) / n
		var rest []float64
		for i := range xs {
			if keep[i] {
				rest = append(rest, math.Abs(ys[i]-at-slope*xs[i]))
			}
		}
		limit := 2.5 * 1.4826 * median(rest)
		if round < 4 {
			limit = 0 // at first all that stands above the line goes
		}
		count := 0
		for i := range xs {
			e := ys[i] - at - slope*xs[i]
			k := e < max(limit, 1) && (round < 6 || e > -max(limit, 1))
			if k {
				count++
			}
			keep[i] = k
		}
		if count < len(xs)/20 {
			break
		}
	}
	return at, slope
}

// refineSurface fits the surface line to what is seen of it between the pads.
func (s *silhouette) refineSurface() error {
	a := s.part.Array
	pad := 500 * max(a.PadMm, a.DiameterMm)
	clear := 20.0 // µm beside the pads
	for range 3 {
		sin, cos := math.Sincos(s.turn)
		var us, zs, rest []float64
		for x := 0; x < s.g.W; x++ {
			if s.skyline[x] >= float64(s.g.H) {
				continue
			}
			q := s.base.ToObject(geom.ImagePoint{X: float64(x), Y: s.skyline[x]})
			dx, dy := q.X.Um()-s.x0, q.Y.Um()-s.y0
			u, z := cos*dx+sin*dy, cos*dy-sin*dx
			if math.Abs(u) > s.scale*500*s.part.Substrate.WidthMm-3*s.base.UmPerPx() || s.nearPad(u, pad+clear) {
				continue
			}
			us, zs, rest = append(us, u), append(zs, z), append(rest, math.Abs(z))
		}
		// Fibres and dust stand above the line by far more than the surface is rough.
		m := 1.4826 * median(rest)
		limit := max(4*m, 2*s.base.UmPerPx())
		var n, sx, sy, sxx, sxy float64
		for i, u := range us {
			if math.Abs(zs[i]) > limit {
				continue
			}
			n++
			sx += u
			sy += zs[i]
			sxx += u * u
			sxy += u * zs[i]
		}
		d := n*sxx - sx*sx
		if n < 16 || d <= 0 {
			return &reading.Refusal{Gate: "outline-out", Instruction: "too little of the substrate's upper surface is seen between the columns; clean it and take the picture again"}
		}
		slope := (n*sxy - sx*sy) / d
		at := (sy - slope*sx) / n
		s.x0, s.y0 = s.x0-sin*at, s.y0+cos*at
		s.turn += math.Atan(slope)
		s.uY = m * math.Sqrt(16/n)
		s.uTurn = m * math.Sqrt(16) * math.Sqrt(n/d)
	}
	return nil
}

// nearPad reports whether u µm along the surface lies within half of a pad's middle.
func (s *silhouette) nearPad(u, half float64) bool {
	for i := range s.sites {
		if math.Abs(u-s.scale*s.sites[i].x) < half {
			return true
		}
	}
	return false
}

// toFrame turns an image place into µm along and above the surface.
func (s *silhouette) toFrame(x, y float64) (u, z float64) {
	q := s.base.ToObject(geom.ImagePoint{X: x, Y: y})
	sin, cos := math.Sincos(s.turn)
	dx, dy := q.X.Um()-s.x0, q.Y.Um()-s.y0
	return cos*dx + sin*dy, cos*dy - sin*dx
}

// toImage is the way back.
func (s *silhouette) toImage(u, z float64) geom.ImagePoint {
	sin, cos := math.Sincos(s.turn)
	return s.base.ToImage(geom.ScopePoint{X: geom.Length(s.x0 + cos*u - sin*z), Y: geom.Length(s.y0 + sin*u + cos*z)})
}
