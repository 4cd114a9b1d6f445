package chart

import (
	"slices"
	"strconv"

	"gonum.org/v1/plot/vg"

	"plumbsquare/internal/spc"
)

// xAxis numbers the subgroups from one under the lowest panel, names them under the numbers where
// they have names, and returns the height that is left.
func (c Control) xAxis(p *pen, panels []*panel, last int) vg.Length {
	f := panels[len(panels)-1]
	step := f.x(1) - f.x(0)
	numbers := numberEvery(step, last+1)
	for i := 0; i <= last; i++ {
		if (i+1)%numbers != 0 && i != 0 {
			continue
		}
		x := f.x(float64(i))
		for _, q := range panels {
			p.line(rule, 0.8, nil, vg.Point{X: x, Y: q.Min.Y - 3}, vg.Point{X: x, Y: q.Min.Y})
		}
		p.try(words{strconv.Itoa(i + 1), smallSize, false, faintInk}, middle, p.Rectangle, vg.Point{X: x, Y: f.Min.Y - 5 - ascent*smallSize})
	}
	y := f.Min.Y - 5 - ascent*smallSize - 3
	title := "subgroup"
	if !slices.ContainsFunc(c.Charts[0].Points, func(pt spc.Point) bool { return pt.Size > 1 }) {
		title = "value"
	}
	if len(c.Labels) > 0 {
		y -= ascent*smallSize + 4
		c.xLabels(p, f, last, y)
		if c.LabelsOf != "" {
			title += " and " + c.LabelsOf
		}
	}
	y -= ascent*textSize + 4
	p.write(words{title, textSize, false, ink}, vg.Point{X: (f.Min.X + f.Max.X) / 2, Y: y}, middle)
	return y - 6
}

// numberEvery returns the step of a round kind between numbers that have room.
func numberEvery(step vg.Length, count int) int {
	w := words{text: strconv.Itoa(count), size: smallSize}.width() + 6
	for every := 1; ; every *= 10 {
		for _, m := range []int{1, 2, 5} {
			if vg.Length(every*m)*step >= w || every > count {
				return every * m
			}
		}
	}
}

// xLabels names the subgroups. A name that several neighbours share stands once under all of them
// with a bracket; when names don't all fit, every second, third … is written.
func (c Control) xLabels(p *pen, f *panel, last int, y vg.Length) {
	type run struct{ from, to int }
	var runs []run
	label := func(i int) string {
		if i < len(c.Labels) {
			return c.Labels[i]
		}
		return ""
	}
	shared := false
	for i := 0; i <= last; i++ {
		if n := len(runs) - 1; i > 0 && label(i) == label(i-1) {
			runs[n].to, shared = i, true
			continue
		}
		runs = append(runs, run{i, i})
	}
	box := func(r run) vg.Rectangle {
		w := words{label(r.from), smallSize, false, ink}
		return w.box(vg.Point{X: f.x(float64(r.from+r.to) / 2), Y: y}, middle)
	}
	const gap = 5
	every := 1
	for ; every < len(runs); every++ {
		fits := true
		for i := every; i < len(runs) && fits; i += every {
			fits = box(runs[i-every]).Max.X+gap <= box(runs[i]).Min.X
		}
		if fits {
			break
		}
	}
	bracketed := shared && vg.Length(len(runs)) < (f.Max.X-f.Min.X)/6
	for i, r := range runs {
		if bracketed && label(r.from) != "" {
			a, b := f.x(float64(r.from)-0.35), f.x(float64(r.to)+0.35)
			top := y + ascent*smallSize + 2.5
			p.line(rule, 0.8, nil, vg.Point{X: a, Y: top + 2}, vg.Point{X: a, Y: top}, vg.Point{X: b, Y: top}, vg.Point{X: b, Y: top + 2})
		}
		if i%every == 0 {
			p.try(words{label(r.from), smallSize, false, ink}, middle, p.Rectangle, vg.Point{X: f.x(float64(r.from+r.to) / 2), Y: y})
		}
	}
}
