package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"plumbsquare/internal/batch"
	"plumbsquare/internal/intake"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
)

const measureLong = `Measures pictures and judges each by its part file: accept, reject, review (the uncertainty
straddles a limit) or retake (the picture can't be measured, and why).

A folder means its pictures and those that its traveler.csv names. What is known of a picture
comes from the flags, else from traveler.csv in its folder (columns image, part, view, scope,
lot, sample, head, nozzle, pick_position, operator, taken_at, turn_deg, focus, stage_x_mm, stage_y_mm), else from PICTURE.yaml beside it
with the same keys, else from its name and from the station file.

Pictures of one lot and sample with stage_x_mm and stage_y_mm in the traveler are two to four corners
of a die too large for one picture: they give one reading, and one overlay named after the first.
The scope file states u_stage_um.

--combine puts the shots of one sample's array together: plan at tip and at base focus (focus: tip or
base in the traveler), plan turned by 180°, side views of two edges (turn_deg). Each value comes
from the shot that knows it best and names it. Plans turned against each other also tell the
camera's tilt from the columns' lean.

--reversal takes samples shot twice, turned by 180° in between (turn_deg 0 and 180; of two pictures
alone the second is the turned one). Half the difference is the scope's own bias: an optical axis
that isn't square to the surface shows what is h higher shifted by h·tan(tilt). Dies and caps tell
it by their tops, arrays by the tips of columns or by balls, which leaves their own lean. --write-scope
puts it into a scope file, and readings made with that are freed of it: offsets, tips, leans.

Expanded uncertainties (k = 2) stand behind ±. docs/readings.md describes every field.`

const measureExample = `  inspect measure --part tern.yaml --scope bench1.yaml --view die-plan lot42/*.png
  inspect measure lot42 -o lot42.jsonl --overlay lot42-overlays
  inspect measure lot42 --store line.db
  inspect measure --json lot42 | head -1
  inspect measure --combine lot42-plan-and-sides -o lot42.jsonl
  inspect measure --reversal lot42-both-ways --write-scope bench1.yaml`

type measureOptions struct {
	part, scope, view, station string
	parts, scopes              []string
	workers                    int

	json, budget   bool
	out, csv       string
	store, line    string
	overlay, bumps string
	combine        bool
	reversal       bool
	writeScope     string
	stdout, stderr io.Writer
}

func newMeasureCmd() *cobra.Command {
	var o measureOptions
	cmd := &cobra.Command{
		Use:     "measure [flags] PICTURE|FOLDER|GLOB...",
		Short:   "Measure pictures and judge them",
		Long:    measureLong,
		Example: measureExample,
		Args:    usageArgs(cobra.MinimumNArgs(1)),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.stdout, o.stderr = cmd.OutOrStdout(), cmd.ErrOrStderr()
			if o.workers < 0 {
				return usagef("--workers can't be below 0")
			}
			if o.reversal {
				return runReversal(cmd.Context(), o, args)
			}
			return runMeasure(cmd.Context(), o, args)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.part, "part", "", "part file, or the name of one; goes before what the pictures bring")
	f.StringVar(&o.scope, "scope", "", "scope file, or the name of one; likewise")
	f.StringVar(&o.view, "view", "", "view: die-plan, die-ir, cap-plan, column-plan, column-side or ball-plan; likewise")
	f.StringVar(&o.station, "station", "", "station file: what all pictures of a bench have in common")
	f.StringSliceVar(&o.parts, "parts", nil, "folders of part files, for parts that are asked for by name")
	f.StringSliceVar(&o.scopes, "scopes", nil, "folders of scope files, likewise")
	f.BoolVar(&o.json, "json", false, "print readings as JSON Lines instead of a table")
	f.BoolVar(&o.budget, "budget", false, "print after the table where each offset's uncertainty comes from")
	f.StringVarP(&o.out, "output", "o", "", "write the readings to this file, JSON Lines")
	f.StringVar(&o.csv, "csv", "", "write a table of shots to this file, and one of sites beside it (NAME-sites.csv)")
	f.StringVar(&o.store, "store", "", "keep the readings in this store: an SQLite file, or postgres://USER@HOST/DATABASE")
	f.StringVar(&o.line, "line", "", "with --store: the line of the plant that the pictures are of")
	f.StringVar(&o.overlay, "overlay", "", "draw what was measured over each picture into this folder, PNG")
	f.StringVar(&o.bumps, "bumps", "", "draw how far each bump under the die lies from its pad into this folder, PNG")
	f.BoolVar(&o.combine, "combine", false, "put the shots of one sample's columns or balls together into one reading")
	f.BoolVar(&o.reversal, "reversal", false, "report the scope's own bias from samples shot both ways round")
	f.StringVar(&o.writeScope, "write-scope", "", "with --reversal: write the scope with its bias to this file")
	f.IntVar(&o.workers, "workers", 0, "pictures measured at a time; 0 is one a core")
	return cmd
}

