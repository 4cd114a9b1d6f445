package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"text/tabwriter"

	"golang.org/x/sync/errgroup"

	"plumbsquare/internal/measure"
	"plumbsquare/internal/part"
	"plumbsquare/internal/picture"
	"plumbsquare/internal/reading"
	"plumbsquare/internal/synth"
)

// An arrayView is one way to look at a part's array.
type arrayView struct {
	part  *part.Part
	view  reading.View
	sites int
}

// arrayViews lists what arrays are drawn: of each part every view that shows its array.
func arrayViews(parts []*part.Part) ([]arrayView, error) {
	var all []arrayView
	for _, p := range parts {
		if p.Array == nil {
			continue
		}
		sites, err := p.Array.Sites()
		if err != nil {
			return nil, err
		}
		if p.Array.Kind == "balls" {
			all = append(all, arrayView{p, reading.BallPlan, len(sites)})
			continue
		}
		last := 0
		for _, s := range sites {
			if s.Row == sites[len(sites)-1].Row {
				last++
			}
		}
		all = append(all, arrayView{p, reading.ColumnPlan, len(sites)}, arrayView{p, reading.ColumnSide, last})
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("none of the parts has an array")
	}
	return all, nil
}

// What can go wrong at a site, or with a whole picture.
type siteFault int

const (
	overlooked     siteFault = iota // missing, but not reported so
	falselyMissing                  // there, but reported missing
	unreported                      // bridged or doubled, but not reported so
	falselyJoined                   // reported bridged or doubled, but isn't
	tipOff                          // beyond a pixel from where it is
	refusedWrongly                  // the whole picture, though it can be measured
	notRefused                      // the whole picture, or for another reason
	siteFaults
)

var siteFaultNames = [siteFaults]string{"overlooked", "falsely missing", "unreported", "falsely joined", "tip beyond 1 px", "refused though good", "not refused right"}

// A siteOutcome is what became of one picture of an array.
type siteOutcome struct {
	seed   uint64
	label  string // view and torments
	sites  int    // measured
	counts [siteFaults]int
	lines  []string
}

