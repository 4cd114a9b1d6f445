package chart

import (
	"image/color"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot/vg"

	"plumbsquare/internal/spc"
)

// closest is the least distance between points that get a mark each; nearer ones are a line.
const closest = vg.Length(2.2)

// course draws the line that joins the points of a phase.
func (c Control) course(p *pen, f *panel, ch *spc.Chart) {
	for _, ph := range phasesOf(ch) {
		if ph.From < ph.To {
			p.line(dataLine, 0.9, nil, thinned(f, ch.Points[ph.From:ph.To])...)
		}
	}
}

// behind draws the single values, one a place where they stand closer than their marks are wide.
func (c Control) behind(p *pen, f *panel) {
	radius := min(1.7, max(0.8, (f.x(1)-f.x(0))/4))
	last := vg.Point{X: -1, Y: -1}
	for i, v := range c.Behind {
		at := f.at(float64(i), v)
		if math.Hypot(float64(at.X-last.X), float64(at.Y-last.Y)) > 0.5 {
			p.mark(disc, at, radius, behindInk, false)
			last = at
		}
	}
}

// points draws the points, and the hits with their rules' numbers.
func (c Control) points(p *pen, f *panel, ch *spc.Chart) {
	step := f.x(1) - f.x(0)
	byPoint := map[int][]spc.Rule{}
	for _, h := range ch.Hits {
		if !slices.Contains(byPoint[h.At], h.Rule) {
			byPoint[h.At] = append(byPoint[h.At], h.Rule)
		}
	}
	if step < closest {
		byPoint = sparse(f, ch, byPoint)
	} else {
		radius := min(2.4, max(1.1, step/3))
		for i, pt := range ch.Points {
			if byPoint[i] == nil {
				at := f.at(float64(pt.Index), pt.Value)
				p.mark(disc, at, radius, dataInk, false)
				p.keep = append(p.keep, around(at, 2))
			}
		}
	}
	for i, pt := range ch.Points {
		if rules := byPoint[i]; rules != nil {
			at := f.at(float64(pt.Index), pt.Value)
			hitMark(p, slices.Min(rules), at)
			p.keep = append(p.keep, around(at, 3))
		}
	}
	numberHits(p, f, ch, byPoint)
}

// sparse picks the hits to draw where points stand closer than their marks are wide: those beyond
// a limit first, then the others, one a width.
func sparse(f *panel, ch *spc.Chart, byPoint map[int][]spc.Rule) map[int][]spc.Rule {
	picked := map[int][]spc.Rule{}
	taken := map[int]bool{}
	for _, beyond := range []bool{true, false} {
		for i, pt := range ch.Points {
			rules := byPoint[i]
			if rules == nil || beyond != isBeyond(slices.Min(rules)) {
				continue
			}
			if column := int((f.x(float64(pt.Index)) - f.Min.X) / (3 * closest)); !taken[column] {
				taken[column] = true
				picked[i] = rules
			}
		}
	}
	return picked
}

func isBeyond(r spc.Rule) bool { return r == spc.Nelson1 || r == spc.Western1 }

// thinned returns the line through points. Where more than two share a column of a third of a
// point, the highest and lowest stand for all, which looks the same.
func thinned(f *panel, points []spc.Point) (line []vg.Point) {
	const column = vg.Length(1.0 / 3)
	if vg.Length(len(points))*column < 2*(f.Max.X-f.Min.X) {
		for _, pt := range points {
			line = append(line, f.at(float64(pt.Index), pt.Value))
		}
		return line
	}
	for i := 0; i < len(points); {
		end := f.x(float64(points[i].Index)) + column
		lo, hi, j := points[i], points[i], i
		for ; j < len(points) && f.x(float64(points[j].Index)) < end; j++ {
			if points[j].Value < lo.Value {
				lo = points[j]
			}
			if points[j].Value > hi.Value {
				hi = points[j]
			}
		}
		if lo.Index > hi.Index {
			lo, hi = hi, lo
		}
		line = append(line, f.at(float64(lo.Index), lo.Value), f.at(float64(hi.Index), hi.Value))
		i = j
	}
	return line
}

func around(at vg.Point, radius vg.Length) vg.Rectangle {
	return vg.Rectangle{Min: vg.Point{X: at.X - radius, Y: at.Y - radius}, Max: vg.Point{X: at.X + radius, Y: at.Y + radius}}
}

// hitMark draws a point at which a rule fired: a diamond beyond a limit, else a hollow square.
func hitMark(p *pen, r spc.Rule, at vg.Point) {
	if isBeyond(r) {
		p.mark(diamond, at, 3.1, hitInk, false)
		return
	}
	p.mark(square, at, 2.7, hitInk, true)
}

