package intake

import (
	"fmt"
	"os"

	"plumbsquare/internal/reading"
	"plumbsquare/internal/station"
)

// Bench adds what a station file says: how pictures are named, what holds for those that don't
// say themselves, and where part and scope files lie.
func (o *Options) Bench(l *Library, file string) error {
	b, err := os.ReadFile(file)
	if err != nil {
		return err
	}
	s, err := station.Load(b, file)
	if err != nil {
		return err
	}
	if s.Pattern != "" {
		if o.Pattern, err = ParsePattern(s.Pattern); err != nil {
			return fmt.Errorf("%s: %w", file, err)
		}
	}
	o.Fallback = Particulars{Part: s.Part, Scope: s.Scope, Shot: reading.Shot{View: reading.View(s.View)}}
	if s.Parts != "" {
		l.PartDirs = append(l.PartDirs, s.Parts)
	}
	if s.Scopes != "" {
		l.ScopeDirs = append(l.ScopeDirs, s.Scopes)
	}
	return nil
}
