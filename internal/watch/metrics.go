package watch

import (
	"fmt"
	"io"
	"strings"
)

// WriteMetrics writes a status in the text exposition format of Prometheus, version 0.0.4: a line
// of help and one of type for each name, then its samples.
func (s *Status) WriteMetrics(w io.Writer) error {
	var b strings.Builder
	metric := func(name, kind, help string) { fmt.Fprintf(&b, "# HELP %s %s\n# TYPE %s %s\n", name, help, name, kind) }
	gauge := func(name, help string, v float64) {
		metric(name, "gauge", help)
		fmt.Fprintf(&b, "%s %g\n", name, v)
	}
	metric("plumbsquare_shots_total", "counter", "Shots measured since the watch started, by verdict.")
	for _, d := range decisions {
		fmt.Fprintf(&b, "plumbsquare_shots_total{verdict=%q} %d\n", d, s.Verdicts[d])
	}
	metric("plumbsquare_pictures", "gauge", "Pictures of the inbox that have no verdict, by what they wait for.")
	for _, p := range [...]struct {
		state string
		n     int
	}{{"settling", s.Settling}, {"queued", s.Queued}, {"needs-info", s.Counts.NeedsInfo}, {"set-aside", s.Counts.SetAside}} {
		fmt.Fprintf(&b, "plumbsquare_pictures{state=%q} %d\n", p.state, p.n)
	}
	gauge("plumbsquare_files_left_alone", "Files of the inbox that aren't pictures.", float64(s.Counts.LeftAlone))
	gauge("plumbsquare_troubles", "What keeps the watch from its work; 0 when all is well.", float64(len(s.Troubles)))
	gauge("plumbsquare_start_time_seconds", "When the watch started, Unix time.", float64(s.Started.Unix()))
	if len(s.Recent) > 0 {
		gauge("plumbsquare_last_verdict_time_seconds", "When the last verdict was given, Unix time.", float64(s.Recent[0].At.Unix()))
	}
	_, err := io.WriteString(w, b.String())
	return err
}
