package chart

import (
	"time"

	"gonum.org/v1/plot/vg"
)

// timeSteps are those that a scale of time may have.
var timeSteps = []time.Duration{
	time.Minute, 5 * time.Minute, 15 * time.Minute, time.Hour, 2 * time.Hour, 4 * time.Hour, 8 * time.Hour, 12 * time.Hour,
	day, 2 * day, 7 * day, 14 * day, 28 * day, 91 * day, 365 * day, 5 * 365 * day,
}

const day = 24 * time.Hour

// timeScale draws a scale of days since start under a panel: clock times, and dates where a day begins.
func (p *pen) timeScale(f *panel, start time.Time, title string) {
	span := time.Duration((f.x1 - f.x0) * float64(day))
	most := int((f.Max.X - f.Min.X) / 62)
	step := timeSteps[len(timeSteps)-1]
	for i := len(timeSteps) - 1; i >= 0 && span <= timeSteps[i]*time.Duration(most); i-- {
		step = timeSteps[i]
	}
	y, m, d := start.Date()
	at := time.Date(y, m, d, 0, 0, 0, 0, start.Location())
	if step < day {
		from := start.Add(time.Duration(f.x0 * float64(day)))
		at = at.Add(from.Sub(at).Truncate(step))
	}
	dated := ""
	for ; ; at = at.Add(step) {
		x := at.Sub(start).Hours() / 24
		if x > f.x1+1e-9 {
			break
		}
		if x < f.x0-1e-9 {
			continue
		}
		px := f.x(x)
		p.line(rule, 0.8, nil, vg.Point{X: px, Y: f.Min.Y - 3}, vg.Point{X: px, Y: f.Min.Y})
		date, clock := at.Format("2006-01-02"), at.Format("15:04")
		upper := date
		if step < day {
			upper = clock
		}
		p.write(words{upper, smallSize, false, faintInk}, vg.Point{X: px, Y: f.Min.Y - 5 - ascent*smallSize}, middle)
		if step < day && date != dated {
			p.try(words{date, smallSize, false, ink}, middle, p.Rectangle, vg.Point{X: px, Y: f.Min.Y - 15 - ascent*smallSize})
			dated = date
		}
	}
	p.write(words{title, textSize, false, ink}, vg.Point{X: (f.Min.X + f.Max.X) / 2, Y: f.Min.Y - 19 - ascent*(smallSize+textSize)}, middle)
}
