package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/reading"
)

// A gaugeContent says how far the scopes can be trusted.
type gaugeContent struct {
	blocks []block
	failed []string // what forbids trusting one
	soon   []string // what will
}

// expirySoon is how long before its expiry a calibration is announced.
const expirySoon = 14 * 24 * time.Hour

// gauges tells of every scope that measured: its calibration, its check samples, its retakes.
func (d *day) gauges(o Options) (c gaugeContent) {
	type use struct{ measured, retakes int }
	uses := map[string]*use{}
	for _, s := range d.shots {
		u := uses[s.Source.Scope]
		if u == nil {
			u = new(use)
			uses[s.Source.Scope] = u
		}
		u.measured++
		if s.Refusal != nil {
			u.retakes++
		}
	}
	names := d.distinct(func(r *reading.Reading) string { return r.Source.Scope })
	for _, check := range o.Checks {
		if !slices.Contains(names, check.Scope) {
			names = append(names, check.Scope)
		}
	}
	if len(names) == 0 {
		return c
	}
	if len(o.Scopes) == 0 && len(o.Checks) == 0 {
		return gaugeContent{blocks: []block{{Text: "Measured with " + few(names, 12) + ". No scope file and no check sample is known, so nothing is said of how well they are calibrated."}}}
	}
	t := &table{Columns: []column{{Name: "Scope"}, {Name: "Pictures", Number: true}, {Name: "to retake", Number: true}, {Name: "Calibrated"}, {Name: "Valid until"}, {Name: "Latest check sample", Wide: true}}}
	var unknown []string
	for _, name := range names {
		if o.Scopes[name] == nil && !slices.ContainsFunc(o.Checks, func(k Check) bool { return k.Scope == name }) {
			unknown = append(unknown, name)
			continue
		}
		u := uses[name]
		if u == nil {
			u = new(use)
		}
		calibrated, valid := c.calibration(name, o)
		t.add("scope", cell{Text: name}, cell{Text: fmt.Sprint(u.measured)}, cell{Text: fmt.Sprint(u.retakes), Faint: u.retakes == 0}, cell{Text: calibrated}, cell{Text: valid}, cell{Text: c.check(name, o.Checks)})
	}
	if len(t.Rows) > 0 {
		c.blocks = append(c.blocks, block{Table: t})
	}
	if unknown != nil {
		c.blocks = append(c.blocks, block{Text: "Neither scope file nor check sample is known of " + few(unknown, 12) + ".", Small: true})
	}
	for _, text := range append(slices.Clone(c.failed), c.soon...) {
		c.blocks = append(c.blocks, block{Text: capital(text) + "."})
	}
	return c
}

// calibration says when a scope was calibrated and how long that holds, as its scope file states.
func (c *gaugeContent) calibration(name string, o Options) (calibrated, valid string) {
	const day = "2006-01-02"
	s := o.Scopes[name]
	if s == nil {
		return "no scope file given", ""
	}
	if !s.Calibrated.IsZero() {
		calibrated = s.Calibrated.Format(day)
	}
	if s.Expires.IsZero() {
		return calibrated, "no expiry stated"
	}
	valid = s.Expires.Format(day)
	switch {
	case o.Written.IsZero():
	case s.ExpiredOn(o.Written):
		valid += ", ran out"
		c.failed = append(c.failed, fmt.Sprintf("calibrate scope %s: its calibration ran out on %s", name, s.Expires.Format(day)))
	case s.ExpiredOn(o.Written.Add(expirySoon)):
		valid += ", soon"
		c.soon = append(c.soon, fmt.Sprintf("plan to calibrate scope %s: its calibration runs out on %s", name, s.Expires.Format(day)))
	}
	return calibrated, valid
}

// check says what the latest check sample of a scope showed.
func (c *gaugeContent) check(name string, checks []Check) string {
	var latest *Check
	n, bad := 0, 0
	for i := range checks {
		if checks[i].Scope != name {
			continue
		}
		n++
		if !checks[i].OK {
			bad++
		}
		if latest == nil || !checks[i].At.Before(latest.At) {
			latest = &checks[i]
		}
	}
	if latest == nil {
		return "none on record"
	}
	words := []string{latest.At.Format("2006-01-02 15:04"), latest.Text}
	if !latest.OK {
		c.failed = append(c.failed, fmt.Sprintf("check scope %s before anything else: its check sample of %s failed, %s", name, latest.At.Format("2006-01-02 15:04"), latest.Text))
	}
	if n > 1 {
		words = append(words, fmt.Sprintf("%d checks in all, %d failed", n, bad))
	}
	return strings.Join(words, ": ")
}
