package watch

import (
	"maps"
	"slices"
	"time"
)

// say tells that something happened.
func (k *keeper) say(l Line) {
	l.At = time.Now()
	k.saying.Lock()
	defer k.saying.Unlock()
	k.o.Say(l)
}

// trouble notes what keeps the watch from its work, and says it once.
func (k *keeper) trouble(what, text string) {
	k.mu.Lock()
	news := k.troubles[what] == ""
	k.troubles[what] = text
	k.changed = true
	k.mu.Unlock()
	if news {
		k.say(Line{Word: "trouble", Text: text})
	}
}

// well notes that a trouble is over.
func (k *keeper) well(what, text string) {
	k.mu.Lock()
	over := k.troubles[what] != ""
	delete(k.troubles, what)
	k.changed = k.changed || over
	k.mu.Unlock()
	if over {
		k.say(Line{Word: "well", Text: text})
	}
}

// touch has the status written anew.
func (k *keeper) touch() {
	k.mu.Lock()
	k.changed = true
	k.mu.Unlock()
}

// verdict notes a verdict and says it.
func (k *keeper) verdict(a *Answer) {
	now := time.Now()
	k.unjudged.Store(true)
	k.mu.Lock()
	k.verdicts[a.Verdict.Decision]++
	k.recent = slices.Insert(k.recent, 0, Recent{now.UTC().Truncate(time.Second), a.name(), a.Verdict.Decision, a.Remark()})
	k.recent = k.recent[:min(len(k.recent), mostRecent)]
	k.changed = true
	k.mu.Unlock()
	k.say(Line{Word: string(a.Verdict.Decision), Path: a.name(), Text: a.Remark(), Answer: a})
}

// publishEvery is the least time between two statuses.
const publishEvery = time.Second

// publish writes the status when something has changed, once a second at most, and in any case often
// enough to be a sign of life. It returns when it is due again.
func (k *keeper) publish(now time.Time) time.Time {
	k.mu.Lock()
	changed := k.changed
	k.mu.Unlock()
	due := k.published.Add(alive / 2)
	if changed {
		due = k.published.Add(publishEvery)
	}
	if now.Before(due) {
		return due
	}
	k.writeStatus(now)
	return now.Add(publishEvery)
}

func (k *keeper) writeStatus(now time.Time) {
	s := k.status
	k.mu.Lock()
	k.changed = false
	s.Troubles = slices.Sorted(maps.Values(k.troubles))
	s.Verdicts = maps.Clone(k.verdicts)
	s.Recent = slices.Clone(k.recent)
	k.mu.Unlock()
	if s.Troubles == nil {
		s.Troubles = []string{}
	}
	needs, set := map[string]string{}, map[string]string{}
	for path, f := range k.files {
		switch f.state {
		case settling, settled, gathering:
			s.Settling++
		case queued:
			s.Queued++
		case needsInfo, unreadable:
			needs[k.results.rel(path)] = f.why
		case aside:
			set[k.results.rel(path)] = f.why
		}
	}
	s.NeedsInfo, s.Counts.NeedsInfo = list(needs)
	s.SetAside, s.Counts.SetAside = list(set)
	s.LeftAlone, s.Counts.LeftAlone = list(k.alone)
	s.Written = now.UTC()
	k.published = now
	if k.o.Show != nil {
		k.o.Show(&s)
	}
	if k.plugged() != nil {
		return // it would be written under the place where the share belongs
	}
	if err := s.write(); err != nil {
		k.trouble("status", "the status can't be written: "+err.Error())
		return
	}
	k.well("status", "the status can be written again")
}