// arrays draws and measures pictures of arrays until they hold as many sites as asked for.
func (b *bench) arrays(ctx context.Context, w io.Writer, o options) error {
	views, err := arrayViews(b.parts)
	if err != nil {
		return err
	}
	var seeds []uint64
	for seed, n := o.seed, 0; n < o.sites; seed++ {
		if o.only != 0 {
			seed, n = o.only, o.sites
		}
		seeds = append(seeds, seed)
		n += views[seed%uint64(len(views))].sites
	}
	out := make([]siteOutcome, len(seeds))
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(max(o.workers, 1))
	for i, seed := range seeds {
		g.Go(func() error {
			if gctx.Err() != nil {
				return context.Cause(gctx)
			}
			t, g, err := tryArray(views[seed%uint64(len(views))], seed, cmp.Or(o.widthPx, 2048))
			out[i] = t
			if err == nil && o.only != 0 && o.out != "" {
				err = writePNG(o.out, shown(g))
			}
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	return siteTable(w, out)
}

// faultyShare is the share of pictures that must be refused.
const faultyShare = 0.05

func tryArray(v arrayView, seed uint64, widthPx int) (siteOutcome, *picture.Gray, error) {
	rng := rand.New(rand.NewPCG(seed, 0xa88a7))
	sc := synth.RandomScope("torture", v.part, v.view, widthPx, rng)
	scene, names := synth.Torture(v.part, sc, v.view, faultyShare, rng)
	t := siteOutcome{seed: seed, label: fmt.Sprintf("%s: %s", v.view, strings.Join(names, ", "))}
	g, truth, err := synth.Draw(scene, rng)
	if err != nil {
		return t, nil, fmt.Errorf("seed %d, %s: %w", seed, t.label, err)
	}
	r, err := measure.Shot(g, measure.Job{Part: v.part, Scope: sc, Shot: reading.Shot{View: v.view}, Today: sc.Calibrated})
	if err != nil {
		return t, g, fmt.Errorf("seed %d, %s: %w", seed, t.label, err)
	}
	t.judge(truth, r)
	return t, g, nil
}

// judge holds a reading against what is true of its picture.
func (t *siteOutcome) judge(truth *synth.Truth, r *reading.Reading) {
	switch {
	case truth.Reason != "" && (r.Refusal == nil || r.Refusal.Gate != truth.Reason):
		t.add(notRefused, "want %s, got %v", truth.Reason, r.Refusal)
		return
	case truth.Reason != "":
		return
	case r.Refusal != nil:
		t.add(refusedWrongly, "%v", r.Refusal)
		return
	}
	read := make(map[string]*reading.Site, len(r.Array.Sites))
	for i := range r.Array.Sites {
		read[r.Array.Sites[i].Name] = &r.Array.Sites[i]
	}
	joined := func(state string) bool { return state == reading.Bridged || state == reading.Doubled }
	for i := range truth.Sites {
		is := &truth.Sites[i]
		got := read[is.Site]
		if got == nil || got.State == reading.Unseen {
			t.add(overlooked, "%s can't be seen", is.Site)
			continue
		}
		t.sites++
		switch {
		case is.State == reading.Missing && got.State != reading.Missing:
			t.add(overlooked, "%s is missing, called %s", is.Site, got.State)
		case is.State != reading.Missing && got.State == reading.Missing:
			t.add(falselyMissing, "%s is %s, called missing", is.Site, is.State)
		case joined(is.State) && got.State != is.State:
			t.add(unreported, "%s is %s, called %s", is.Site, is.State, got.State)
		case joined(got.State) && got.State != is.State:
			t.add(falselyJoined, "%s is %s, called %s", is.Site, is.State, got.State)
		}
		if is.State == reading.Missing || got.State == reading.Missing || joined(is.State) {
			continue
		}
		ex, ey := got.DXUm-value(is.DXUm), got.DYUm-value(is.DYUm)
		if px := math.Hypot(ex, ey) / truth.UmPerPx; !(px <= grossPx) {
			t.add(tipOff, "%s (%s) errs by %.2f px", is.Site, is.State, px)
		}
	}
}

func value(v *float64) float64 {
	if v == nil {
		return 0
	}
	return *v
}

func (t *siteOutcome) add(f siteFault, format string, args ...any) {
	t.counts[f]++
	t.lines = append(t.lines, fmt.Sprintf("%s: seed %d, %s: %s", siteFaultNames[f], t.seed, t.label, fmt.Sprintf(format, args...)))
}

// siteTable writes what went wrong by view and torments, then each case with its seed.
func siteTable(w io.Writer, out []siteOutcome) error {
	type row struct {
		pictures, sites int
		counts          [siteFaults]int
	}
	rows, all := map[string]*row{}, new(row)
	var labels []string
	for _, o := range out {
		view, _, _ := strings.Cut(o.label, ":")
		if rows[view] == nil {
			rows[view] = new(row)
			labels = append(labels, view)
		}
		for _, r := range [2]*row{rows[view], all} {
			r.pictures++
			r.sites += o.sites
			for k, n := range o.counts {
				r.counts[k] += n
			}
		}
	}
	slices.Sort(labels)
	labels, rows["all"] = append(labels, "all"), all
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintf(t, "view\tpictures\tsites\t%s\t\n", strings.Join(siteFaultNames[:], "\t"))
	for _, l := range labels {
		r := rows[l]
		fmt.Fprintf(t, "%s\t%d\t%d\t", l, r.pictures, r.sites)
		for _, n := range r.counts {
			fmt.Fprintf(t, "%d\t", n)
		}
		fmt.Fprintln(t)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	for _, o := range out {
		for _, l := range o.lines {
			fmt.Fprintln(w, l)
		}
	}
	return nil
}
