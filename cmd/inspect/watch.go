package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/intake"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/station"
	"plumbsquare/internal/store"
	"plumbsquare/internal/watch"
	"plumbsquare/internal/worker"
)

const watchLong = `Measures the pictures that land in a folder, the inbox, as long as it runs. A picture counts once
it has stopped growing. Its verdict appears in INBOX/results within seconds: a text to read, whose
name ends in the verdict, the same as JSON, and the picture with what was measured drawn over it.
Pictures stay where they are and are never changed.

What is known of a picture comes from traveler.csv in its folder, else from PICTURE.yaml beside it,
else from its name and the station file. One of which too little is known waits, with a note in
INBOX/needs-info, and is measured by itself once that has come; so does a corner shot of a die
(stage_x_mm, stage_y_mm) until the others of its sample are there. A file that can't be measured
gets a note in INBOX/set-aside.

Readings are kept in a store: an SQLite file, or a PostgreSQL database where several machines watch
one shared folder. The same picture twice is one shot. The program may be stopped or killed at any
time; the next start goes on where it was. docs/watch.md says more.

With --once it ends with status 0 when all was accepted and 1 when something wasn't, waits or was
set aside. --status reports how the watches of an inbox are doing: status 0 when all is well, 1 when
one is in trouble, has ended or gives no sign of life.`

const watchExample = `  inspect watch inbox --station station.yaml --store line.db
  inspect watch inbox --station station.yaml --store line.db --report-at 05:30 --reports reports
  inspect watch inbox --station station.yaml --store line.db --once
  inspect watch --status inbox`

type watchOptions struct {
	part, scope, view, station string
	parts, scopes, need        []string
	store, line                string
	workers, workerMemoryMB    int
	settle, rescan             time.Duration
	metrics, reportAt, reports string
	once, status, json         bool

	mail           mailFlags
	stdout, stderr io.Writer
}

