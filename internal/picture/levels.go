package picture

// levels is how the grey levels of a picture are distributed.
type levels struct {
	median, bright       float64 // DN; bright is the level that one pixel in a thousand exceeds
	saturatedPercent     float64
	blackPercent         float64 // at level 0
	saturatedAt, highest int     // DN
}

// levelsOf looks at every seventh pixel: exact to a hundredth of a percent where it matters.
func levelsOf(g *Gray) levels {
	const every = 7
	counts := make([]int, g.FullScale+1)
	n := 0
	for i := 0; i < len(g.Pix); i += every {
		counts[min(int(g.Pix[i]), g.FullScale)]++
		n++
	}
	l := levels{saturatedAt: int(saturation(g))}
	if n == 0 {
		return l
	}
	quantile := func(p float64) float64 {
		left := int(p * float64(n-1))
		for v, c := range counts {
			if left -= c; left < 0 {
				return float64(v)
			}
		}
		return float64(g.FullScale)
	}
	l.median, l.bright = quantile(0.5), quantile(0.999)
	l.highest = int(quantile(1))
	saturated := 0
	for _, c := range counts[l.saturatedAt:] {
		saturated += c
	}
	l.saturatedPercent = 100 * float64(saturated) / float64(n)
	l.blackPercent = 100 * float64(counts[0]) / float64(n)
	return l
}

// lostPercent is how much of the picture holds no image, percent of its area. A sensor's pixels
// always differ a little; where a stretch from the left or right border is all one level, or a
// row repeats the one above it, the data never came. Saturated pixels are another matter.
func lostPercent(g *Gray) float64 {
	const every = 4 // rows
	white := saturation(g)
	least := max(g.W/8, 32)
	lost, looked := 0, 0
	for y := 0; y < g.H; y += every {
		row := g.Pix[y*g.W:][:g.W]
		looked += g.W
		n := run(row, white)
		if n < g.W {
			n = atLeast(n, least) + atLeast(runBack(row, white), least)
		}
		if n == 0 && y > 0 && repeats(row, g.Pix[(y-1)*g.W:][:g.W], white) {
			n = g.W
		}
		lost += atLeast(n, least)
	}
	if looked == 0 {
		return 0
	}
	return 100 * float64(lost) / float64(looked)
}

func atLeast(n, least int) int {
	if n < least {
		return 0
	}
	return n
}

// run is how many pixels from the left are all of one level below white.
func run(row []uint16, white uint16) int {
	if row[0] >= white {
		return 0
	}
	for i, v := range row {
		if v != row[0] {
			return i
		}
	}
	return len(row)
}

// runBack is the same from the right.
func runBack(row []uint16, white uint16) int {
	last := row[len(row)-1]
	if last >= white {
		return 0
	}
	for i := range row {
		if row[len(row)-1-i] != last {
			return i
		}
	}
	return len(row)
}

// repeats reports whether two rows are the same, apart from rows that are all white.
func repeats(a, b []uint16, white uint16) bool {
	unsaturated := false
	for i, v := range a {
		if v != b[i] {
			return false
		}
		unsaturated = unsaturated || v < white
	}
	return unsaturated
}