// roomy is the distance between points from which on every hit has room for its numbers.
const roomy = vg.Length(15)

// numberHits writes the rules' numbers beside the hits, away from the centre line. Where points
// stand close, only the point at which a rule starts to fire carries its number.
func numberHits(p *pen, f *panel, ch *spc.Chart, byPoint map[int][]spc.Rule) {
	bounds := vg.Rectangle{Min: f.Min, Max: vg.Point{X: f.Max.X, Y: f.Max.Y + 4}}
	close := f.x(1)-f.x(0) < roomy
	for i, pt := range ch.Points {
		var numbers []string
		for _, r := range slices.Sorted(slices.Values(byPoint[i])) {
			if !close || !slices.Contains(byPoint[i-1], r) {
				numbers = append(numbers, ruleNumber(r))
			}
		}
		if numbers == nil {
			continue
		}
		at := f.at(float64(pt.Index), pt.Value)
		up, down := at.Y+5, at.Y-5-ascent*smallSize
		away := vg.Length(1)
		if pt.Value < pt.Center {
			up, down, away = down, up, -1
		}
		p.try(words{strings.Join(numbers, "·"), smallSize, true, hitInk}, middle, bounds,
			vg.Point{X: at.X, Y: up}, vg.Point{X: at.X, Y: up + 5*away},
			vg.Point{X: at.X + 7, Y: up}, vg.Point{X: at.X - 7, Y: up},
			vg.Point{X: at.X, Y: down}, vg.Point{X: at.X, Y: up + 10*away})
	}
}

// A limitLabel is the name and value of a line at the right of a panel.
type limitLabel struct {
	value float64
	words words
}

// limitLabels returns the lines of the last point with their values; where sizes differ they say
// for which.
func limitLabels(ch *spc.Chart) (labels []limitLabel) {
	pt := ch.Points[len(ch.Points)-1]
	decimals := limitDecimals(pt)
	add := func(name string, v float64, c color.Color) {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			labels = append(labels, limitLabel{v, words{name + " " + number(v, decimals), smallSize, true, c}})
		}
	}
	add("CL", pt.Center, centreInk)
	if pt.UCL != pt.Center { // a one-sided statistic has its centre for the other limit
		add("UCL", pt.UCL, limitInk)
	}
	if pt.LCL != pt.Center {
		add("LCL", pt.LCL, limitInk)
	}
	return labels
}

func limitDecimals(pt spc.Point) int {
	spread := pt.Sigma
	if !(spread > 0) {
		spread = (pt.UCL - pt.LCL) / 6
	}
	return decimalsFor(spread)
}

// limitValues writes the values of the lines: those of the last phase at the right, those of the
// phases before it along their lines, where there is room.
func (p *pen) limitValues(f *panel, ch *spc.Chart) {
	labels := limitLabels(ch)
	slices.SortStableFunc(labels, func(a, b limitLabel) int {
		switch {
		case a.value < b.value:
			return -1
		case a.value > b.value:
			return 1
		}
		return 0
	})
	heights := make([]vg.Length, len(labels))
	for i, l := range labels {
		heights[i] = f.y(l.value) - 0.36*smallSize
	}
	spread(heights, smallSize+1.5)
	for i, l := range labels {
		p.write(l.words, vg.Point{X: f.Max.X + 5, Y: heights[i]}, left)
	}
	phases := phasesOf(ch)
	for _, ph := range phases[:len(phases)-1] {
		if ph.From >= ph.To {
			continue
		}
		pt := ch.Points[ph.To-1]
		end := f.x(float64(pt.Index)+0.5) - 2
		decimals := limitDecimals(pt)
		for _, l := range []struct {
			value float64
			w     words
		}{
			{pt.UCL, words{color: limitInk}}, {pt.Center, words{color: centreInk}}, {pt.LCL, words{color: limitInk}},
		} {
			if math.IsNaN(l.value) || math.IsInf(l.value, 0) {
				continue
			}
			l.w.text, l.w.size = number(l.value, decimals), smallSize
			y := f.y(l.value)
			p.try(l.w, right, f.Rectangle, vg.Point{X: end, Y: y + 2.5}, vg.Point{X: end, Y: y - 2 - ascent*smallSize})
		}
	}
}

// spread moves heights, which rise, apart until neighbours are gap from each other.
func spread(heights []vg.Length, gap vg.Length) {
	for range 20 {
		moved := false
		for i := 1; i < len(heights); i++ {
			if d := gap - (heights[i] - heights[i-1]); d > 1e-6 {
				heights[i-1] -= d / 2
				heights[i] += d / 2
				moved = true
			}
		}
		if !moved {
			return
		}
	}
}