// runMeasure measures what args name. Whatever one picture does, the others are measured; errors
// are printed as they come and decide the exit status at the end.
func runMeasure(ctx context.Context, o measureOptions, args []string) error {
	if o.writeScope != "" {
		return usagef("--write-scope goes with --reversal")
	}
	if o.line != "" && o.store == "" {
		return usagef("--line goes with --store")
	}
	if o.budget && o.json {
		return usagef("--budget goes with the table; with --json each reading holds its budget")
	}
	jobs, errs, err := o.jobs(args)
	if err != nil {
		return err
	}
	failed := len(errs)
	for _, err := range errs {
		fmt.Fprintf(o.stderr, "inspect: %v\n", err)
	}
	if len(jobs) == 0 {
		return errReported
	}
	drawers, err := o.drawers(jobs)
	if err != nil {
		return err
	}
	sinks, err := newSinks(ctx, o, jobs)
	if err != nil {
		return err
	}
	bar := newProgress(o.stderr, len(jobs))
	options := batch.Options{Program: version(), Today: time.Now(), Workers: o.workers, Progress: bar.step}
	options.After = func(gs []*picture.Gray, j intake.Job, r *reading.Reading) error {
		var errs []error
		for _, d := range drawers {
			errs = append(errs, d.draw(gs, j, r))
		}
		return errors.Join(errs...)
	}
	var combine *batch.Gathering
	if o.combine {
		combine = batch.Gather(jobs, options)
	}
	var tally tally
	var measured []*reading.Reading // for the budgets
	each := func(r batch.Result) error {
		if r.Err != nil {
			failed++
			bar.around(func() { fmt.Fprintf(o.stderr, "inspect: %v\n", r.Err) })
		}
		if combine != nil {
			var err error
			if r.Reading, err = combine.Take(r); err != nil {
				failed++
				bar.around(func() { fmt.Fprintf(o.stderr, "inspect: %v\n", err) })
			}
		}
		if r.Reading == nil {
			return nil
		}
		tally.add(r.Reading)
		if o.budget {
			measured = append(measured, r.Reading)
		}
		var err error
		bar.around(func() { err = sinks.write(r.Reading) })
		return err
	}
	single, samples := batch.Corners(jobs)
	err = batch.Run(ctx, single, options, each)
	for _, s := range samples {
		if err != nil {
			break
		}
		r := batch.Result{Job: s[0]}
		if r.Reading, r.Err = batch.RunCorners(ctx, s, options); ctx.Err() != nil {
			err = context.Cause(ctx)
		} else {
			err = each(r)
		}
		for range s {
			bar.step()
		}
	}
	bar.end()
	if err != nil {
		kept := sinks.abandon()
		if errors.Is(err, context.Canceled) {
			err = fmt.Errorf("stopped after %d of %d pictures", tally.all(), len(jobs))
		}
		return errors.Join(err, kept)
	}
	if err := sinks.close(&tally, failed); err != nil {
		return err
	}
	for _, r := range measured {
		if err := writeBudget(o.stdout, r); err != nil {
			return err
		}
	}
	switch {
	case failed > 0:
		return errReported
	case tally[reading.Accept] < tally.all():
		return errNotAccepted
	}
	return nil
}

// jobs returns what args name, what is wrong with some of it, or why nothing can be done.
func (o measureOptions) jobs(args []string) ([]intake.Job, []error, error) {
	view, err := intake.ParseView(o.view)
	if err != nil {
		return nil, nil, usageError{fmt.Errorf("--view: %w", err)}
	}
	in := intake.Options{Override: intake.Particulars{Part: o.part, Scope: o.scope, Shot: reading.Shot{View: view}}}
	library := intake.Library{PartDirs: o.parts, ScopeDirs: o.scopes}
	if o.station != "" {
		if err := in.Bench(&library, o.station); err != nil {
			return nil, nil, err
		}
	}
	shots, errs := intake.Gather(args, in)
	jobs, more := library.Jobs(shots)
	return jobs, append(errs, more...), nil
}
