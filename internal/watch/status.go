package watch

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
)

// StatusSchema names the version of a status's JSON form.
const StatusSchema = "watch-status/1"

// A Status is how a watch is doing.
type Status struct {
	Schema  string    `json:"schema"`
	Machine string    `json:"machine"`
	PID     int       `json:"pid"`
	Program string    `json:"program"`
	Inbox   string    `json:"inbox"`
	Store   string    `json:"store"`
	Started time.Time `json:"started"`
	Written time.Time `json:"written"`
	Ended   bool      `json:"ended"` // it has ended of itself

	// Troubles are what keeps the watch from its work, each a sentence that says what to do.
	Troubles []string `json:"troubles"`

	Settling  int                      `json:"settling"`   // may still be growing
	Queued    int                      `json:"queued"`     // to be measured
	NeedsInfo []Waiting                `json:"needs_info"` // the first of them
	SetAside  []Waiting                `json:"set_aside"`  // the first of them
	LeftAlone []Waiting                `json:"left_alone"` // the first of them
	Counts    StatusCounts             `json:"counts"`
	Verdicts  map[reading.Decision]int `json:"verdicts"` // since it started
	Recent    []Recent                 `json:"recent"`   // the newest first
}

// StatusCounts are how many there are where the status lists only the first.
type StatusCounts struct {
	NeedsInfo int `json:"needs_info"`
	SetAside  int `json:"set_aside"`
	LeftAlone int `json:"left_alone"`
}

// A Waiting is a file that isn't measured, and why.
type Waiting struct {
	Path string `json:"path"`
	Why  string `json:"why"`
}

// A Recent is a verdict of late.
type Recent struct {
	At      time.Time        `json:"at"`
	Path    string           `json:"path"`
	Verdict reading.Decision `json:"verdict"`
	Remark  string           `json:"remark,omitempty"`
}

const (
	mostListed = 50
	mostRecent = 20
	// alive is how old a status may be of a watch that lives: it is written anew in half that time.
	alive = time.Minute
)

// list sorts and cuts a list for the status.
func list(all map[string]string) ([]Waiting, int) {
	names := slices.Sorted(maps.Keys(all))
	out := []Waiting{}
	for _, n := range names[:min(len(names), mostListed)] {
		out = append(out, Waiting{n, all[n]})
	}
	return out, len(all)
}

func statusFile(inbox, machine string) string {
	return filepath.Join(inbox, intake.KeptFolder, "status-"+filepath.Base(machine)+".json")
}

func (s *Status) write() error {
	data, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return err
	}
	return intake.WriteWhole(statusFile(s.Inbox, s.Machine), append(data, '\n'))
}

// ReadStatus returns the statuses of the machines that watch an inbox or did, by name.
func ReadStatus(inbox string) ([]*Status, error) {
	files, err := fs.Glob(os.DirFS(filepath.Join(inbox, intake.KeptFolder)), "status-*.json")
	if err != nil {
		return nil, err
	}
	if len(files) == 0 {
		if _, err := os.Stat(inbox); err != nil {
			return nil, err
		}
		return nil, fmt.Errorf("%s: nobody has watched this folder yet", inbox)
	}
	var all []*Status
	for _, f := range files {
		name := filepath.Join(inbox, intake.KeptFolder, f)
		b, err := os.ReadFile(name)
		if err != nil {
			return nil, err
		}
		s := new(Status)
		if err := json.Unmarshal(b, s); err != nil || s.Schema != StatusSchema {
			return nil, fmt.Errorf("%s: not a status that this program can read; delete it", name)
		}
		all = append(all, s)
	}
	return all, nil
}

// Alive reports whether the watch was at work a moment ago.
func (s *Status) Alive(now time.Time) bool { return !s.Ended && now.Sub(s.Written).Abs() < alive }

// Text is the status for people.
func (s *Status) Text(now time.Time) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	clock := func(t time.Time) string { return t.Local().Format("2006-01-02 15:04:05") }
	switch {
	case s.Ended:
		line("%s on %s: ended %s", shown(s.Inbox), s.Machine, clock(s.Written))
	case !s.Alive(now):
		line("%s on %s: NO SIGN OF LIFE since %s; look whether the program still runs there", shown(s.Inbox), s.Machine, clock(s.Written))
	case len(s.Troubles) > 0:
		line("%s on %s: IN TROUBLE", shown(s.Inbox), s.Machine)
	default:
		line("%s on %s: watching since %s", shown(s.Inbox), s.Machine, clock(s.Started))
	}
	for _, t := range s.Troubles {
		line("  ! %s", t)
	}
	line("  %d arriving, %d to be measured, %d in needs-info, %d set aside", s.Settling, s.Queued, s.Counts.NeedsInfo, s.Counts.SetAside)
	var words []string
	for _, d := range decisions {
		words = append(words, fmt.Sprintf("%d %s", s.Verdicts[d], d))
	}
	line("  verdicts since it started: %s", strings.Join(words, ", "))
	section := func(title string, all []Waiting, count int) {
		if count == 0 {
			return
		}
		line("%s", title)
		for _, w := range all {
			line("  %s: %s", shown(w.Path), w.Why)
		}
		if more := count - len(all); more > 0 {
			line("  and %d more", more)
		}
	}
	section("waiting for particulars, see needs-info", s.NeedsInfo, s.Counts.NeedsInfo)
	section("set aside", s.SetAside, s.Counts.SetAside)
	section("left alone", s.LeftAlone, s.Counts.LeftAlone)
	if len(s.Recent) > 0 {
		line("the last verdicts")
	}
	for _, r := range s.Recent {
		line("  %s", strings.TrimRight(fmt.Sprintf("%s  %-7s %s  %s", r.At.Local().Format("15:04:05"), r.Verdict, shown(r.Path), r.Remark), " "))
	}
	return b.String()
}