func newWatchCmd() *cobra.Command {
	var o watchOptions
	cmd := &cobra.Command{
		Use:     "watch [flags] INBOX",
		Short:   "Measure the pictures that land in a folder",
		Long:    watchLong,
		Example: watchExample,
		Args:    usageArgs(cobra.ExactArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.stdout, o.stderr = cmd.OutOrStdout(), cmd.ErrOrStderr()
			if o.status {
				return runWatchStatus(o, args[0])
			}
			return runWatch(cmd.Context(), o, args[0])
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.store, "store", "", "where readings are kept: a file of this machine, or postgres://…; otherwise what the station file says")
	f.StringVar(&o.station, "station", "", "station file: what all pictures of a bench have in common; read anew when it changes")
	f.StringVar(&o.part, "part", "", "part file, or the name of one; goes before what the pictures bring")
	f.StringVar(&o.scope, "scope", "", "scope file, or the name of one; likewise")
	f.StringVar(&o.view, "view", "", "view: die-plan, die-ir, cap-plan, column-plan, column-side or ball-plan; likewise")
	f.StringSliceVar(&o.parts, "parts", nil, "folders of part files, for parts that are asked for by name")
	f.StringSliceVar(&o.scopes, "scopes", nil, "folders of scope files, likewise")
	f.StringSliceVar(&o.need, "need", nil, "particulars without which a picture waits, besides part, scope and view: lot,sample …")
	f.StringVar(&o.line, "line", "", "name of the line, kept with each reading")
	f.IntVar(&o.workers, "workers", 0, "pictures measured at a time; 0 is one a core")
	f.IntVar(&o.workerMemoryMB, "worker-memory-mb", 0, "what each process that measures may take; 0 is 3072, enough for any picture")
	f.DurationVar(&o.settle, "settle", 0, "how long a file must look the same to count; 0 is half a second, 3s is better on a share")
	f.DurationVar(&o.rescan, "rescan", 0, "time between two looks through the whole inbox; 0 is 2 s, more where looking takes long")
	f.BoolVar(&o.once, "once", false, "end when all that is there has been dealt with")
	f.StringVar(&o.reportAt, "report-at", "", "write a report of the last 24 hours at this time of day, such as 05:30; --mail-to sends it")
	f.StringVar(&o.reports, "reports", "", "folder for those reports; otherwise INBOX/results/reports")
	o.mail.addFlags(f)
	f.StringVar(&o.metrics, "metrics", "", "address to serve Prometheus metrics at, under /metrics, such as localhost:9099")
	f.BoolVar(&o.status, "status", false, "print how the watches of this inbox are doing, and end")
	f.BoolVar(&o.json, "json", false, "print JSON: a line for all that happens, or with --status a list")
	return cmd
}

func runWatchStatus(o watchOptions, inbox string) error {
	all, err := watch.ReadStatus(inbox)
	if err != nil {
		return err
	}
	now := time.Now()
	well := true
	for i, s := range all {
		well = well && s.Alive(now) && len(s.Troubles) == 0
		if o.json {
			continue
		}
		if i > 0 {
			fmt.Fprintln(o.stdout)
		}
		fmt.Fprint(o.stdout, s.Text(now))
	}
	if o.json {
		if err := json.NewEncoder(o.stdout).Encode(all); err != nil {
			return err
		}
	}
	if !well {
		return errNotAccepted
	}
	return nil
}

func runWatch(ctx context.Context, o watchOptions, inbox string) error {
	if err := o.fromStation(); err != nil {
		return err
	}
	wo, err := o.watching(inbox)
	if err != nil {
		return err
	}
	if at, err := os.Stat(inbox); err != nil { // before a store is made for it
		return fmt.Errorf("inbox: %w", err)
	} else if !at.IsDir() {
		return fmt.Errorf("inbox %s is not a folder", intake.Printable(inbox))
	}
	st, err := store.Open(ctx, o.store)
	if err != nil {
		return err
	}
	defer st.Close()
	if o.reportAt != "" {
		if wo.Nightly, err = o.nightly(inbox, st); err != nil {
			return err
		}
	}
	var status atomic.Pointer[watch.Status]
	wo.Show = status.Store
	if o.metrics != "" {
		stop, err := serveMetrics(o.metrics, status.Load, o.stderr)
		if err != nil {
			return err
		}
		defer stop()
	}
	pool, err := worker.Start(ctx, worker.Options{Workers: wo.Workers, MemoryMB: o.workerMemoryMB})
	if err != nil {
		return err
	}
	defer pool.Close()
	wo.Store, wo.Measurer = st, pool
	wo.Judge = func(ctx context.Context) ([]string, error) { return newSignals(ctx, st) }
	if !o.json {
		fmt.Fprintf(o.stdout, "watching %s, readings go to %s; stop with Ctrl-C, nothing is lost by it\n", intake.Printable(inbox), hidePassword(o.store))
	}
	if err := watch.Run(ctx, *wo); err != nil {
		return err
	}
	last := status.Load()
	if !o.json {
		fmt.Fprintf(o.stdout, "%s\n", lastWords(last))
	}
	if o.once && (last.Counts.NeedsInfo+last.Counts.SetAside > 0 || last.Verdicts[reading.Accept] < tally(last.Verdicts).all()) {
		return errNotAccepted
	}
	return nil
}

// fromStation takes the store from the station file where no flag names it.
func (o *watchOptions) fromStation() error {
	if o.store != "" || o.station == "" {
		return nil
	}
	b, err := os.ReadFile(o.station)
	if err != nil {
		return err
	}
	s, err := station.Load(b, o.station)
	if err != nil {
		return err
	}
	o.store = s.Store
	return nil
}

// watching checks the command line and returns what a watch needs of it.
func (o watchOptions) watching(inbox string) (*watch.Options, error) {
	switch {
	case o.store == "":
		return nil, usagef("where are the readings to be kept? Give --store FILE, or --store postgres://…, or name it in the station file")
	case o.reports != "" && o.reportAt == "":
		return nil, usagef("--reports goes with --report-at")
	case len(o.mail.to) > 0 && o.reportAt == "":
		return nil, usagef("--mail-to goes with --report-at")
	case o.settle < 0 || o.rescan < 0 || o.workers < 0 || o.workerMemoryMB < 0:
		return nil, usagef("--settle, --rescan and --workers can't be below 0")
	}
	if err := intake.ParseNeeded(o.need); err != nil {
		return nil, usageError{fmt.Errorf("--need: %w", err)}
	}
	view, err := intake.ParseView(o.view)
	if err != nil {
		return nil, usageError{fmt.Errorf("--view: %w", err)}
	}
	desk := func() (*intake.Desk, error) {
		d := &intake.Desk{
			Options: intake.Options{Override: intake.Particulars{Part: o.part, Scope: o.scope, Shot: reading.Shot{View: view}}},
			Library: intake.Library{PartDirs: o.parts, ScopeDirs: o.scopes}, Needed: o.need,
		}
		if o.station == "" {
			return d, nil
		}
		return d, d.Options.Bench(&d.Library, o.station)
	}
	d, err := desk() // a station file that is wrong from the beginning is told at once
	if err != nil {
		return nil, err
	}
	beside := append(append([]string{}, d.Library.PartDirs...), d.Library.ScopeDirs...)
	for _, file := range []string{o.station, o.part, o.scope} {
		if file != "" {
			beside = append(beside, file)
		}
	}
	return &watch.Options{
		Inbox: inbox, Desk: desk, Beside: beside, Workers: cmp.Or(o.workers, runtime.GOMAXPROCS(0)), Line: o.line, StoreAt: hidePassword(o.store), Program: version(),
		Settle: o.settle, Rescan: o.rescan, Once: o.once, Events: true, Say: o.say,
	}, nil
}

// newSignals holds new readings against the control charts.
func newSignals(ctx context.Context, st *store.Store) (lines []string, err error) {
	r, err := updateSignals(ctx, st)
	for _, s := range r.New {
		lines = append(lines, fmt.Sprintf("%v: %s", s.Chart, s.Text))
	}
	if err == nil && len(r.Problems) > 0 {
		err = errors.New(strings.Join(r.Problems, "; "))
	}
	return lines, err
}

// A watchLine is something that happened, as --json prints it.
type watchLine struct {
	At     time.Time     `json:"at"`
	Event  string        `json:"event"` // a verdict, or waits, aside, alone, again, signal, trouble, well
	Path   string        `json:"path,omitempty"`
	Text   string        `json:"text,omitempty"`
	Answer *watch.Answer `json:"answer,omitempty"`
}

// say prints what happens, a line each.
func (o watchOptions) say(l watch.Line) {
	if o.json {
		// A terminal that is gone is no reason to end: the answers are in the inbox.
		_ = json.NewEncoder(o.stdout).Encode(watchLine{l.At.UTC(), l.Word, l.Path, l.Text, l.Answer})
		return
	}
	words := []string{l.At.Format("15:04:05"), fmt.Sprintf("%-7s", l.Word)}
	if l.Path != "" {
		words = append(words, intake.Printable(l.Path))
	}
	fmt.Fprintln(o.stdout, strings.TrimRight(strings.Join(append(words, l.Text), "  "), " "))
}

func lastWords(s *watch.Status) string {
	var words []string
	for _, d := range []reading.Decision{reading.Accept, reading.Reject, reading.Review, reading.Retake} {
		words = append(words, fmt.Sprintf("%d %s", s.Verdicts[d], d))
	}
	text := "ended: " + strings.Join(words, ", ")
	for _, w := range []struct {
		n    int
		text string
	}{{s.Settling + s.Queued, "%d to be measured at the next start"}, {s.Counts.NeedsInfo, "%d in needs-info"}, {s.Counts.SetAside, "%d set aside"}} {
		if w.n > 0 {
			text += ", " + fmt.Sprintf(w.text, w.n)
		}
	}
	return text
}

// reportsFolder is where reports go unless --reports says otherwise.
func (o watchOptions) reportsFolder(inbox string) string {
	if o.reports != "" {
		return o.reports
	}
	return filepath.Join(inbox, intake.ResultsFolder, "reports")
}

// hidePassword returns a store's address without the password in it.
func hidePassword(store string) string {
	if u, err := url.Parse(store); err == nil && u.User != nil {
		return u.Redacted()
	}
	return store
}
