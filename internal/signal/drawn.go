package signal

import (
	"slices"
	"time"

	"plumbsquare/internal/series"
	"plumbsquare/internal/spc"
	"plumbsquare/internal/store"
)

// A Drawn is a chart as it is shown: with the limits in force, phase by phase.
type Drawn struct {
	Kind   series.Kind
	ByLot  bool
	Charts []spc.Chart   // from the top down
	Points []store.Point // by [spc.Point.Index]
	Phases []store.Phase // whose limits are fixed, as the charts have them; none: limits are estimated from what is shown
	// LeftOut counts samples from before the phases shown, because their phases chart in another way
	// or because they are before every phase and too few for limits.
	LeftOut int
}

// Draw makes the charts that samples, in order of time, show with the phases of their chart, in
// order of start. The latest phase says what kind of chart it is and whether lots are its points;
// phases before it that differ in that are left out with their samples. Samples before the first phase get limits
// of their own. Without a phase, shots are charted as individuals (counts as u) with limits
// estimated from all of them.
func Draw(samples []Sample, phases []store.Phase) (Drawn, error) {
	var d Drawn
	phases = slices.Clone(phases)
	for len(phases) > 0 && (len(samples) == 0 || phases[len(phases)-1].Start.After(samples[len(samples)-1].At)) {
		phases = phases[:len(phases)-1] // nothing of it is shown
	}
	if len(phases) == 0 {
		err := d.estimated(samples)
		return d, err
	}
	latest := phases[len(phases)-1]
	d.Kind, d.ByLot = latest.Kind, latest.ByLot
	cut := 0
	for i, ph := range phases {
		if ph.Kind != d.Kind || ph.ByLot != d.ByLot {
			cut = i + 1
		}
	}
	if cut > 0 {
		d.LeftOut, _ = slices.BinarySearchFunc(samples, phases[cut].Start, afterOrAt)
		phases, samples = phases[cut:], samples[d.LeftOut:]
	}
	var groups points
	var opt spc.Options
	add := func(from, to int, ph spc.Phase) {
		p := gather(samples[from:to], d.Kind, d.ByLot)
		if len(p.at) == 0 {
			return
		}
		ph.Start = len(groups.at)
		opt.Phases = append(opt.Phases, ph)
		groups = groups.and(p)
	}
	first, _ := slices.BinarySearchFunc(samples, phases[0].Start, afterOrAt)
	if _, _, err := Estimate(samples[:first], d.Kind, d.ByLot, false); err == nil {
		add(0, first, spc.Phase{Name: "before"})
	} else {
		d.LeftOut += first
	}
	for i, ph := range phases {
		from, _ := slices.BinarySearchFunc(samples, ph.Start, afterOrAt)
		to := len(samples)
		if i+1 < len(phases) {
			to, _ = slices.BinarySearchFunc(samples, phases[i+1].Start, afterOrAt)
		}
		f := fixed(ph.Kind, ph.Limits)
		f.Name = ph.Name
		if n := len(opt.Phases); from < to {
			if add(from, to, f); len(opt.Phases) > n {
				d.Phases = append(d.Phases, ph)
			}
		}
	}
	d.Points = groups.at
	var err error
	if opt.Rules, err = spc.ParseRules(latest.Rules); err == nil {
		d.Charts, err = groups.charts(d.Kind, opt)
	}
	d.sayWhence()
	return d, err
}

// sayWhence lets the charts say where fixed limits come from, instead of that they were stated, and
// takes back doubts about estimates that weren't made.
func (d *Drawn) sayWhence() {
	for i := range d.Charts {
		c := &d.Charts[i]
		c.Warnings = nil
		before := len(c.Phases) - len(d.Phases)
		for k, ph := range d.Phases {
			c.Phases[before+k].Source = "limits fixed: " + ph.Source
		}
	}
}

func (d *Drawn) estimated(samples []Sample) error {
	d.Kind = series.Individuals
	if len(samples) > 0 && samples[0].Size > 0 {
		d.Kind = series.U
	}
	p := gather(samples, d.Kind, false)
	d.Points = p.at
	rules, err := spc.ParseRules(DefaultRules(d.Kind))
	if err == nil {
		d.Charts, err = p.charts(d.Kind, spc.Options{Rules: rules})
	}
	return err
}

func afterOrAt(s Sample, t time.Time) int { return s.At.Compare(t) }
