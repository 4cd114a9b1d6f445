package performance

import (
	"fmt"
	"io"
	"runtime"
	"time"
)

// A Page holds everything that docs/performance.md tells.
type Page struct {
	Costs   []Cost
	Speedup Speedup
	Memory  []Memory
	Tables  []Table
}

// A Table compares methods on one kind of pictures.
type Table struct {
	Title, About string
	Pictures     int
	Scores       []Score
}

// Write writes the page as Markdown.
func (p *Page) Write(w io.Writer) error {
	e := &printer{w: w}
	e.f(`# Performance

Written by %[1]smake performance%[1]s; don't edit. Pictures are drawn by the program itself with known truth, seeded, and
those of testdata/images. The machine is shared with other work, so times are processor time, not the clock,
taken in turn within one run; medians. Ratios carry over to other machines, milliseconds don't. %[2]s, %[3]d cores seen.

## Cost of a picture on one core

Decoding is of the PNG to one grey picture; analysis is everything from there to the verdict. Goal: at most 1 ×.

| view | part | picture | decode ms | analysis ms | analysis / decoding | |
|---|---|---|---:|---:|---:|---|
`, "`", runtime.Version(), runtime.NumCPU())
	for _, c := range p.Costs {
		e.f("| %s | %s | %d × %d | %.1f | %.1f | %.2f × | %s |\n", c.View, c.Name, c.WidthPx, c.Height, ms(c.Decode), ms(c.Measure), c.Ratio, met(c.Ratio <= 1))
	}
	u := p.Speedup
	e.f(`
## Two cores

A batch of %d pictures of all views, one worker and two in turn. Goal: at least 1.8 ×. By the clock, in which other work
on the machine shows: median %.2f × (%.2f to %.2f), %s; the machine gave %.2f cores to one worker and %.2f to two, so a figure
taken while it gave less than 0.9 and 1.8 tells little. In processor time, which doesn't see waiting, two workers need
%.2f × what one needs: a speed-up of at most %.2f × on two free cores.
`, u.Pictures, u.Clock, u.Least, u.Most, met(u.Clock >= 1.8), u.Cores[0], u.Cores[1], u.Inflation, 2/u.Inflation)
	e.f("\n## Memory\n\nLargest resident size (the kernel's high-water mark) of `inspect measure` on one picture, against 250 MB + 6 × the decoded picture (2 bytes a pixel).\n\n| view | picture | peak MB | goal MB | |\n|---|---|---:|---:|---|\n")
	for _, m := range p.Memory {
		e.f("| %s | %d × %d | %.0f | %.0f | %s |\n", m.View, m.WidthPx, m.Height, m.PeakMB, m.LimitMB, met(m.PeakMB <= m.LimitMB))
	}
	e.f(`
## Beside what one would script in an afternoon

The same pictures in the same run. The scripts use OpenCV's general calls with parameters from the part file and the
scope: Gaussian blur 5 × 5, Otsu's threshold in both polarities, closing and opening for the die; normalised correlation with the drawn mark
within ±1.1 mm of its place and a parabola through the peak; the circle transform with radii within 20 %%. They are
given the program's own correction of scale, distortion and height, and each site's place to match to. They check
nothing else and state no uncertainty. CPU is that of the whole call: for plumbsquare always the complete reading with gates, fits,
uncertainties and verdict.

Clean: flat surfaces, nothing lying about. As a line gives them: texture, chips, flux, glare, dust, components, traces.
RMS over all values returned, RMS of those within 1 px, the worst, how many are gross (beyond 1 px), and how many of the
wanted values were not returned.
`)
	for _, t := range p.Tables {
		e.f("\n### %s\n\n%s %d pictures.\n\n| method | RMS px | RMS px without gross | worst px | gross | not returned | CPU ms |\n|---|---:|---:|---:|---:|---:|---:|\n", t.Title, t.About, t.Pictures)
		for _, s := range t.Scores {
			e.f("| %s | %.3f | %.3f | %.2f | %d of %d | %d of %d | %.1f |\n", s.Method, s.RMSPx, s.RMSFinePx, s.WorstPx, s.Gross, s.Returned, s.Wanted-s.Returned, s.Wanted, ms(s.CPU))
		}
	}
	return e.err
}

func ms(d time.Duration) float64 { return d.Seconds() * 1000 }

func met(ok bool) string {
	if ok {
		return "met"
	}
	return "**not met**"
}

// A printer keeps the first error.
type printer struct {
	w   io.Writer
	err error
}

func (p *printer) f(format string, args ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format, args...)
	}
}
